"""The cable panel: pins against pins to touch, the cable drawn, what a slip does to interlock and standby."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import ipywidgets as widgets

from tubekit.amp import Amp, analyze, parts as drawn
from tubekit.bench import continuity
from tubekit.bench.cable import CableReport, check_cable, pin_place
from tubekit.bench.cable_errors import MISTAKES
from tubekit.errors import ReadingError, TubekitError
from tubekit.panels import cable_sheet, layout
from tubekit.panels.amp_choice import AmpSetting
from tubekit.panels.amp_panel import amp_of, opened, opens
from tubekit.panels.bench_rows import ListChoice, SaveLine, three_columns
from tubekit.panels.export_files import FileSaver, write_new
from tubekit.panels.figure_widget import FigureWidget
from tubekit.panels.layout import FULL, GROWN
from tubekit.panels.panel import Panel
from tubekit.panels.trial import History
from tubekit.plots.cable_view import WIDE, CableView, height
from tubekit.text import caution_html

CELL, HEAD = "40px", "40px"
SIGNS = {
    ("", False): "", ("", True): "○", ("beep", True): "●", ("beep", False): "● !", ("silent", False): "–",
    ("silent", True): "– !",
}  # fmt: skip
KEY = (
    "○ should beep, not tested · ● beeps · – silent · ! differs from the schematic. Click a cell for "
    "beep, again for "
    "silent, again for not tested."
)


class Grid(layout.Field):
    """Cells of one pair of connectors; the others keep what was tried on them."""

    def __init__(self, on_touch: Callable[[continuity.Pair], object], on_choice: Callable[[], None]) -> None:
        self._on_touch = on_touch
        tip = "Choose which pins to test against each other"
        self.choice = layout.described(widgets.Dropdown, "pins of", tip)
        self.frame = widgets.VBox([], layout={"width": "auto"})
        self.key = widgets.HTML(f"<p>{KEY}</p>", layout={"width": "auto"})
        super().__init__(self.choice, self.frame, self.key)
        self.buttons: dict[continuity.Pair, widgets.Button] = {}
        self.listen(self.choice, lambda _: on_choice())

    def offer(self, amp: Amp) -> None:
        """The grids of an amp."""
        self.amp = amp
        self._expected = continuity.joined_pairs(continuity.cable_graph(amp), continuity.pins(amp))
        self._by = _ways(amp, self._expected)
        with self.quietly():
            self.choice.options = list(cable_sheet.grids(amp))
            self.choice.value = self.choice.options[0]
        self.lay_out()

    def lay_out(self) -> None:
        """Cells for the chosen connectors."""
        one, two = cable_sheet.grids(self.amp)[self.choice.value]
        found = list(cable_sheet.cells(self.amp, one, two))
        rows, columns = _in_order(a for a, _ in found), _in_order(b for _, b in found)
        self.buttons = {}
        head = [_head(""), *(_head(pin.partition(".")[2]) for pin in columns)]
        lines = [_line([_head(two, wide=True), *head[1:]])]
        there = set(found)
        for a in rows:
            line: list[widgets.Widget] = [_head(a, wide=True)]
            line += [self._cell(a, b) if (a, b) in there else _blank() for b in columns]
            lines.append(_line(line))
        self.frame.children = lines

    def _cell(self, one: continuity.Pin, two: continuity.Pin) -> widgets.Button:
        pair = frozenset((one, two))
        button = widgets.Button(layout={"width": CELL, "height": CELL, "flex": f"0 0 {CELL}"})
        button.add_class("tubekit-cell")
        if pair in self._expected:
            button.add_class("tubekit-due")
        button.on_click(lambda _: self._on_touch(pair))
        self.buttons[pair] = button
        return button

    def put(self, tried: cable_sheet.Tried, last: continuity.Pair | None) -> None:
        """What was tried."""
        for pair, button in self.buttons.items():
            said, due = tried.at(pair), pair in self._expected
            word = "" if not said else "beep" if cable_sheet.beeps(said) else cable_sheet.SILENT
            sign = SIGNS[(word, due)]
            if button.description != sign:
                button.description = sign
            (button.add_class if "!" in sign else button.remove_class)("tubekit-off")
            (button.add_class if pair == last else button.remove_class)("tubekit-last")
            one, two = sorted(pair)
            by = f", {self._by[pair]}" if due else ""
            state = said or "not tested"
            button.tooltip = f"{one} to {two}{by}: {state}; should {'beep' if due else 'stay silent'}"


def _ways(amp: Amp, expected: set[continuity.Pair]) -> Mapping[continuity.Pair, str]:
    graph = continuity.cable_graph(amp)
    found = {}
    for pair in expected:
        by = continuity.way(graph, *sorted(pair))
        part = amp.parts.get(by)
        found[pair] = f"{by} {part.color}".strip() if isinstance(part, drawn.Wire) else by
    return found


def _in_order(names: Iterable[continuity.Pin]) -> list[continuity.Pin]:
    return list(dict.fromkeys(names))


def _head(words: str, *, wide: bool = False) -> widgets.HTML:
    size = HEAD if wide else CELL
    html = widgets.HTML(f"<strong>{words}</strong>", layout={"width": size, "flex": f"0 0 {size}"})
    html.add_class("tubekit-pin")
    return html


def _blank() -> widgets.HTML:
    return widgets.HTML("", layout={"width": CELL, "flex": f"0 0 {CELL}"})


def _line(children: list[widgets.Widget]) -> widgets.HBox:
    line = widgets.HBox(children, layout={"width": "auto"})
    line.add_class("tubekit-pins")
    return line


NO_SLIP = ""


class CablePanel(Panel):
    """A cable tried pin by pin. All it shows can be asked for and set by program too.

    `tried` is what the meter did, `report` what `check_cable` makes of it (None for an amp without a cable).
    """

    report: CableReport | None
    last: continuity.Pair | None

    def __init__(self, amp: Amp) -> None:
        self.frame = widgets.VBox([], layout={"width": "100%"})
        self.told, self.states = layout.words_place(), layout.words_place()
        self.amp_list = AmpSetting(amp)
        self.amp_list.on_move(lambda _, chosen, __: self._start(amp_of(chosen)))
        self.lists = ListChoice(self._list_chosen, self._file_taken, options=cable_sheet.list_options)
        self.grid = Grid(self.touch, self._grid_chosen)
        self._slips()
        self._ohms()
        self.equip(FileSaver(lambda: f"{self.amp.name}-cable", self._print_png))
        self._start(amp)
        super().__init__(self._arranged())

    # ---- what a program asks and sets

    def touch(self, pair: continuity.Pair | tuple[str, str]) -> CableReport | None:
        """Touch a cell: beep, then silent, then not tried."""
        self.last = frozenset(pair)
        self.ask(self.tried.touched(self.last))
        return self.report

    def put(self, one: str, two: str, said: str) -> CableReport | None:
        """Write what the meter did between two pins: 'beep', 'silent', ohms as '0.3', or '' for not tried.

        Raises
        ------
        ReadingError : no such pin, or neither of these words nor ohms.
        """
        pair = frozenset(continuity.known_pin(self.amp, pin, "", 0) for pin in (one, two))
        if said not in ("", "beep", "silent"):
            continuity.ohms_said(said)
        self.last = pair
        self.ask(self.tried.with_pair(pair, said))
        return self.report

    def slip(self, slip: str, *at: str) -> CableReport | None:
        """Solder it with a slip of `MISTAKES` and try every pair; see `miswired` for the errors."""
        self.last = None
        self.ask(cable_sheet.of_slip(self.amp, slip, *at))
        return self.report

    def rest(self) -> None:
        """Mark all untested pairs as correct."""
        self.ask(cable_sheet.rest_as_drawn(self.amp, self.tried))

    def reset(self) -> None:
        """Nothing tried."""
        self.last = None
        with self.slip_box.quietly():
            self.slips.value = NO_SLIP
        self.lists.put("")
        self._pins_seen()
        self.ask(cable_sheet.Tried())

    def save(self, name: str = "") -> Path:
        """Write the list as CSV beside the notebook, under the next free name.

        Raises
        ------
        RecordError : the folder cannot be written to.
        """
        stem = (name or f"{self.amp.name}-cable").removesuffix(".csv")
        return write_new(cable_sheet.as_csv(self.tried, self.amp).encode(), stem, ".csv")

    # ---- the one way in and the one way out

    def _start(self, amp: Amp) -> None:
        self.amp, self.last, self.tried = amp, None, cable_sheet.Tried()
        self.history = History[cable_sheet.Tried](self.tried)
        there = bool(continuity.connectors(amp))
        self.saving.begin(f"{amp.name}-cable")
        self.volts = _volts(amp) if there else {}
        boxes = (self.grid, self.slip_box, self.ohms_box, self.saving, self.lists)
        for box in (*boxes, self.rests):
            box.layout.display = "" if there else "none"
        if there:
            with self.slip_box.quietly():
                for choice, start in ((self.first, 0), (self.second, 1)):
                    choice.options = continuity.pins(amp)
                    choice.value = continuity.pins(amp)[min(start, len(continuity.pins(amp)) - 1)]
                self.slips.value = NO_SLIP
            self._pins_seen()
            self.grid.offer(amp)
        self.ask(self.tried, record=False)

    def ask(self, tried: cable_sheet.Tried, *, record: bool = True) -> None:
        """Check what was tried and show what comes of it."""
        self.saving.clear()
        self.saver.clear()
        self.tried = tried
        if record:
            self.history.push(tried)
        self.show_history()
        if not continuity.connectors(self.amp):
            self.report, self.frame.children = None, []
            self.told.value, self.states.value = cable_sheet.nothing_html(self.amp.title), ""
            return
        self.report = check_cable(self.amp, tried.readings())
        self.grid.put(tried, self.last)
        self._show_ohms()
        self._draw(self.report)
        self.told.value = cable_sheet.found_html(self.report, self._left(), self.volts)
        self.states.value = cable_sheet.states_html(self.report)

    def _left(self) -> int:
        due = continuity.joined_pairs(continuity.cable_graph(self.amp), continuity.pins(self.amp))
        return sum(not self.tried.at(pair) for pair in due)

    def _draw(self, report: CableReport) -> None:
        self.figure = FigureWidget(CableView, report, size=(round(WIDE), round(height(self.amp))))
        self.figure.alt = f"Pins and wires of the cable. {report.headline()}"
        self.frame.children = [self.figure]

    def _print_png(self) -> bytes:
        if self.report is None:
            raise ReadingError("there is no cable to draw", where=self.amp.name)
        return self.figure.print_png()

    # ---- from the widgets

    def _grid_chosen(self) -> None:
        self.grid.lay_out()
        self.grid.put(self.tried, self.last)

    def _list_chosen(self, key: str) -> None:
        self.lists.complain("")
        try:
            self.ask(cable_sheet.read_csv(Path(key), self.amp) if key else cable_sheet.Tried())
        except TubekitError as error:
            self.lists.complain(str(error))

    def _file_taken(self, name: str, content: bytes) -> None:
        try:
            path = write_new(content, name.removesuffix(".csv"), ".csv")
            self.ask(cable_sheet.read_csv(path, self.amp))
        except TubekitError as error:
            self.lists.complain(str(error))

    def _slip_chosen(self) -> None:
        self._pins_seen()
        self.slip_box.complain("")
        if self.slips.value == NO_SLIP:
            return
        at = (self.first.value, self.second.value)[: MISTAKES[self.slips.value]]
        try:
            self.slip(self.slips.value, *at)
        except TubekitError as error:
            self.slip_box.complain(str(error))

    def _pins_seen(self) -> None:
        count = MISTAKES.get(self.slips.value, 0)
        for k, choice in enumerate((self.first, self.second)):
            choice.layout.display = "" if count > k else "none"

    def _ohms_typed(self, words: str) -> None:
        if self.last is None:
            return
        self.ohms_box.complain("")
        try:
            one, two = sorted(self.last, key=pin_place)
            self.put(one, two, words.strip())
        except TubekitError as error:
            self.ohms_box.complain(str(error))

    def _show_ohms(self) -> None:
        pair = sorted(self.last, key=pin_place) if self.last else []
        said = self.tried.at(self.last) if self.last else ""
        self.ohms.description = f"{' to '.join(pair)}, ohms" if pair else "ohms"
        self.ohms.disabled = not pair
        with self.ohms_box.quietly():
            self.ohms.value = "" if said in ("beep", "silent") else said

    # ---- where things stand

    def _slips(self) -> None:
        tip, errors = (
            "Try a wiring error and see what the meter would find",
            ((each, each) for each in MISTAKES),
        )
        self.slips = layout.described(
            widgets.Dropdown, "solder", tip, room={**GROWN, "flex": "2 1 0"},
            options=[("no error", NO_SLIP), *errors],
        )  # fmt: skip
        self.first, self.second = (
            widgets.Dropdown(options=("",), layout=GROWN, tooltip=f"The {word} pin of the error")
            for word in ("first", "second")
        )
        self.slip_box = layout.Field(widgets.HBox([self.slips, self.first, self.second], layout=FULL))
        for each in (self.slips, self.first, self.second):
            self.slip_box.listen(each, lambda _: self._slip_chosen())

    def _ohms(self) -> None:
        tip, hint = "Ohms between the two pins you clicked last", "ohms instead of a beep: 0.3, open"
        self.ohms = layout.entry("ohms", tip, wide="130px", placeholder=hint)
        self.ohms_box = layout.Field(self.ohms)
        self.ohms_box.listen(self.ohms, self._ohms_typed)
        self.rests = layout.button("Rest OK", "Mark all untested pairs as correct", self.rest)
        self.saving = SaveLine(self.save, self.lists.look_again)

    def _arranged(self) -> list[widgets.Widget]:
        caution, rule = widgets.HTML(caution_html(cable_sheet.OFF)), layout.rule("What would a miswire do?")
        tried = [self.amp_list, self.lists, caution, self.grid, self.ohms_box, self.rests, self.saving]
        rows = [*tried, rule, self.slip_box]
        told = [self.told, self.states]
        return three_columns(rows, [self.frame], told, self.buttons, self.saver, wide=(392, 540))


def _volts(amp: Amp) -> dict[str, float]:
    """Direct volts of the drawn amp; none where it has no idle state."""
    try:
        return {node.node: float(node.dc_v) for node in analyze(amp).nodes}
    except TubekitError:
        return {}


@opens("fescue", "The panel says so where it has no multi-pin connector.")
def cable(amp: Amp | str | Path | None = None) -> CablePanel:
    """The panel that answers 'is this cable wired as drawn, and does the interlock work?'.

    Examples
    --------
    >>> panel = cable("fescue")
    >>> panel.put("P4.3", "P4.4", "silent").faults[0].text
    'the strap P4.3 to P4.4 is missing'
    """
    return opened(CablePanel, amp, "fescue")
