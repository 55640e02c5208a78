"""How long a fuse carries what it is given: limits of its standard and speed.

Two standards mean different things by a fuse's rating. UL 248-14 (US fuses): it carries 100 % and has opened
within an hour at 135 % and two minutes at 200 %. IEC 60127: it carries 150 % for an hour at least and has
opened within half an hour (slow: two minutes) at 210 %. Every fuse spreads between its two limits.

Source: data/handbook/fuse_time_current.csv, all of it from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts import Fuse
from tubekit.tables import handbook
from tubekit.units import show

Array = np.ndarray

IEC, UL = "IEC 60127", "UL 248-14"
CLASS_WORDS = (
    "Fuse times are from the standard shown (from memory, not checked); a real fuse is between the limits."
)
US_LINE_V, US_LINE_HZ = 170.0, 55.0
"""Below this line voltage and above this frequency an amp is taken to hold US fuses; common practice."""


@dataclass(frozen=True)
class FuseClass:
    """Standard and speed of a fuse; `assumed` where the amp file does not state the standard.

    Examples
    --------
    >>> slow = FuseClass(IEC, "slow")
    >>> slow.holds_at_least([1.0, 2.75, 10.0]).round(3).tolist()
    [inf, 0.6, 0.02]
    >>> FuseClass(IEC, "fast").open_at_last([2.0, 2.1, 4.0]).round(2).tolist()
    [inf, 1800.0, 0.3]
    >>> slow.carries(1.3)
    'above its rating, but does not blow for at least an hour'
    >>> FuseClass(UL, "slow").carries(1.4)
    'may blow after 5 min, and blows within 44 min'
    """

    standard: str
    speed: str
    assumed: bool = False

    def __str__(self) -> str:
        return f"{self.speed}, {self.standard}{' (assumed)' if self.assumed else ''}"

    def holds_at_least(self, times_rating: Array | float) -> Array:
        """Shortest time in which it may open [s]; infinite where it carries that multiple of its rating."""
        result = self._seconds("least_s", times_rating)
        return np.asarray(np.where(np.asarray(times_rating, float) <= 1.0, np.inf, result))

    def open_at_last(self, times_rating: Array | float) -> Array:
        """Longest time until it has opened [s]; infinite where it need not open."""
        return self._seconds("most_s", times_rating)

    def _seconds(self, column: str, times_rating: Array | float) -> Array:
        """Straight lines on log-log paper; beyond the last point the heat I²t stays the same."""
        x, y = _points(self.standard, self.speed, column)
        times = np.maximum(np.asarray(times_rating, float), 1e-9)
        inside = np.interp(np.log(times), x, y)
        beyond = y[-1] - 2.0 * (np.log(times) - x[-1])
        seconds = np.exp(np.where(np.log(times) > x[-1], beyond, inside))
        return np.asarray(np.where(np.log(times) < x[0] - 1e-9, np.inf, seconds))

    def carries(self, times_rating: Array | float) -> str:
        """Say what it does with a steady current; of a batch, the largest."""
        times = float(np.max(times_rating))
        least, most = float(self.holds_at_least(times)), float(self.open_at_last(times))
        if np.isinf(least):
            return "OK" if times <= 1.0 else "above its rating, but does not blow for at least an hour"
        end = "or not at all" if np.isinf(most) else f"and blows within {_time_text(most)}"
        return f"may blow after {_time_text(least)}, {end}"

    def surge(self, rated_a: float, time: Array, amps: Array) -> tuple[str, float]:
        """Whether a surge of current opens it: 'does not blow', 'may blow' or 'blows', and when first [s].

        The effective value from the start to each moment is taken as if it had flowed evenly.
        """
        steps = np.diff(time)
        heat = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] ** 2 + amps[:-1] ** 2) * steps)))
        since = time - time[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(since > 0, np.sqrt(heat / since), 0.0) / rated_a
        for word, limit in (("blows", self.open_at_last), ("may blow", self.holds_at_least)):
            over = (since >= limit(times)) & (since > 0)
            if over.any():
                return word, float(since[np.argmax(over)])
        return "does not blow", float("inf")


def fuse_class(amp: Amp, fuse: Fuse) -> FuseClass:
    """Standard and speed of a fuse of an amp; a standard that is not stated follows from the line.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = load_amp("teasel")
    >>> print(fuse_class(amp, amp.parts["F1"]))
    slow, UL 248-14 (assumed)
    """
    if fuse.standard is not None:
        return FuseClass(fuse.standard, fuse.speed)
    american = float(np.max(amp.design_mains_rms)) < US_LINE_V and float(np.max(amp.mains_hz)) > US_LINE_HZ
    return FuseClass(UL if american else IEC, fuse.speed, assumed=True)


def _time_text(seconds: float) -> str:
    return show(seconds, "s") if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


@cache
def _points(standard: str, speed: str, column: str) -> tuple[Array, Array]:
    result = handbook("fuse_time_current", **{"standard": standard, "class": speed})
    rows = [row for row in result if row[column] is not None]
    times, seconds = (np.array([row.number(name) for row in rows]) for name in ("times_rating", column))
    return np.log(times), np.log(seconds)
