"""Which prefixes, words and markings each unit takes (the vocabulary of `units`), from data/units.toml.

Marking letters after IEC 60062.
"""

from __future__ import annotations

import tomllib

from tubekit.files import data_file

POWER = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "G": 9}
FARAD_CAPITALS = {"P": -12, "N": -9, "U": -6}
_UNITS = tomllib.loads(data_file("units.toml").read_text(encoding="utf-8"))
UNITS = tuple(_UNITS)
PREFIXES: dict[str, list[str]] = {unit: entry["prefixes"] for unit, entry in _UNITS.items()}
WORDS: dict[str, list[str]] = {unit: entry["words"] for unit, entry in _UNITS.items()}
EXAMPLES: dict[str, str] = {unit: entry["examples"] for unit, entry in _UNITS.items()}
NOUN: dict[str, str] = {unit: entry["noun"] for unit, entry in _UNITS.items()}
SYMBOL = {"ohm": "Ω"}


def _tails(unit: str) -> dict[str, int]:
    """Every ending that may follow a number of this unit, with its power of ten."""
    prefixes = {prefix: POWER[prefix] for prefix in PREFIXES[unit]}
    if unit == "F":
        prefixes |= FARAD_CAPITALS
    tails = dict(prefixes)
    for word in WORDS[unit]:
        tails |= {prefix + word: power for prefix, power in prefixes.items()}
    also: dict[str, int] = _UNITS[unit].get("also", {})
    return tails | also


def _marks(unit: str) -> dict[str, int]:
    """Letters that may stand in the place of the decimal point (IEC 60062)."""
    marks = {tail: power for tail, power in TAILS[unit].items() if tail in POWER and tail}
    if unit == "ohm":
        marks["R"] = 0
    if unit == "F":
        marks |= FARAD_CAPITALS | {"m": -3}
    return marks


TAILS = {unit: _tails(unit) for unit in UNITS}
MARKS = {unit: _marks(unit) for unit in UNITS}
# IEC 60062 marks 10 millifarad '10m'; '10 mF' stays refused (see PREFIXES).
TAILS["F"]["m"] = -3
