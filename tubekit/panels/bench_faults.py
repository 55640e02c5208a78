"""'What would this fault show?': part and fault to choose, expected readings beside those of a good amp."""

from __future__ import annotations

import html
from collections.abc import Callable

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Fault
from tubekit.bench.fault_prediction import FaultPrediction, predict_readings
from tubekit.bench.faults import single_faults
from tubekit.bench.suspects import LEAST, Suspects
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.background import BackgroundTask
from tubekit.panels.bench_answers import Accused, meters_of, tells_nothing
from tubekit.panels.bench_sheet import Checked, Row
from tubekit.panels.bench_words import next_html, prediction_html, suspects_html, worth_taking
from tubekit.panels.layout import GROWN

NONE = ""
Choice = tuple[str, int]


class FaultChooser(layout.Field):
    """Two lists: a part, then what is wrong with it and how badly."""

    def __init__(self, on_choice: Callable[[], None]) -> None:
        self.part, self.mode = (
            layout.described(widgets.Dropdown, label, tip, wide="36px", room={**GROWN, "flex": "1 1 200px"})
            for label, tip in (("part", "Choose the faulty part"), ("fault", "Choose its fault"))
        )
        row = layout.row(self.part, self.mode)
        self.told = layout.words_place()
        super().__init__(row, self.told)
        self._faults: dict[str, Fault] = {}
        self._on_choice = on_choice
        self.listen(self.part, lambda _: self._part_chosen())
        self.listen(self.mode, lambda _: on_choice())

    def offer(self, amp: Amp) -> None:
        """The faults of an amp; none is chosen."""
        self._faults = {fault.words: fault for fault in single_faults(amp)}
        parts = dict.fromkeys(fault.part for fault in self._faults.values())
        with self.quietly():
            self.part.options = [("no fault chosen", NONE), *((name, name) for name in parts)]
            self.part.value = NONE
            self._modes()

    @property
    def chosen(self) -> Choice | None:
        """Words of the fault and the place of its severity; None where none is chosen."""
        return self.mode.value if self.part.value else None

    def choose(self, words: str, grade: int = 0) -> None:
        """Choose a fault by its words, as 'C11 leaky'; '' for none.

        Raises
        ------
        ChangeError : this amp has no such fault (near matches listed).
        """
        if words and words not in self._faults:
            near = near_matches(words, self._faults)
            raise ChangeError("there is no such fault in this amp", part=words, near=near)
        with self.quietly():
            self.part.value = self._faults[words].part if words else NONE
            self._modes()
            if words:
                self.mode.value = (words, grade)
        self._on_choice()

    def answer(self, checked: Checked) -> FaultPrediction | None:
        """What the chosen fault would show at the places of a list; says it below."""
        if self.chosen is None or not checked.probes:
            self.told.value = ""
            return None
        words, grade = self.chosen
        probes = tuple(dict.fromkeys(checked.probes.values()))
        meters = meters_of(checked)
        readings = checked.readings
        try:
            found = predict_readings(
                readings.amp, self._faults[words], probes, grade=grade, tone=readings.tone,
                age=checked.sheet.age,  # type: ignore[arg-type]
                meter_ohms=[meters.get(probe, 10e6) for probe in probes],  # type: ignore[arg-type]
            )  # fmt: skip
        except TubekitError as error:
            self.told.value = layout.complaint_html(str(error))
            return None
        self.told.value = prediction_html(found)
        return found

    def _part_chosen(self) -> None:
        with self.quietly():
            self._modes()
        self._on_choice()

    def _modes(self) -> None:
        """The faults of the chosen part, each with its severities."""
        part = self.part.value
        options = []
        for words, fault in self._faults.items():
            if fault.part == part:
                mode = words.removeprefix(part).strip()
                for grade, severity in enumerate(fault.grade_words or ("",)):
                    options.append((f"{mode}, {severity}" if severity else mode, (words, grade)))
        self.mode.options = options or [("—", (NONE, 0))]
        self.mode.value = self.mode.options[0][1]  # a list made empty would stay at none
        self.mode.layout.display = "" if options else "none"


ASKED = "Find the bad part"
WAITS = "Compare the readings with every single fault of this amp; the first time takes a few seconds"


class AccusedBox(widgets.VBox):
    """Suspects beside the figure. The first answer for an amp takes seconds and is asked for by hand; from
    then on it follows every reading, until the line, the meter or a measured part is another.
    """

    def __init__(self, on_add: Callable[[Row], None]) -> None:
        self.accused, self.task, self._on_add = Accused(), BackgroundTask(), on_add
        self.found: Suspects | None = None
        self._checked: Checked | None = None
        self.button = layout.button(ASKED, WAITS, self.ask)
        self.button.add_class("tubekit-ask")
        self.progress = widgets.IntProgress(
            min=0, max=1, layout={"width": "100%", "display": "none"}, bar_style="",
            tooltip="How many faults have been calculated",
        )  # fmt: skip
        self.said, self.told, self.next = (layout.words_place() for _ in range(3))
        self.adds = widgets.HBox([], layout={"flex_flow": "row wrap", "width": "100%"})
        super().__init__(
            [self.button, self.progress, self.said, self.told, self.next, self.adds], layout={"width": "100%"}
        )

    def follow(self, checked: Checked) -> None:
        """Another list: answered at once where that can be, otherwise the old answer is grayed."""
        self.task.stop()
        self.progress.layout.display = "none"
        self._checked = checked
        few = LEAST - len(checked.readings.readings)
        self.button.disabled = few > 0
        if few > 0:
            self._nothing(f"{few} more reading{'' if few == 1 else 's'}: then a part can be named.")
        elif self.accused.ready(checked):
            self.now()
        elif self.found is not None:
            self._nothing("The amp, line voltage or meter has changed. Press the button again.", keep=True)
        else:
            self._nothing(WAITS)

    def forget(self) -> None:
        """Another amp."""
        self.found = None

    def ask(self) -> None:
        """Ask, aside: the hand goes on meanwhile."""
        checked = self._checked
        if checked is None:
            return
        self.progress.value, self.progress.layout.display, self.button.disabled = 0, "", True
        self.said.value = "<p>Calculating every single fault …</p>"
        self.task(
            lambda progress: self.accused.of(checked, progress), self._answered, self._failed, self._stepped
        )

    def now(self) -> Suspects:
        """Ask, and wait for the answer.

        Raises
        ------
        ReadingError : no reading. SolveError : the amp has no idle state.
        """
        assert self._checked is not None
        self.task.stop()
        found = self.accused.of(self._checked)
        self._answered(found)
        return found

    def _stepped(self, step: int, of: int) -> None:
        self.progress.max, self.progress.value = of, step

    def _failed(self, error: TubekitError) -> None:
        self.progress.layout.display, self.button.disabled = "none", False
        self.said.value = layout.complaint_html(str(error))

    def _answered(self, found: Suspects) -> None:
        self.found = found
        self.progress.layout.display, self.button.disabled = "none", False
        rest = tells_nothing(found.readings.drawn, found)
        self.said.value = ""
        self.told.value = suspects_html(found) + (f"<p>{html.escape(rest)}</p>" if rest else "")
        self.next.value = next_html(found.following, found.by_hand)
        self.adds.children = [self._add(n.probe) for n in worth_taking(found.following)]
        for each in (self.told, self.next):
            each.remove_class("tubekit-gray")

    def _add(self, probe: Probe) -> widgets.Button:
        row = row_of(probe)
        tip = f"Add {row.quantity} at {row.place} to the list"
        return layout.button(f"Add {row.place}", tip, lambda: self._on_add(row))

    def _nothing(self, words: str, *, keep: bool = False) -> None:
        self.said.value = f"<p>{html.escape(words)}</p>"
        self.adds.children = ()
        for each in (self.told, self.next):
            if keep:
                each.add_class("tubekit-gray")
            else:
                each.value = ""


def row_of(probe: Probe) -> Row:
    """A row of a list for a probe, its value still to be read.

    Examples
    --------
    >>> from tubekit.decisions.probe import Probe
    >>> row_of(Probe("dc_a", ("V3", "screen"))).place, row_of(Probe("ohms", ("k34", "ground"))).quantity
    ('V3 screen', 'resistance')
    """
    one, two = probe.place
    words = QUANTITIES[probe.quantity].words
    if probe.frequency_hz:
        words = f"{words} at {probe.frequency_hz:g} Hz"
    if probe.quantity == "dc_a":
        return Row(f"{one} {two}", words)
    return Row(one if two == GROUND else f"{one} to {two}", words)
