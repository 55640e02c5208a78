"""'What would this fault show?': part and fault to choose, expected readings beside those of a good amp."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Fault
from tubekit.bench.fault_prediction import FaultPrediction, predict_readings
from tubekit.bench.faults import single_faults
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.bench_answers import meters_of
from tubekit.panels.bench_check import Checked
from tubekit.panels.bench_words import prediction_html

NONE = ""
Choice = tuple[str, int]


class FaultChooser(layout.Field):
    """Two lists: a part, then what is wrong with it and how badly."""

    def __init__(self, on_choice: Callable[[], None]) -> None:
        grow = {"flex": "1 1 200px", "width": "auto", "min_width": "0"}
        self.part = widgets.Dropdown(
            description="part",
            style={"description_width": "36px"},
            layout=grow,
            tooltip="Choose the faulty part",
        )
        self.mode = widgets.Dropdown(
            description="fault", style={"description_width": "36px"}, layout=grow,
            tooltip="Choose its fault",
        )  # fmt: skip
        row = widgets.HBox([self.part, self.mode], layout={"width": "auto", "flex_flow": "row wrap"})
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
