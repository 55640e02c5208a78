"""Resistor color code (IEC 60062): bands to value and back.

Digits and multipliers as in the standard; tolerance colors that changed between its editions
(orange, yellow, gray) are left out, since they mean different things on different parts. From
memory, as every shop chart has it.
"""

from __future__ import annotations

from collections.abc import Sequence

from tubekit.errors import UnitError, near_matches

DIGITS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "gray", "white")
_POWERS = {color: power for power, color in enumerate(DIGITS)} | {"gold": -1, "silver": -2}
_TOLERANCES = {"brown": 1.0, "red": 2.0, "green": 0.5, "blue": 0.25, "violet": 0.1}
_TOLERANCES |= {"gold": 5.0, "silver": 10.0}
_SAME = {"grey": "gray", "purple": "violet"}
_BARE = 20.0  # no fourth band


def color_bands(ohms: float, tolerance: float = 5.0) -> tuple[str, ...]:
    """Bands of a resistor, read from the end they crowd to.

    Three bands at 20 %, four from two digits, five where three digits are needed or the
    tolerance is 2 % or closer.

    Parameters
    ----------
    ohms : resistance [ohm].
    tolerance : [%], one of 20, 10, 5, 2, 1, 0.5, 0.25, 0.1.

    Raises
    ------
    UnitError : a value with more digits than bands, out of range, or a tolerance without a color.

    Examples
    --------
    >>> color_bands(4700, 10)
    ('yellow', 'violet', 'red', 'silver')
    >>> color_bands(100e3, 1), color_bands(470, 20)
    (('brown', 'black', 'black', 'orange', 'brown'), ('yellow', 'violet', 'brown'))
    """
    closing = _closing(tolerance)
    if not 0 < ohms < float("inf"):
        raise UnitError(f"{ohms!r} ohm has no color code", fix="Give a resistance above zero")
    digits, power = _digits(ohms)
    count = 3 if len(digits) == 3 or tolerance <= 2 else 2
    if count == 3 and not closing:
        raise UnitError(f"{ohms!r} ohm at 20 % has no color code", fix="Three digits need a tolerance band")
    digits, power = digits.ljust(count, "0"), power - (count - 1)
    multiplier = next((color for color, p in _POWERS.items() if p == power), None)
    if multiplier is None:
        raise UnitError(f"{ohms!r} ohm is outside the color code", fix="Give 0.1 ohm to 99 Gohm")
    return (*(DIGITS[int(d)] for d in digits), multiplier, *closing)


def _closing(tolerance: float) -> tuple[str, ...]:
    if tolerance == _BARE:
        return ()
    for color, percent in _TOLERANCES.items():
        if percent == tolerance:
            return (color,)
    known = ", ".join(f"{percent:g}" for percent in sorted((*_TOLERANCES.values(), _BARE)))
    raise UnitError(f"tolerance {tolerance!r} % has no color", fix=f"Use one of {known}")


def _digits(ohms: float) -> tuple[str, int]:
    """Significant digits without closing zeros, and the power of ten of the first."""
    mantissa, exponent = f"{ohms:.8e}".split("e")
    digits = mantissa.replace(".", "").rstrip("0")
    if len(digits) > 3:
        raise UnitError(
            f"{ohms!r} ohm has more digits than a resistor has bands",
            fix="Take a preferred value, for instance units.nearest(ohms, 'E96')",
        )
    return digits, int(exponent)


def read_bands(bands: Sequence[str]) -> tuple[float, float]:
    """Resistance [ohm] and tolerance [%] from three, four or five band colors.

    Raises
    ------
    UnitError : a color that cannot stand in its place, or another number of bands.

    Examples
    --------
    >>> read_bands(["yellow", "violet", "red", "silver"])
    (4700.0, 10.0)
    >>> read_bands(["brown", "black", "black", "orange", "brown"]), read_bands(["red", "red", "gold"])
    ((100000.0, 1.0), (2.2, 20.0))
    """
    colors = [_SAME.get(word, word) for word in (str(band).strip().lower() for band in bands)]
    if isinstance(bands, str) or len(colors) not in (3, 4, 5):
        raise UnitError(f"{bands!r} is not a set of bands", fix="Give three, four or five colors in a list")
    count = 3 if len(colors) == 5 else 2
    digits = "".join(str(_look_up(color, _POWERS, i, low=0)) for i, color in enumerate(colors[:count]))
    power = _look_up(colors[count], _POWERS, count)
    tolerance = _look_up(colors[-1], _TOLERANCES, len(colors) - 1) if len(colors) > 3 else _BARE
    if int(digits) == 0:
        raise UnitError("all digit bands are black", fix="Read the bands from the other end")
    return float(f"{digits}e{int(power)}"), tolerance


def _look_up(color: str, table: dict[str, int] | dict[str, float], place: int, low: float = -9) -> float:
    allowed = {name: number for name, number in table.items() if number >= low}
    if color in allowed:
        return allowed[color]
    raise UnitError(
        f"'{color}' cannot be band {place + 1}",
        fix=f"Use one of {', '.join(allowed)}, or read from the other end",
        near=near_matches(color, allowed),
    )
