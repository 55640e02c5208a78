"""Two faults at once, where no single one explains the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from tubekit.bench.fault_book import FaultBook, harmed, scale
from tubekit.bench.weighing import residuals
from tubekit.decisions.instrument import Knob, turned
from tubekit.decisions.probe import Tone, shown

Array = np.ndarray

ADDED, SOLVED = 400, 48
"""Pairs screened by adding what each does alone; pairs of those that are then solved together."""
SCREENED_ROWS = 160


@dataclass(frozen=True)
class Pair:
    """Two faults and how far the readings then lie off (in variances), with the chance of that."""

    faults: tuple[int, int]
    words: str
    distance: float
    fit: float


def likely_pairs(
    book: FaultBook, taken: Sequence[int], scaled: Array, sd: Array, meters: Array, tone: Tone | None
) -> tuple[Pair, ...]:
    """Pairs of faults of two parts that explain readings best, each solved as one circuit; best first."""
    rows = _screened(book, taken, scaled, sd)
    settings, kept = _together(book, rows)
    if not kept:
        return ()
    circuit = turned(book.fleet.built.circuit, settings)
    probes = [book.probes[m] for m in taken]
    found = shown(book.amp, circuit, probes, tone, book.fleet.lines.nominal)
    seen = scale(found.loaded(meters), probes)
    _, covariance = residuals(book, taken, scaled, sd)
    pairs = []
    for k, (one, two) in enumerate(kept):
        # what good parts leave open is taken from the graver of the two
        distances = [_distance(scaled - seen[k], covariance[row]) for row in (one, two)]
        distance = min(distances)
        if np.isfinite(distance):
            words = f"{_words(book, one)} and {_words(book, two)}"
            owners = (int(book.owner[one]), int(book.owner[two]))
            pairs.append(Pair(owners, words, distance, float(chi2.sf(distance, len(taken)))))
    return tuple(_one_each(sorted(pairs, key=lambda pair: pair.distance)))


def _words(book: FaultBook, row: int) -> str:
    return str(book.faults[book.owner[row]].words + book.grade_words(row, " ({})"))


def _distance(off: Array, covariance: Array) -> float:
    return float(off @ np.linalg.solve(covariance, off))


def _screened(book: FaultBook, taken: Sequence[int], scaled: Array, sd: Array) -> list[tuple[int, int]]:
    """Pairs whose effects, added, come nearest; effects are weighed with the drawn amp's covariance."""
    off, covariance = residuals(book, taken, scaled, sd)
    root = np.linalg.inv(np.linalg.cholesky(covariance[0]))
    aim = root @ off[0]
    effects = (book.scaled[:, list(taken)] - book.scaled[0, list(taken)]) @ root.T
    sizes = np.square(effects).sum(axis=1)
    solvable = (
        np.array([o >= 0 and not book.faults[o].rewired for o in book.owner]) & ~book.blown & (sizes > 4.0)
    )
    alone = np.square(aim - effects).sum(axis=1)
    some = np.flatnonzero(solvable)
    some = some[np.argsort(alone[some])[:SCREENED_ROWS]]
    both = effects[some][:, None] + effects[some][None]
    distance = np.square(aim - both).sum(axis=2)
    parts = np.array([book.faults[o].part for o in book.owner[some]])
    distance[parts[:, None] == parts[None]] = np.inf
    one, two = np.unravel_index(np.argsort(distance, axis=None)[: 2 * ADDED], distance.shape)
    return [(int(some[a]), int(some[b])) for a, b in zip(one, two, strict=True) if a < b][:SOLVED]


def _together(
    book: FaultBook, rows: Sequence[tuple[int, int]]
) -> tuple[dict[Knob, tuple[Array, Array]], list[tuple[int, int]]]:
    """Settings of pairs, one member each; pairs that turn one knob twice are left out."""
    changes = []
    kept = []
    for pair in rows:
        first, second = (book.change(row) for row in pair)
        if not set(first) & set(second):
            changes.append({**first, **second})
            kept.append(pair)
    return harmed(book.varied, changes), kept


def _one_each(pairs: Sequence[Pair]) -> list[Pair]:
    """The best grade of each pair of faults."""
    found: dict[tuple[int, int], Pair] = {}
    for pair in pairs:
        found.setdefault((min(pair.faults), max(pair.faults)), pair)
    return list(found.values())
