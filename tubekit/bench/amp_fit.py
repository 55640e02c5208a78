"""Variables of amps fitted to readings: a Gauss-Newton search from the spread of good amps.

Readings are solved again at each step in the variables in which good amps differ (`decisions.population`),
whose spread is the prior. The spread itself may be wider than drawn: the fits at several widths are weighed
by how well each explains the readings (empirical Bayes, after C. N. Morris, J. Am. Stat. Assoc. 78 (1983),
from memory). A reading that the others contradict is left out: it is taken as wrong where a contaminated
normal distribution (Tukey, 1960, from memory) makes that likelier. A leak is rare: its variable has the
spread of good amps unless readings make a wide one likelier (spike and slab, after T. J. Mitchell and
J. J. Beauchamp, J. Am. Stat. Assoc. 83 (1988), from memory). One after another is taken in, or a reading
left out, whichever explains more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.bench.fault_table import FaultSolver
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import SolveError
from tubekit.result_fields import Array

LEAST = 3
"""Fewer readings fit no amp."""
WIDTHS, LIKELY = np.array([1.0, 1.4, 2.0, 2.8, 4.0]), np.array([0.5, 0.2, 0.15, 0.1, 0.05])
"""How many times the usual spread this amp's parts may differ, and how likely each is before any reading
(common practice, no source)."""
WRONG_ONE = 0.01
"""Chance that a reading is wrong: another place, range or scale (common practice, no source)."""
RARE_ONE = 0.02
"""Chance that a grid gets a current no good amp has (common practice, no source)."""
WRONG_BY = 2.0
"""A wrong ratio lies anywhere within so much of its logarithm, a wrong voltage within half its value."""
ROUNDS, ARRIVED = 8, 0.02
"""The search ends after so many solves, or once no variable moves by so many standard deviations."""


@dataclass(frozen=True, eq=False)
class Fit:
    """Fits of N amps: mean (N, V) and covariance (N, V, V) of the variables in standard deviations, which
    readings were `kept` (N, M), how many times the usual `width` (N,) parts differ, which variables have a
    `rare` value (N, V), and the readings of the fitted amps as compared (N, M), what moves them (N, M, V).
    """

    mean: Array
    covariance: Array
    kept: Array
    width: Array
    rare: Array
    seen: Array
    effects: Array


def fit(
    solver: FaultSolver, compared: Array, variance: Array, spread: Array | float = 1.0,
    begin: Array | float = 0.0, rare: Array | None = None,
) -> Fit:  # fmt: skip
    """Fit N amps of one drawing to readings at the first M probes of a solver.

    Parameters
    ----------
    compared, variance : readings as they are compared (see `scale`) and their variance, (N, M).
    spread : share of its usual spread that each variable has, (V,).
    begin : what is expected of the variables, (N, V) in standard deviations.
    rare : spread of each variable where it has a rare value, upward only; 0 where it cannot have one, (V,).

    Raises
    ------
    SolveError : an amp on the way has no solution.
    """
    count, taken = compared.shape
    begin = np.broadcast_to(begin, (count, len(solver.varied)))
    ratio = np.array([QUANTITIES[p.quantity].ratio for p in solver.probes[:taken]])
    broad = np.where(ratio, WRONG_BY, 0.5 * np.abs(compared) + 1.0)
    mean = begin
    rare = np.zeros(len(solver.varied)) if rare is None else rare
    for _ in range(ROUNDS):
        seen, effects = solver.readings_at(solver.means + solver.deviation * mean)
        if not np.isfinite(seen[:, :taken]).all():
            raise SolveError("No amp could be calculated that shows these readings. Check them.")
        slopes = effects[:, :taken] * spread
        off = compared - seen[:, :taken] + np.einsum("nmv,nv->nm", effects[:, :taken], mean - begin)
        each = [_weighed(slopes[n], off[n], variance[n], broad[n], rare) for n in range(count)]
        new = begin + spread * np.stack([one[0] for one in each])
        moved, mean = float(np.abs(new - mean).max()), new
        if moved < ARRIVED:
            break
    covariance, kept, width, taken_in = (np.stack([one[k] for one in each]) for k in (1, 2, 3, 4))
    both = np.broadcast_to(spread, mean.shape[1])
    return Fit(mean, covariance * np.outer(both, both), kept, width, taken_in, seen, effects)


def _weighed(
    slopes: Array, off: Array, variance: Array, broad: Array, rare: Array
) -> tuple[Array, Array, Array, float, Array]:
    """Mean and covariance of the variables at all widths of their spread together, the readings kept at the
    likeliest, the width, and the rare values. Only matrices of the readings' size are inverted.
    """
    results = [_at_width(width, slopes, off, variance, broad, rare) for width in WIDTHS]
    log = np.array([one[0] for one in results]) + np.log(LIKELY)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = sum(w * one[1] for w, one in zip(weight, results, strict=True))
    covariance = np.zeros((len(mean), len(mean)))
    for w, (_, own, spread, _, _) in zip(weight, results, strict=True):
        covariance += w * (spread + np.outer(own - mean, own - mean))
    _, _, _, kept, found = results[int(np.argmax(weight))]
    return mean, covariance, kept, float(np.sqrt(weight @ WIDTHS**2)), found


def _at_width(
    width: float, slopes: Array, off: Array, variance: Array, broad: Array, rare: Array
) -> tuple[float, Array, Array, Array, Array]:
    """Logarithm of the likelihood, mean and covariance with the spread so many times as wide, the readings
    kept and the rare values: one after another is left out or taken in, what explains most first.
    """
    kept, found, leaks = np.ones(len(off), bool), np.zeros(len(rare), bool), slopes * rare
    odd = np.log(RARE_ONE / (1.0 - RARE_ONE))
    shared, wrong = width**2 * slopes @ slopes.T, np.log(WRONG_ONE / (1.0 - WRONG_ONE)) - np.log(broad)
    log = 0.0
    while True:
        k = np.flatnonzero(kept)
        inverse = np.linalg.inv(shared[np.ix_(k, k)] + np.diag(variance[k]))
        pull = inverse @ off[k]
        alone = 1.0 / np.diag(inverse)  # variance of each reading, given the others
        odds = wrong[k] + 0.5 * np.log(2 * np.pi * alone) + 0.5 * np.square(pull) * alone
        worst = int(np.argmax(odds))
        size, pulled = np.einsum("mv,mn,nv->v", leaks[k], inverse, leaks[k]), leaks[k].T @ pull
        better = 0.5 * np.square(pulled) / (1.0 + size) - 0.5 * np.log1p(size) + odd
        better[found | (pulled <= 0.0)] = -np.inf
        leak = int(np.argmax(better))
        if better[leak] > max(odds[worst], 0.0):
            found[leak] = True
            shared = shared + np.outer(leaks[:, leak], leaks[:, leak])
            log += odd
            continue
        if odds[worst] <= 0.0 or len(k) <= LEAST:
            break
        kept[k[worst]] = False
        log += wrong[k[worst]]
    log += 0.5 * (np.linalg.slogdet(inverse)[1] - off[k] @ pull - len(k) * np.log(2 * np.pi))
    prior = width**2 + np.where(found, np.square(rare), 0.0)
    gain = prior[:, None] * slopes[k].T
    return float(log), gain @ pull, np.diag(prior) - gain @ inverse @ gain.T, kept, found
