"""How often the right part is named: cases drawn by `synthetic`, judged by `tubekit.bench`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy.stats import binomtest

from tests.bench.synthetic import Laws, draw_case
from tubekit.bench.fault_table import FaultTable
from tubekit.bench.likelihood import SHOWS, meter_sd, places_of, residuals
from tubekit.bench.suspects import ACCUSE_BELOW, ALIKE, chances
from tubekit.decisions.judge import good_bands
from tubekit.decisions.probe import Probe, Tone
from tubekit.decisions.reading import Meter, Reading, Readings, taken
from tubekit.decisions.spread import Spread

Array = np.ndarray


@dataclass(frozen=True)
class Outcome:
    """One case judged: its fault (None for a good amp), the chance given to 'nothing wrong', the parts in
    order of suspicion, and whether the foremost predicts the same readings as the right one.
    """

    fault: int | None
    part: str
    healthy: float
    order: tuple[str, ...]
    alike: bool


@dataclass
class Tally:
    """What came of a study; `lost` are cases without a state."""

    outcomes: list[Outcome] = field(default_factory=list)
    lost: int = 0

    def of(self, faults: Collection[int]) -> Tally:
        """The cases of some faults only."""
        return Tally([o for o in self.outcomes if o.fault in set(faults)])

    @property
    def cases(self) -> int:
        """Cases judged."""
        return len(self.outcomes)

    @property
    def first(self) -> int:
        """How often the right part stood first."""
        return sum(o.order[0] == o.part for o in self.outcomes)

    @property
    def alike(self) -> int:
        """How often the right part stood first, or one that predicts the same readings."""
        return sum(o.order[0] == o.part or o.alike for o in self.outcomes)

    @property
    def three(self) -> int:
        """How often the right part was among the first three."""
        return sum(o.part in o.order[:3] for o in self.outcomes)

    @property
    def accused(self) -> int:
        """How often a part was named at all."""
        return sum(o.healthy < ACCUSE_BELOW for o in self.outcomes)

    @property
    def missed(self) -> list[tuple[str, tuple[str, ...]]]:
        """(right part, those named) where another stood first; of good amps those accused."""
        return [
            (o.part, o.order[:4]) for o in self.outcomes
            if (o.order[0] != o.part if o.part else o.healthy < ACCUSE_BELOW)
        ]  # fmt: skip

    def line(self) -> str:
        """The result in one line, each share with its 95 % interval."""
        counts = {"first": self.first, "first or not to be told from it": self.alike,
                  "in the first three": self.three, "called faulty": self.accused}  # fmt: skip
        text = ", ".join(f"{words} {share(count, self.cases)}" for words, count in counts.items())
        return f"{self.cases} cases ({self.lost} without a state): {text}"


def share(count: int, of: int) -> str:
    """A count as a percentage, with the 95 % interval of Wilson (J. Am. Stat. Assoc. 22, 1927; memory)."""
    if not of:
        return "of none"
    low, high = binomtest(count, of).proportion_ci(method="wilson")
    return f"{count / of:.1%} ({low:.1%} to {high:.1%})"


def typical_readings(book: FaultTable, probes: Sequence[Probe], accuracy: float) -> list[Reading]:
    """What the typical good amp shows."""
    pairs = zip(probes, places_of(book, probes), strict=True)
    return [Reading(p, float(book.seen[0, k]), Meter(accuracy)) for p, k in pairs]


def _readings(
    book: FaultTable, probes: Sequence[Probe], values: Array, accuracy: float, tone: Tone | None
) -> Readings:
    each = [Reading(p, float(v), Meter(accuracy)) for p, v in zip(probes, values, strict=True)]
    return taken(book.amp, each, mains_rms=float(book.amp.mains_rms), tone=tone)


@lru_cache(maxsize=2)
def _bands(book: FaultTable, probes: tuple[Probe, ...], tone: Tone | None) -> Spread:
    """Of good amps; what the readings are is nothing to them."""
    return good_bands(_readings(book, probes, np.zeros(len(probes)), 0.0, tone), ready=book.population)


def visible(
    book: FaultTable, probes: Sequence[Probe], accuracy: float, which: str = "slightest"
) -> list[int]:
    """Faults that these readings can show, by the expected distance from a good amp."""
    taken = places_of(book, probes)
    readings = typical_readings(book, probes, accuracy)
    off, covariance = residuals(book, taken, book.scaled[0, taken], meter_sd(readings))
    distance = np.einsum("sm,mn,sn->s", off, np.linalg.inv(covariance[0]), off)
    pick = np.min if which == "slightest" else np.max
    return [
        fault for fault in range(len(book.faults))
        if (book.owner == fault).any() and pick(distance[book.owner == fault]) > SHOWS
    ]  # fmt: skip


def separable(book: FaultTable, probes: Sequence[Probe], accuracy: float, faults: Sequence[int]) -> list[int]:
    """Those of `faults` that no fault of another part can be taken for: none predicts the same readings."""
    taken = places_of(book, probes)
    readings = typical_readings(book, probes, accuracy)
    _, covariance = residuals(book, taken, book.scaled[0, taken], meter_sd(readings))
    parts = np.array(["" if o < 0 else book.faults[o].part for o in book.owner])
    result = []
    for fault in faults:
        rows = np.flatnonzero(book.owner == fault)
        nearest = np.inf
        for row in rows:
            off = book.scaled[:, taken] - book.scaled[row, taken]
            distance = np.einsum("sm,mn,sn->s", off, np.linalg.inv(covariance[row]), off)
            nearest = min(nearest, float(distance[parts != parts[row]].min()))
        if nearest > ALIKE:
            result.append(fault)
    return result


def run(
    book: FaultTable, probes: Sequence[Probe], faults: Sequence[int | None], seed: int, *,
    tone: Tone | None = None, accuracy: float = 0.015, laws: Laws | None = None,
) -> Tally:  # fmt: skip
    """Judge one case for each entry of `faults` (None is a good amp), as `suspects` does."""
    rng, tally, bands = np.random.default_rng(seed), Tally(), _bands(book, tuple(probes), tone)
    for fault in faults:
        wrong = None if fault is None else book.faults[fault]
        case = draw_case(rng, book.amp, wrong, book.varied, probes, tone=tone, accuracy=accuracy, laws=laws)
        if case is None:
            tally.lost += 1
            continue
        readings = _readings(book, probes, case.values, accuracy, tone)
        tally.outcomes.append(_judged(book, readings, bands, fault))
    return tally


def _judged(book: FaultTable, readings: Readings, bands: Spread, fault: int | None) -> Outcome:
    result, _ = chances(readings, book, bands)
    chance: dict[str, float] = {}
    for each, weight in zip(book.faults, result.faults, strict=True):
        chance[each.part] = chance.get(each.part, 0.0) + float(weight)
    order = tuple(sorted(chance, key=lambda name: -chance[name]))
    part = "" if fault is None else book.faults[fault].part
    alike = bool(part) and order[0] != part and _alike(book, readings, result.rows, order[0], part)
    return Outcome(fault, part, result.healthy, order, alike)


def _alike(book: FaultTable, readings: Readings, rows: Array, one: str, two: str) -> bool:
    """Whether the likeliest grades of two parts predict the same readings within what is open."""
    parts = np.array(["" if o < 0 else book.faults[o].part for o in book.owner])
    best = [int(np.flatnonzero(parts == name)[np.argmax(rows[parts == name])]) for name in (one, two)]
    columns = places_of(book, [reading.probe for reading in readings.readings])
    _, covariance = residuals(book, columns, book.scaled[0, columns], meter_sd(readings.readings))
    off = book.scaled[best[0], columns] - book.scaled[best[1], columns]
    return bool(off @ np.linalg.solve(covariance[best].mean(axis=0), off) < ALIKE)
