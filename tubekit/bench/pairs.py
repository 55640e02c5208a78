"""Two faults at once, where no single one explains the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from tubekit.amp.settings import apply_settings
from tubekit.bench.dc_faults import dc_faults
from tubekit.bench.fault_table import FaultTable, fault_settings, scale
from tubekit.bench.likelihood import residuals
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Tone, meter_values

Array = np.ndarray

ADDED, SOLVED = 400, 48
"""Pairs screened by adding what each does alone; of those, pairs solved where each costs a line cycle."""
SCREENED_ROWS = 160


@dataclass(frozen=True)
class Pair:
    """Two faults and how far the readings then lie off (in variances), with the chance of that."""

    faults: tuple[int, int]
    words: str
    distance: float
    fit: float


def likely_pairs(
    book: FaultTable, taken: Sequence[int], scaled: Array, sd: Array, meters: Array, tone: Tone | None
) -> tuple[Pair, ...]:
    """Pairs of faults of two parts that explain readings best, each solved as one circuit; best first."""
    rows = _screened(book, taken, scaled, sd)
    quick = _quickly(book, taken, rows, meters) if all(_direct(book, m) for m in taken) else None
    rows, seen = _fully(book, taken, rows[:SOLVED], meters, tone) if quick is None else quick
    _, covariance = residuals(book, taken, scaled, sd)
    pairs = []
    for k, (one, two) in enumerate(rows):
        # what good parts leave open is taken from the one that leaves more
        distance = min(_distance(scaled - seen[k], covariance[row]) for row in (one, two))
        if np.isfinite(distance):
            words = f"{_words(book, one)} and {_words(book, two)}"
            owners = (int(book.owner[one]), int(book.owner[two]))
            pairs.append(Pair(owners, words, distance, float(chdtrc(len(taken), distance))))
    return tuple(_one_each(sorted(pairs, key=lambda pair: pair.distance)))


def _direct(book: FaultTable, place: int) -> bool:
    probe = book.probes[place]
    known = book.population.point.network.index
    return probe.quantity == "dc_v" and all(node == GROUND or node in known for node in probe.place)


def _quickly(
    book: FaultTable, taken: Sequence[int], rows: Sequence[tuple[int, int]], meters: Array
) -> tuple[list[tuple[int, int]], Array] | None:
    """All screened pairs on the direct-current network; None where faults of the supply are among them."""
    ready = dc_faults(book.population, fault_settings(book.varied, [{}]))
    kept = [p for p in rows if _compatible(book, p) and all(ready.takes(book.change(row)) for row in p)]
    if not kept or len(kept) < 0.5 * len(rows):
        return None
    volts = ready.volts([{**book.change(one), **book.change(two)} for one, two in kept])
    places = [book.probes[m].place for m in taken]
    network = ready.network
    seen = np.stack([network.pick(volts, a) - network.pick(volts, b) for a, b in places], axis=1)
    one, two = (np.array(side) for side in zip(*kept, strict=True))
    source = np.maximum(book.source_ohms[one], book.source_ohms[two])[:, list(taken)]
    return kept, np.asarray(seen * meters / (meters + source))


def _fully(
    book: FaultTable, taken: Sequence[int], rows: Sequence[tuple[int, int]], meters: Array, tone: Tone | None
) -> tuple[list[tuple[int, int]], Array]:
    """Some pairs with the line cycle and the signal."""
    kept = [pair for pair in rows if _compatible(book, pair)]
    if not kept:
        return [], np.zeros((0, len(taken)))
    settings = fault_settings(book.varied, [{**book.change(one), **book.change(two)} for one, two in kept])
    probes = [book.probes[m] for m in taken]
    circuit = apply_settings(book.population.built.circuit, settings)
    result = meter_values(book.amp, circuit, probes, tone, book.population.lines.nominal)
    return kept, scale(result.loaded(meters), probes)


def _compatible(book: FaultTable, pair: tuple[int, int]) -> bool:
    """Two faults that do not turn one knob both."""
    one, two = (set(book.change(row)) for row in pair)
    return not one & two


def _words(book: FaultTable, row: int) -> str:
    return str(book.faults[book.owner[row]].words + book.grade_words(row, " ({})"))


def _distance(off: Array, covariance: Array) -> float:
    return float(off @ np.linalg.solve(covariance, off))


def _screened(book: FaultTable, taken: Sequence[int], scaled: Array, sd: Array) -> list[tuple[int, int]]:
    """Pairs whose effects, added, come nearest; effects are weighed with the drawn amp's covariance."""
    off, covariance = residuals(book, taken, scaled, sd)
    root = np.linalg.inv(np.linalg.cholesky(covariance[0]))
    aim = root @ off[0]
    effects = (book.scaled[:, list(taken)] - book.scaled[0, list(taken)]) @ root.T
    sizes = np.square(effects).sum(axis=1)
    solvable = (
        np.array([o >= 0 and book.faults[o].becomes is None for o in book.owner])
        & ~book.blown
        & (sizes > 4.0)
    )
    alone = np.square(aim - effects).sum(axis=1)
    some = np.flatnonzero(solvable)
    some = some[np.argsort(alone[some])[:SCREENED_ROWS]]
    both = effects[some][:, None] + effects[some][None]
    distance = np.square(aim - both).sum(axis=2)
    parts = np.array([book.faults[o].part for o in book.owner[some]])
    distance[parts[:, None] == parts[None]] = np.inf
    one, two = np.unravel_index(np.argsort(distance, axis=None)[: 2 * ADDED], distance.shape)
    return [(int(some[a]), int(some[b])) for a, b in zip(one, two, strict=True) if a < b][:ADDED]


def _one_each(pairs: Sequence[Pair]) -> list[Pair]:
    """The best grade of each pair of faults."""
    result: dict[tuple[int, int], Pair] = {}
    for pair in pairs:
        result.setdefault((min(pair.faults), max(pair.faults)), pair)
    return list(result.values())
