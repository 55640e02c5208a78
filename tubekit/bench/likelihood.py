"""How well every fault explains a set of readings.

Each grade of a fault predicts the readings with a covariance: good parts differ, the laws miss a little,
and a fault's severity lies between its grades. Likelihoods are those of a multivariate t distribution (parts
are not quite normal; common practice), a fault's is the mean over its grades, and faults are weighed with
how often they are met.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc, gammaln, logsumexp

from tubekit.bench.fault_table import FaultTable
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.decisions.reading import Reading

Array = np.ndarray

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
    grades = np.bincount(book.owner + 1, minlength=len(book.faults) + 1)
    weights = np.array([HEALTHY / (1 - HEALTHY) * sum(f.weight for f in book.faults)]
                       + [f.weight for f in book.faults])  # fmt: skip
    with np.errstate(divide="ignore"):
        log_row = log_likelihood + np.log(weights / np.maximum(grades, 1))[book.owner + 1]
    rows = np.exp(log_row - logsumexp(log_row))
    each = np.bincount(book.owner + 1, weights=rows, minlength=len(book.faults) + 1)
    return Posterior(np.asarray(rows), float(each[0]), each[1:], distance, chdtrc(len(places), distance))


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
        if len(rows) > 1:
            step[rows] = np.gradient(book.scaled[rows], axis=0)
    return np.asarray(np.sqrt(BETWEEN) * step)


def _likelihood(off: Array, covariance: Array) -> tuple[Array, Array]:
    """Logarithm of the t density and the squared distance of each row, (S,)."""
    size = off.shape[1]
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, off[..., None])[..., 0]
    distance = np.square(white).sum(axis=1)
    spread = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    constant = gammaln(0.5 * (FREEDOM + size)) - gammaln(0.5 * FREEDOM) - 0.5 * size * np.log(np.pi * FREEDOM)
    tail = -0.5 * (FREEDOM + size) * np.log1p(distance / FREEDOM)
    return constant - spread + tail, distance


def places_of(book: FaultTable, probes: Sequence[Probe]) -> list[int]:
    """Columns of a book for these probes; KeyError if one is not in it."""
    index = {probe: k for k, probe in enumerate(book.probes)}
    return [index[probe] for probe in probes]
