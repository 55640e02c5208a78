"""How long a fuse carries what it is given: limits of its time-current class.

Source: data/handbook/fuse_time_current.csv, IEC 60127-2, from memory; fuses of other makes and countries
differ, and every fuse spreads between the two limits.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.tables import handbook

Array = np.ndarray

CLASS_WORDS = "time-current class after IEC 60127-2 (from memory)"


@cache
def _points(speed: str, column: str) -> tuple[Array, Array]:
    rows = [row for row in handbook("fuse_time_current", **{"class": speed}) if row[column] is not None]
    times, seconds = (np.array([row.number(name) for row in rows]) for name in ("times_rating", column))
    return np.log(times), np.log(seconds)


def holds_at_least(speed: str, times_rating: Array | float) -> Array:
    """Shortest time in which a fuse of this class may open [s]; infinite below 1.5 times its rating.

    Examples
    --------
    >>> holds_at_least("slow", [1.0, 2.75, 10.0]).round(3).tolist()
    [inf, 0.6, 0.02]
    """
    return _seconds(speed, "least_s", times_rating, 1.5)


def open_at_last(speed: str, times_rating: Array | float) -> Array:
    """Longest time until a fuse of this class has opened [s]; infinite below 2.1 times its rating.

    Examples
    --------
    >>> open_at_last("fast", [2.0, 2.1, 4.0]).round(2).tolist()
    [inf, 1800.0, 0.3]
    """
    return _seconds(speed, "most_s", times_rating, 2.1)


def _seconds(speed: str, column: str, times_rating: Array | float, from_times: float) -> Array:
    """Straight lines on log-log paper; beyond the last point the heat I²t stays the same."""
    x, y = _points(speed, column)
    times = np.maximum(np.asarray(times_rating, float), 1e-9)
    inside = np.interp(np.log(times), x, y)
    beyond = y[-1] - 2.0 * (np.log(times) - x[-1])
    seconds = np.exp(np.where(np.log(times) > x[-1], beyond, inside))
    return np.asarray(np.where(times < from_times * (1 - 1e-9), np.inf, seconds))


def surge_verdict(speed: str, rated_a: float, time: Array, amps: Array) -> tuple[str, float]:
    """Whether a surge of current opens a fuse: 'holds', 'may open' or 'opens', and when first [s].

    The effective value from the start to each moment is held against the class as if it had flowed evenly.
    """
    steps = np.diff(time)
    heat = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] ** 2 + amps[:-1] ** 2) * steps)))
    since = time - time[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.where(since > 0, np.sqrt(heat / since), 0.0) / rated_a
    for word, limit in (("opens", open_at_last), ("may open", holds_at_least)):
        over = (since >= limit(speed, times)) & (since > 0)
        if over.any():
            return word, float(since[np.argmax(over)])
    return "holds", float("inf")
