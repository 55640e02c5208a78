"""What the bench panel works out, and what it keeps so that the next value is answered at once."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.bench.next_reading import candidate_probes
from tubekit.bench.suspects import Suspects, suspects
from tubekit.decisions.judge import Judgement, judge
from tubekit.decisions.probe import Probe
from tubekit.decisions.reading import Readings
from tubekit.decisions.spread import Spread, spread
from tubekit.errors import BatchWarning
from tubekit.panels.bench_sheet import Checked

Progress = Callable[[int, int], None]


def stands_for(readings: Readings, age: str) -> tuple[Any, ...]:
    """What bands and faults depend on: the amp as it stood, its mains, what was measured, the tone."""
    parts = tuple((p.part, p.field, p.value, p.accuracy) for p in readings.parts)
    mains = None if readings.mains_accuracy is None else float(readings.amp.mains_rms)
    return id(readings.drawn), mains, readings.mains_accuracy, parts, readings.tone, age


class Bands:
    """Bands of good amps, kept while amp, mains, measured parts and tone stay; places are added to them."""

    def __init__(self) -> None:
        self._key: tuple[Any, ...] = ()
        self.found: Spread | None = None

    def ready(self, checked: Checked) -> bool:
        """Whether the bands of every place of the list are there."""
        same = self.found is not None and self._key == stands_for(checked.readings, checked.sheet.age)
        return same and set(checked.probes.values()) <= set(self.found.probes if self.found else ())

    def of(self, checked: Checked, progress: Progress | None = None) -> Spread:
        """Bands for a list; direct volts and currents of all usual places come along, they cost little."""
        if self.ready(checked):
            assert self.found is not None
            return self.found
        readings, key = checked.readings, stands_for(checked.readings, checked.sheet.age)
        before = self.found.probes if self.found is not None and key == self._key else ()
        usual = [p for p in candidate_probes(readings.amp) if p.quantity in ("dc_v", "dc_a")]
        probes = tuple(dict.fromkeys([*checked.probes.values(), *before, *usual]))
        self.found = spread(
            readings.amp, probes, age=checked.sheet.age,  # type: ignore[arg-type]
            tone=readings.tone, measured=readings.measured, mains_known=readings.mains_accuracy,
            with_effects=False, progress=progress,
        )  # fmt: skip
        self._key = key
        return self.found

    def verdicts(self, checked: Checked) -> Judgement:
        """Every reading of the list against its band."""
        return judge(checked.readings, age=checked.sheet.age, bands=self.of(checked))  # type: ignore[arg-type]


class Accused:
    """Suspects, with the book of faults kept while amp, mains, measured parts, tone and meters stay."""

    def __init__(self) -> None:
        self._key: tuple[Any, ...] = ()
        self._meters: dict[Probe, float] = {}
        self.found: Suspects | None = None

    def ready(self, checked: Checked) -> bool:
        """Whether the answer would come at once."""
        readings = checked.readings
        if self.found is None or self._key != stands_for(readings, checked.sheet.age):
            return False
        return all(self._meters.get(r.probe) == r.meter.input_ohms for r in readings.readings)

    def of(self, checked: Checked, progress: Progress | None = None) -> Suspects:
        """Suspects of a list.

        Raises
        ------
        ReadingError : no reading. SolveError : the drawn amp has no idle state.
        """
        ready = self.ready(checked)
        book = self.found.book if ready and self.found is not None else None
        age: Any = checked.sheet.age
        with warnings.catch_warnings():  # a fault without an idle state is left out, which needs no word here
            warnings.simplefilter("ignore", BatchWarning)
            found = suspects(checked.readings, book=book, age=age, progress=progress)
        if not ready:
            asked = {r.probe: r.meter.input_ohms for r in checked.readings.readings}
            assert found.book is not None
            self._meters = {probe: asked.get(probe, 10e6) for probe in found.book.probes}
            self._key = stands_for(checked.readings, checked.sheet.age)
        self.found = found
        return found


def meters_of(checked: Checked) -> dict[Probe, float]:
    """Input resistance of the meter at each place that was read."""
    return {r.probe: r.meter.input_ohms for r in checked.readings.readings}


def tells_nothing(amp: Amp, found: Suspects) -> str:
    """How much of what could be wrong these readings would not show, in a sentence."""
    if found.book is None or not found.unseen:
        return ""
    count, whole = len(found.unseen), len(found.book.faults)
    return (
        f"{count} of the {whole} possible single faults of {amp.title} would not show in these readings "
        f"({np.round(100 * count / whole):.0f} %)."
    )
