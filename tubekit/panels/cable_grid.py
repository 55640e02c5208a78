"""Pins against pins as cells to touch: not tested, beep, silent; what the drawing expects stands behind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import ipywidgets as widgets

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.continuity import Pair, Pin, cable_graph, joined_pairs, pins, way
from tubekit.panels import layout
from tubekit.panels.cable_sheet import SILENT, Tried, beeps, cells, grids
from tubekit.panels.settings import DESCRIBED

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

    def __init__(self, on_touch: Callable[[Pair], object], on_choice: Callable[[], None]) -> None:
        self._on_touch = on_touch
        self.choice = widgets.Dropdown(
            description="pins of", style=DESCRIBED, layout={"width": "auto"},
            tooltip="Choose which pins to test against each other",
        )  # fmt: skip
        self.frame = widgets.VBox([], layout={"width": "auto"})
        self.key = widgets.HTML(f"<p>{KEY}</p>", layout={"width": "auto"})
        super().__init__(self.choice, self.frame, self.key)
        self.buttons: dict[Pair, widgets.Button] = {}
        self.listen(self.choice, lambda _: on_choice())

    def offer(self, amp: Amp) -> None:
        """The grids of an amp."""
        self.amp = amp
        self._expected = joined_pairs(cable_graph(amp), pins(amp))
        self._by = _ways(amp, self._expected)
        with self.quietly():
            self.choice.options = list(grids(amp))
            self.choice.value = self.choice.options[0]
        self.lay_out()

    def lay_out(self) -> None:
        """Cells for the chosen connectors."""
        one, two = grids(self.amp)[self.choice.value]
        found = list(cells(self.amp, one, two))
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

    def _cell(self, one: Pin, two: Pin) -> widgets.Button:
        pair = frozenset((one, two))
        button = widgets.Button(layout={"width": CELL, "height": CELL, "flex": f"0 0 {CELL}"})
        button.add_class("tubekit-cell")
        if pair in self._expected:
            button.add_class("tubekit-due")
        button.on_click(lambda _: self._on_touch(pair))
        self.buttons[pair] = button
        return button

    def put(self, tried: Tried, last: Pair | None) -> None:
        """What was tried."""
        for pair, button in self.buttons.items():
            said, due = tried.at(pair), pair in self._expected
            word = "" if not said else "beep" if beeps(said) else SILENT
            sign = SIGNS[(word, due)]
            if button.description != sign:
                button.description = sign
            (button.add_class if "!" in sign else button.remove_class)("tubekit-off")
            (button.add_class if pair == last else button.remove_class)("tubekit-last")
            one, two = sorted(pair)
            by = f", {self._by[pair]}" if due else ""
            state = said or "not tested"
            button.tooltip = f"{one} to {two}{by}: {state}; should {'beep' if due else 'stay silent'}"


def _ways(amp: Amp, expected: set[Pair]) -> Mapping[Pair, str]:
    graph = cable_graph(amp)
    found = {}
    for pair in expected:
        by = way(graph, *sorted(pair))
        part = amp.parts.get(by)
        found[pair] = f"{by} {part.color}".strip() if isinstance(part, drawn.Wire) else by
    return found


def _in_order(names: Iterable[Pin]) -> list[Pin]:
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
