"""How far off a prediction was, in words, and whether it counts as right."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tubekit.units import show

SPOT_ON = 0.01
IN_PERCENT = 0.4
"""Up to this part of the value the distance is told in per cent, beyond it as a factor."""
NEAR = 2.5
"""A prediction within so many times the tolerance is called close."""
SLIP = (700.0, 1400.0)
"""A factor in here is a prefix mistaken (milli, kilo), not a value mistaken."""


@dataclass(frozen=True)
class Within:
    """How near a prediction has to be: in per cent of the value, in its unit (`absolute`), or as a `factor`.

    Examples
    --------
    >>> Within(10).holds(95.0, 100.0), Within(10).holds(80.0, 100.0), Within(absolute=3.0).holds(-9.0, -11.8)
    (True, False, True)
    >>> Within(10).words("V"), Within(absolute=3.0).words("dB")
    ('within 10 %', 'within 3.0 dB')
    """

    percent: float = 0.0
    absolute: float = 0.0
    factor: float = 0.0

    def room(self, true: float) -> float:
        """Largest distance that is still right, in the unit of the value."""
        return max(self.absolute, abs(true) * self.percent / 100.0)

    def ends(self, true: float) -> tuple[float, float]:
        """Lowest and highest prediction that counts as right."""
        if self.factor:
            return true / self.factor, true * self.factor
        return true - self.room(true), true + self.room(true)

    def holds(self, guess: float, true: float, times: float = 1.0) -> bool:
        """Whether the prediction counts as right; with `times`, within so many times the tolerance."""
        if self.factor:
            return guess * true > 0.0 and abs(math.log(guess / true)) <= times * math.log(self.factor) + 1e-9
        return abs(guess - true) <= times * self.room(true) * (1.0 + 1e-9)

    def words(self, unit: str) -> str:
        """The tolerance as the question states it."""
        if self.factor:
            return f"within a factor of {self.factor:g}"
        if self.percent:
            return f"within {self.percent:g} %"
        return (
            f"within {self.absolute:g} percentage points"
            if unit == "%"
            else f"within {plain(self.absolute, unit)}"
        )


@dataclass(frozen=True)
class Mark:
    """One predicted value against what came out."""

    label: str
    guess: float
    true: float
    unit: str
    right: bool
    words: str


def marked(label: str, guess: float, true: float, unit: str, within: Within) -> Mark:
    """A prediction weighed.

    Examples
    --------
    >>> marked("bias", 1.6, 1.5, "V", Within(10)).words
    '7 % too high'
    >>> marked("bias", 3.0, 1.5, "V", Within(10)).words
    '2.0 times too high'
    """
    right = within.holds(guess, true)
    return Mark(label, guess, true, unit, right, distance(guess, true, unit, within))


def distance(guess: float, true: float, unit: str, within: Within) -> str:
    """Distance in words that a bench would use.

    Examples
    --------
    >>> distance(0.05, 50.0, "V", Within(10))
    'about 1000 times too low: mixed up milli and kilo?'
    >>> distance(-8.0, -11.75, "dB", Within(absolute=3))
    '3.8 dB too high'
    >>> distance(20.0, 20.05, "V", Within(5)), distance(5.0, -5.0, "V", Within(5))
    ('spot on', 'wrong sign')
    """
    if abs(guess - true) <= SPOT_ON * (within.room(true) if within.absolute else abs(true)):
        return "spot on"
    side = "high" if guess > true else "low"
    if within.absolute:
        far = abs(guess - true)
        return f"{far:.2g} percentage points too {side}" if unit == "%" else f"{plain(far, unit)} too {side}"
    if guess * true < 0.0:
        return "wrong sign"
    ratio = guess / true if true else float("inf")
    if abs(ratio - 1.0) <= IN_PERCENT:
        return f"{max(100 * abs(ratio - 1.0), 1.0):.0f} % too {side}"
    return _times(max(ratio, 1.0 / ratio) if ratio else float("inf"), side)


def _times(factor: float, side: str) -> str:
    if SLIP[0] <= factor <= SLIP[1]:
        return f"about 1000 times too {side}: mixed up milli and kilo?"
    if factor >= 100:
        return f"more than 100 times too {side}"
    return f"{factor:.1f} times too {side}" if factor < 9.95 else f"{factor:.0f} times too {side}"


def is_prefix(guess: float, true: float) -> bool:
    """Wrong by a prefix: milli for kilo, a thousand times."""
    ratio = abs(guess / true) if true else 0.0
    return any(SLIP[0] <= each <= SLIP[1] for each in (ratio, 1.0 / ratio if ratio else 0.0))


def is_close(guess: float, true: float, within: Within) -> bool:
    """Wrong, but not by much."""
    return within.holds(guess, true, NEAR)


def plain(value: float, unit: str) -> str:
    """A value with its unit; dB and per cent as they stand.

    Examples
    --------
    >>> plain(-11.75, "dB"), plain(70.0, "%"), plain(0.0451, "A"), plain(54.3, "×"), plain(0.86, "dB")
    ('-11.8 dB', '70 %', '45.1 mA', '54.3 ×', '0.9 dB')
    """
    if unit == "dB":
        return f"{value:.1f} dB" if abs(value) < 99.95 else f"{value:.0f} dB"
    if unit in ("%", "×"):
        return f"{value:.3g} {unit}"
    return show(value, unit)
