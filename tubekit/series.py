"""Preferred values of resistors and capacitors (IEC 60063) and tolerance letters (IEC 60062).

E3 to E24 are the historic lists; E48 to E192 follow 10**(k/N) rounded to two decimals, with
the one exception of 9.20 in E192 (data/handbook/standards.csv). Series and letters are taken
from that table, whose status column says which lines were read in print.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tubekit.errors import UnitError, near_matches

_E24 = "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1"


def _all_series() -> dict[str, tuple[float, ...]]:
    e24 = tuple(float(word) for word in _E24.split())
    series = {"E3": e24[::8], "E6": e24[::4], "E12": e24[::2], "E24": e24}
    for count in (48, 96, 192):
        series[f"E{count}"] = tuple(round(10 ** (k / count), 2) for k in range(count))
    series["E192"] = tuple(9.20 if value == 9.19 else value for value in series["E192"])
    return series


SERIES: Mapping[str, tuple[float, ...]] = MappingProxyType(_all_series())
"""Mantissas 1 ≤ m < 10 of each series, rising."""

TOLERANCE_LETTERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        **{
            letter: (-percent, percent)
            for letter, percent in zip("BCDFGJKM", (0.1, 0.25, 0.5, 1, 2, 5, 10, 20), strict=True)
        },
        "Q": (-10, 30),
        "T": (-10, 50),
        "S": (-20, 50),
        "Z": (-20, 80),
    }
)
"""Letter → lowest and highest deviation [%] (IEC 60062; from memory, see standards.csv)."""


def _mantissas(series: str) -> tuple[float, ...]:
    if series in SERIES:
        return SERIES[series]
    raise UnitError(
        f"'{series}' is not a series of preferred values",
        fix=f"Use one of {', '.join(SERIES)}",
        near=near_matches(str(series), SERIES),
    )


def _checked(value: float) -> float:
    if not 1e-15 <= value <= 1e15:  # NaN fails too
        raise UnitError(f"{value!r} is not a part value", fix="Give a value above zero, in its base unit")
    return float(value)


def _member(place: int, mantissas: tuple[float, ...]) -> float:
    """Value at a place counted from 1.0 upward across decades (negative below 1.0)."""
    decade, index = divmod(place, len(mantissas))
    return float(f"{mantissas[index]}e{decade}")


def _place_below(value: float, mantissas: tuple[float, ...]) -> int:
    """Place of the greatest member not above `value`; one part in 10**12 counts as equal."""
    place = (math.floor(math.log10(value)) + 1) * len(mantissas)
    while _member(place, mantissas) > value * (1 + 1e-12):
        place -= 1
    return place


def nearest(value: float, series: str = "E24") -> float:
    """The member of a series closest to `value` by ratio (the lower one of a draw).

    Raises
    ------
    UnitError : an unknown series, or a value that is no part's value.

    Examples
    --------
    >>> nearest(4900, "E12"), nearest(4900, "E96"), nearest(0.0237e-6, "E6")
    (4700.0, 4870.0, 2.2e-08)
    """
    mantissas, value = _mantissas(series), _checked(value)
    place = _place_below(value, mantissas)
    low, high = _member(place, mantissas), _member(place + 1, mantissas)
    return low if value / low <= high / value else high


def series_values(series: str, low: float, high: float) -> npt.NDArray[np.float64]:
    """All members from `low` to `high`, both included: the stops of a slider or a sweep.

    Examples
    --------
    >>> series_values("E6", 470, 2200)
    array([ 470.,  680., 1000., 1500., 2200.])
    """
    mantissas = _mantissas(series)
    if _checked(high) < _checked(low):
        raise UnitError(f"{low!r} to {high!r} runs downward", fix="Give the lower value first")
    first = _place_below(low * (1 - 4e-12), mantissas) + 1
    return np.array([_member(p, mantissas) for p in range(first, _place_below(high, mantissas) + 1)])
