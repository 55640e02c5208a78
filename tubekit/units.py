"""Values as the bench writes them, and back: IEC 60062 marking and engineering notation.

Inside tubekit every value is a plain float in its base unit (ohm, farad, volt …; percent stays
in percent). Text is read by a fixed grammar and never evaluated.

Sources: IEC 60062 for the marking (4K7, R47, 100n), IEC 60063 for the preferred values,
IEC 80000-1 for the prefixes. 'mfd' and 'mmfd' are the old trade's micro- and picofarad
(common practice on drawings before about 1960).
"""

from __future__ import annotations

import math
import numbers
import re
from decimal import Decimal
from typing import Any

import numpy as np
import numpy.typing as npt

from tubekit.errors import UnitError
from tubekit.series import SERIES, TOLERANCE_LETTERS, nearest, series_values
from tubekit.unit_words import EXAMPLES, MARKS, NOUN, POWER, PREFIXES, SYMBOL, TAILS, UNITS, WORDS

__all__ = ["SERIES", "TOLERANCE_LETTERS", "UNITS", "mark", "nearest", "parse", "series_values", "show"]

_TRUTH: tuple[type, ...] = (bool, np.bool_)
FloatArray = npt.NDArray[np.float64]

_PLAIN = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[eE]([+-]?[0-9]{1,3}))?\s*([^0-9.+-][^0-9]*)?")
_MARKED = re.compile(r"([+-]?)([0-9]*)([A-Za-z])([0-9]+)\s*([^0-9.+-][^0-9]*)?")
_FRACTION = re.compile(r"([0-9]{1,3})/([0-9]{1,3})\s*(W|w|watt|watts)?")


def _known(unit: str) -> str:
    if unit in PREFIXES:
        return unit
    raise UnitError(f"'{unit}' is not a unit that can be read", fix=f"Use one of {', '.join(UNITS)}")


def _normal(text: str) -> str:
    """One spelling for micro, ohm and minus; outer blanks off."""
    pairs = (("µ", "u"), ("μ", "u"), ("\u2126", "Ω"), ("−", "-"), ("\u00a0", " "))
    for old, new in pairs:
        text = text.replace(old, new)
    return text.strip()


def _read(text: str, unit: str) -> float | None:
    """The value, or None where the grammar does not hold."""
    # The power of ten is joined to the digits as text: 4.7 nF is then exactly float('4.7e-9').
    if (result := _PLAIN.fullmatch(text)) is not None:
        digits, exponent, tail = result.groups()
        power = TAILS[unit].get((tail or "").replace(" ", ""))
        return None if power is None else float(f"{digits}e{power + int(exponent or 0)}")
    if (result := _MARKED.fullmatch(text)) is not None:
        sign, whole, letter, part, tail = result.groups()
        power = MARKS[unit].get(letter)
        if power is None or (tail or "").replace(" ", "") not in ("", *WORDS[unit]):
            return None
        return float(f"{sign}{whole or '0'}.{part}e{power}")
    if unit == "W" and (result := _FRACTION.fullmatch(text)) is not None and int(result[2]):
        return int(result[1]) / int(result[2])
    return None


def _fix(text: str, unit: str) -> str:
    """How to write it: a repaired spelling where one reads, and always some examples."""
    usual = f"Write it like {EXAMPLES[unit]}"
    for wrong, right, why in (
        ("O", "0", "found the letter O instead of zero"),
        ("o", "0", "found the letter o instead of zero"),
        ("l", "1", "found the letter l instead of one"),
        ("I", "1", "found the letter I instead of one"),
        (",", ".", "the decimal sign is a point"),
    ):
        mended = text.replace(wrong, right)
        if wrong in text and _read(mended, unit) is not None:
            return f"Perhaps {mended} is meant ({why}). {usual}"
    if unit == "F" and re.search(r"[mM][fF]$", text):
        return f"Old drawings write microfarad that way: write uF, or 20000 uF for 20 millifarad. {usual}"
    if unit == "A" and re.search(r"[0-9 ]MA$", text):
        return f"m is milli and M is mega. {usual}"
    return usual


def _finite(value: numbers.Real) -> float | None:
    """The number as a float; None for a truth value or one beyond any float."""
    try:
        return None if isinstance(value, _TRUTH) else float(value)
    except OverflowError:
        return None


def _quoted(value: Any) -> str:
    """The value as the user gave it, cut where it runs on."""
    if isinstance(value, int) and value.bit_length() > 100:
        return f"a number of {value.bit_length()} binary digits"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:56]} …"


def parse(value: Any, unit: str, *, positive: bool = False) -> float:
    """A value written on a drawing or a part, as a float in its base unit.

    Parameters
    ----------
    value : text in IEC 60062 marking or engineering notation, or a finite number.
    unit : one of ohm, F, H, V, A, W, Hz, s, S, J, % (percent is returned in percent).
    positive : refuse zero and negative values.

    Returns
    -------
    float [the unit named; 10.0 for '10 %'].

    Raises
    ------
    UnitError : anything else; the message says how to write it.

    Examples
    --------
    >>> parse("4K7", "ohm"), parse("R47", "ohm"), parse("2M2", "ohm"), parse("1.5 kΩ", "ohm")
    (4700.0, 0.47, 2200000.0, 1500.0)
    >>> parse("100n", "F"), parse("0.022 uF", "F"), parse("25 MFD", "F"), parse("250 mmfd", "F")
    (1e-07, 2.2e-08, 2.5e-05, 2.5e-10)
    >>> parse("120 mA", "A"), parse("1/2 W", "W"), parse(117, "V"), parse("10 %", "%")
    (0.12, 0.5, 117.0, 10.0)
    >>> parse("33O", "ohm")
    Traceback (most recent call last):
      ...
    tubekit.errors.UnitError: '33O' is not a resistance. Perhaps 330 is meant (found the letter O \
instead of zero). Write it like 330, 470R, 4K7, 1.5k or 1 M.
    """
    unit = _known(unit)
    noun, text, number = NOUN[unit], _quoted(value), None
    if isinstance(value, str):
        number = _read(_normal(value), unit)
    elif isinstance(value, numbers.Real):
        number = _finite(value)
    if number is None or not math.isfinite(number):
        fix = _fix(_normal(value), unit) if isinstance(value, str) else f"Write it like {EXAMPLES[unit]}"
        raise UnitError(f"{text} is not {noun}", fix=fix)
    if positive and number <= 0:
        what = "zero" if number == 0 else "negative"
        raise UnitError(
            f"{text} is {what} where {noun} above zero is needed", fix=f"Write it like {EXAMPLES[unit]}"
        )
    return number


def _significant(value: float, digits: int) -> tuple[str, int]:
    """Digits and power of ten of the rounded value: 999.7 at 3 digits → ('1.00', 3)."""
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    return mantissa, int(exponent)


def _scaled(value: float, power: int, digits: int) -> str:
    """`value` in units of 10**power, rounded to `digits` significant figures."""
    mantissa, exponent = _significant(value, digits)
    number = Decimal(f"{mantissa}e{exponent - power}")
    if exponent - power >= digits:  # whole figures are not rounded away: 4721 uF
        number = Decimal(f"{value:.17g}").scaleb(-power)
    return f"{number:.{max(0, digits - 1 - (exponent - power))}f}"


NIL = {"V": 1e-10, "A": 1e-13, "W": 1e-13}
"""Below these a solve has nothing but its rounding, and no meter of the bench a digit."""


def _show_one(value: float, unit: str, digits: int) -> str:
    if math.isnan(value):
        return "—"
    base, _, rest = unit.partition(" ")
    powers = {POWER[p]: p for p in PREFIXES.get(base, [""]) if p != "K"}
    symbol = f"{SYMBOL.get(base, base)}{' ' if rest else ''}{rest}"
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}∞ {symbol}".rstrip()
    if abs(value) <= NIL.get(base, 0.0):
        return f"0 {symbol}".rstrip()
    exponent = _significant(value, digits)[1]
    power = max((p for p in powers if p <= exponent), default=min(powers))
    if not -3 <= exponent - power <= max(digits, 4):
        return f"{value:.{digits - 1}e} {symbol}".rstrip()
    prefix = powers[power].replace("u", "µ")
    return f"{_scaled(value, power, digits)} {prefix}{symbol}".rstrip()


def show(value: Any, unit: str, digits: int = 3) -> str:
    """A value as people read it: engineering prefix, `digits` significant figures.

    An array is shown as 'least…greatest'; NaN as '—'. `unit` may carry a word after it
    ('V rms'); a unit that takes no prefix (dB, °, '') is shown as it stands.
    Volts, amps and watts below the rounding of any solve are 0.

    Examples
    --------
    >>> show(4700, "ohm"), show(0.0523, "A"), show(335, "V"), show(22e-9, "F"), show(float("nan"), "V")
    ('4.70 kΩ', '52.3 mA', '335 V', '22.0 nF', '—')
    >>> show([0.0523, 0.061], "A"), show(117, "V rms"), show(-3.01, "dB"), show(100, "")
    ('52.3 mA…61.0 mA', '117 V rms', '-3.01 dB', '100')
    """
    array = np.asarray(value, dtype=float)
    if array.ndim == 0:
        return _show_one(float(array), unit, digits)
    known = array[~np.isnan(array)]
    if known.size == 0:
        return "—"
    low, high = (_show_one(float(end), unit, digits) for end in (known.min(), known.max()))
    return low if low == high else f"{low}…{high}"


def mark(value: Any, unit: str, digits: int = 4) -> str:
    """A nominal value as a US schematic writes it: no trailing zeros.

    Examples
    --------
    >>> mark(4700, "ohm"), mark(910, "ohm"), mark(1e6, "ohm"), mark(4.7e-9, "F"), mark(20e-6, "F")
    ('4.7 kΩ', '910 Ω', '1 MΩ', '4.7 nF', '20 µF')
    """
    number, _, symbol = show(value, unit, digits).partition(" ")
    head, power, exponent = number.partition("e")
    head = head.rstrip("0").rstrip(".") if "." in head else head
    return f"{head}{power}{exponent} {symbol}".rstrip()
