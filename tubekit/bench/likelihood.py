"""How well every fault explains a set of readings.

Each grade of a fault predicts the readings with a covariance: good parts differ, the laws miss a little,
and a fault's severity lies between its grades. Likelihoods are those of a multivariate t distribution (parts
are not quite normal; common practice), a fault's is the mean over its grades, and faults are weighed with
how often they are met.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import lgamma, log, pi

import numpy as np
import scipy

from tubekit.amp.settings import apply_settings
from tubekit.bench.dc_faults import dc_faults
from tubekit.bench.fault_table import FaultTable, fault_settings, scale
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe, Tone, meter_values
from tubekit.decisions.reading import Reading
from tubekit.result_fields import Array

HEALTHY = 0.6
"""Chance that an amp on the bench has no single fault, before any reading (common practice)."""
FREEDOM = 12.0
"""Degrees of freedom of the t distribution, whose tails are heavier than normal (common practice)."""
SHOWS = 20.0
"""A fault shows where its readings lie this many variances off a good amp: 4.5 deviations."""
BETWEEN = 1.0 / 8.0
"""Severity lies anywhere between grades: variance along the step from one to the next, in steps squared."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """Posterior odds. `rows` (S,) of every grade, `healthy` of the drawn amp, `faults` (F,) of each fault;
    `distance` (S,) is how many variances the readings lie off each row's prediction, `fit` the chance of
    readings that far off if the row were true.
    """

    rows: Array
    healthy: float
    faults: Array
    distance: Array
    fit: Array


def meter_sd(readings: Sequence[Reading]) -> Array:
    """Standard deviation of each reading as it is compared (limits taken as evenly filled)."""
    result = []
    for reading in readings:
        kind = QUANTITIES[reading.probe.quantity]
        if kind.ratio:
            result.append(reading.meter.accuracy + 0.5 * kind.least / (abs(reading.value) + kind.least))
        else:
            result.append(reading.uncertainty)
    return np.asarray(np.array(result) / np.sqrt(3.0))


def fault_posterior(book: FaultTable, places: Sequence[int], scaled: Array, sd: Array) -> Posterior:
    """Weigh all rows of a book against readings.

    Parameters
    ----------
    places : columns of the book that were read, (m,).
    scaled, sd : the readings as they are compared, and the meter's standard deviation, (m,) each.
    """
    off, covariance = residuals(book, places, scaled, sd)
    log_likelihood, distance = _likelihood(off, covariance)
    opposed = _opposed(off, covariance[0])
    if opposed.any():
        as_good, _ = _likelihood(off[opposed], np.broadcast_to(covariance[0], covariance[opposed].shape))
        log_likelihood[opposed] = np.minimum(log_likelihood[opposed], as_good)
    grades = np.bincount(book.owner + 1, minlength=len(book.faults) + 1)
    weights = np.array([HEALTHY / (1 - HEALTHY) * sum(f.weight for f in book.faults)]
                       + [f.weight for f in book.faults])  # fmt: skip
    with np.errstate(divide="ignore"):
        log_row = log_likelihood + np.log(weights / np.maximum(grades, 1))[book.owner + 1]
    rows = np.exp(log_row - scipy.special.logsumexp(log_row))
    each = np.bincount(book.owner + 1, weights=rows, minlength=len(book.faults) + 1)
    fit = scipy.special.chdtrc(len(places), distance)
    return Posterior(np.asarray(rows), float(each[0]), each[1:], distance, fit)


def cap_healthy(posterior: Posterior, owner: Array, most: float) -> Posterior:
    """The same with the chance of a good amp no higher than `most`, the faults sharing the rest."""
    if posterior.healthy <= most:
        return posterior
    up = (1.0 - most) / (1.0 - posterior.healthy) if posterior.healthy < 1.0 else 0.0
    rows = np.where(owner < 0, posterior.rows * most / posterior.healthy, posterior.rows * up)
    return replace(posterior, rows=rows, healthy=most, faults=posterior.faults * up)


def residuals(book: FaultTable, places: Sequence[int], scaled: Array, sd: Array) -> tuple[Array, Array]:
    """Residuals of each row (S, m), and the covariance of it (S, m, m)."""
    columns = list(places)
    at, step = np.arange(len(columns)), _between(book)[:, columns]
    covariance = book.covariance(columns) + step[:, :, None] * step[:, None, :]
    covariance[:, at, at] += np.square(sd)
    return scaled - book.scaled[:, columns], covariance


def unseen(book: FaultTable, places: Sequence[int], sd: Array) -> tuple[int, ...]:
    """Faults that readings at these places cannot show, however grave: none of their grades lies `SHOWS`
    variances off a good amp.
    """
    off, covariance = residuals(book, places, book.scaled[0, list(places)], sd)
    distance = np.einsum("sm,mn,sn->s", off, np.linalg.inv(covariance[0]), off)
    best = np.zeros(len(book.faults))
    np.maximum.at(best, book.owner[1:], distance[1:])
    return tuple(int(k) for k in np.flatnonzero(best < SHOWS))


def _between(book: FaultTable) -> Array:
    """A deviation along the path of a fault's severity, (S, M)."""
    step = np.zeros_like(book.scaled)
    for fault in np.unique(book.owner[book.owner >= 0]):
        rows = np.flatnonzero(book.owner == fault)
        if len(rows) > 1 and book.faults[fault].path:
            step[rows] = np.gradient(book.scaled[rows], axis=0)
    return np.asarray(np.sqrt(BETWEEN) * step)


def _opposed(off: Array, good: Array) -> Array:
    """Rows that move the readings away from what was read, (S,): a weak tube where the current is too high.

    How far their own spread reaches makes them no explanation, so they are given that of a good amp.
    """
    root = np.linalg.inv(np.linalg.cholesky(good))
    read, moved = root @ off[0], (off[0] - off) @ root.T
    return np.asarray(moved @ read < 0.0)


def _likelihood(off: Array, covariance: Array) -> tuple[Array, Array]:
    """Logarithm of the t density and the squared distance of each row, (S,)."""
    size = off.shape[1]
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, off[..., None])[..., 0]
    distance = np.square(white).sum(axis=1)
    spread = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    constant = lgamma(0.5 * (FREEDOM + size)) - lgamma(0.5 * FREEDOM) - 0.5 * size * log(pi * FREEDOM)
    tail = -0.5 * (FREEDOM + size) * np.log1p(distance / FREEDOM)
    return constant - spread + tail, distance


def places_of(book: FaultTable, probes: Sequence[Probe]) -> list[int]:
    """Columns of a book for these probes; KeyError if one is not in it."""
    index = {probe: k for k, probe in enumerate(book.probes)}
    return [index[probe] for probe in probes]


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
            pairs.append(Pair(owners, words, distance, float(scipy.special.chdtrc(len(taken), distance))))
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
