"""How often the right part is named: cases drawn by `synthetic`, judged by `tubekit.bench`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench.synthetic import Laws, draw_case
from tubekit.bench.fault_book import FaultBook, scale
from tubekit.bench.suspects import ACCUSE_BELOW, ALIKE
from tubekit.bench.weighing import SHOWS, meter_sd, places_of, residuals, weigh
from tubekit.decisions.probe import Probe, Tone
from tubekit.decisions.reading import Meter, Reading

Array = np.ndarray


@dataclass
class Tally:
    """Counts of a study; `missed` keeps (fault, first suspects) of those not named first, `healthy` the
    chance that nothing is wrong, case by case.
    """

    cases: int = 0
    first: int = 0
    alike: int = 0
    three: int = 0
    accused: int = 0
    lost: int = 0
    missed: list[tuple[str, list[str]]] = field(default_factory=list)
    healthy: list[float] = field(default_factory=list)

    def line(self) -> str:
        """The result in one line."""
        n = max(self.cases, 1)
        shares = [f"{count / n:.1%}" for count in (self.first, self.alike, self.three, self.accused)]
        words = ("first", "first or not to be told from it", "in the first three", "called faulty")
        told = ", ".join(f"{word} {share}" for word, share in zip(words, shares, strict=True))
        return f"{self.cases} cases ({self.lost} without a state): {told}"


def typical_readings(book: FaultBook, probes: Sequence[Probe], accuracy: float) -> list[Reading]:
    """What the typical good amp shows."""
    pairs = zip(probes, places_of(book, probes), strict=True)
    return [Reading(p, float(book.seen[0, k]), Meter(accuracy)) for p, k in pairs]


def visible(book: FaultBook, probes: Sequence[Probe], accuracy: float, which: str = "slightest") -> list[int]:
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


def separable(book: FaultBook, probes: Sequence[Probe], accuracy: float, faults: Sequence[int]) -> list[int]:
    """Those of `faults` that no fault of another part can be taken for: none predicts the same readings."""
    taken = places_of(book, probes)
    readings = typical_readings(book, probes, accuracy)
    _, covariance = residuals(book, taken, book.scaled[0, taken], meter_sd(readings))
    parts = np.array(["" if o < 0 else book.faults[o].part for o in book.owner])
    found = []
    for fault in faults:
        rows = np.flatnonzero(book.owner == fault)
        nearest = np.inf
        for row in rows:
            off = book.scaled[:, taken] - book.scaled[row, taken]
            distance = np.einsum("sm,mn,sn->s", off, np.linalg.inv(covariance[row]), off)
            nearest = min(nearest, float(distance[parts != parts[row]].min()))
        if nearest > ALIKE:
            found.append(fault)
    return found


def run(
    book: FaultBook, probes: Sequence[Probe], faults: Sequence[int | None], seed: int, *,
    tone: Tone | None = None, accuracy: float = 0.015, laws: Laws | None = None,
) -> Tally:  # fmt: skip
    """Judge one case for each entry of `faults` (None is a good amp)."""
    rng, tally, taken = np.random.default_rng(seed), Tally(), places_of(book, probes)
    for fault in faults:
        wrong = None if fault is None else book.faults[fault]
        case = draw_case(rng, book.amp, wrong, book.varied, probes, tone=tone, accuracy=accuracy, laws=laws)
        if case is None:
            tally.lost += 1
            continue
        _judge(book, taken, case.values, wrong.part if wrong else "", probes, accuracy, tally)
    return tally


def _judge(
    book: FaultBook, taken: list[int], values: Array, part: str, probes: Sequence[Probe], accuracy: float,
    tally: Tally,
) -> None:  # fmt: skip
    readings = [Reading(p, float(v), Meter(accuracy)) for p, v in zip(probes, values, strict=True)]
    scaled, sd = scale(values[None], probes)[0], meter_sd(readings)
    found = weigh(book, taken, scaled, sd)
    chance: dict[str, float] = {}
    for fault, weight in zip(book.faults, found.faults, strict=True):
        chance[fault.part] = chance.get(fault.part, 0.0) + float(weight)
    order = sorted(chance, key=lambda name: -chance[name])
    tally.cases += 1
    tally.accused += found.healthy < ACCUSE_BELOW
    tally.healthy.append(found.healthy)
    if not part:
        if found.healthy < ACCUSE_BELOW:
            tally.missed.append(("nothing", order[:3]))
        return
    right = order[0] == part
    tally.first += right
    tally.three += part in order[:3]
    tally.alike += right or _alike(book, taken, sd, found.rows, order[0], part)
    if not right:
        tally.missed.append((part, order[:4]))


def _alike(book: FaultBook, taken: list[int], sd: Array, rows: Array, one: str, two: str) -> bool:
    """Whether the likeliest grades of two parts predict the same readings within what is open."""
    parts = np.array(["" if o < 0 else book.faults[o].part for o in book.owner])
    best = [int(np.flatnonzero(parts == name)[np.argmax(rows[parts == name])]) for name in (one, two)]
    _, covariance = residuals(book, taken, book.scaled[0, taken], sd)
    off = book.scaled[best[0], taken] - book.scaled[best[1], taken]
    return bool(off @ np.linalg.solve(covariance[best].mean(axis=0), off) < ALIKE)
