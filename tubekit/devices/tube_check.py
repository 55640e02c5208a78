"""A tube file held to what a tube can be: words that are known, units, pins of its base, values in reach."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from tubekit.devices.pentode import Pentode
from tubekit.devices.published import Residual
from tubekit.devices.rectifier import SiliconDiode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_files import RANGES
from tubekit.devices.tube_record import Ratings
from tubekit.errors import TableError, UnitError, near_matches
from tubekit.units import parse, show

MIXED = "triode and pentode"
KINDS: Mapping[str, type[Triode | Pentode | SiliconDiode] | None] = {
    "triode": Triode, "pentode": Pentode, "beam tetrode": Pentode, MIXED: None, "rectifier": None,
    "silicon rectifier": SiliconDiode, "silicon diode": SiliconDiode, "gas regulator": None,
}  # fmt: skip
"""Kinds of tube, each with its law; unlike sections have files of their own, others state `STATED`."""
STATED = {"rectifier": {"drop": "V", "at": "A"}, "gas regulator": {"running": "V", "at": "A", "ohms": "ohm"}}
BASES = {
    "4-pin": 4, "5-pin": 5, "6-pin": 6, "7-pin": 7, "octal": 8, "loctal": 8, "7-pin miniature": 7, "noval": 9,
    "novar": 9, "magnoval": 9, "compactron": 12, "wire ended": 2,
}  # fmt: skip
"""Pins of each base (octal and miniature: RETMA basings; the rest from memory)."""
ELECTRODES = ("plate", "screen", "grid", "cathode", "suppressor")
BESIDE = ("heater", "heater center", "heater tap", "shell", "shield", "internal", "diode")
TOP_CAP = "top cap"
MAY_SHARE = (*BESIDE, "cathode", "suppressor")
"""A filament is its own cathode, a suppressor may be tied to it inside."""
WORDS = {
    "type": str, "like": str, "kind": str, "title": str, "base": str, "known": str, "notes": str,
    "sections": int, "directly_heated": bool, "equivalents": list, "systems": list, "recalled": list,
    "pins": dict, "heater": dict, "ratings": dict, "capacitances": dict, "law": dict, "valid": dict,
    "spread": dict, "left": dict, "fitted": dict, "fit": dict,
}  # fmt: skip
NEEDED = ("kind", "title", "base", "sections", "pins", "known")
MOST_SECTIONS = 3
SPAN = {
    "V": (0.1, 2e4), "A": (1e-5, 100.0), "W": (1e-3, 2e3), "ohm": (1e3, 1e8), "F": (1e-8, 1e-2),
    "capacitances": (1e-15, 1e-9), "ohms": (1.0, 1e4),
}  # fmt: skip
"""What a rating of a receiving tube can be, by its unit; electrodes have picofarads."""
_GATE = (0.5, 40.0)
_SILICON = {
    "saturation": (1e-15, 1e-3), "emission_volts": (0.01, 1.0), "straight_above": (1e-3, 1e3),
    "junctions": (1.0, 100.0),
}  # fmt: skip
BEYOND_FIT = 3.0
"""How far a parameter set by hand may lie beyond the bounds of a fit."""
_INNER = {
    "heater": ("volts", "amps"), "spread": ("limits",),
    "left": ("usual", "at_bound", "conflicts", "spread_pct"),
    "fitted": ("rows",), "capacitances": ("grid_plate", "grid_cathode", "plate_cathode"),
    "valid": ("plate", "screen", "grid"),
    "fit": ("assumed", "usual", "characteristics", "operation", "coupled", "curves", "grid_sets", "shown",
            "drive", "weight"),
}  # fmt: skip
_TYPES = {str: "text", int: "a whole number", bool: "true or false", list: "a list", dict: "a table"}


@dataclass(frozen=True)
class _File:
    where: str

    def wrong(
        self, part: str, problem: str, fix: str, code: str, near: Iterable[str] = (), word: object = None
    ) -> TableError:
        written = None if word is None else str(word)
        return TableError(
            problem, where=self.where, part=part, fix=fix, near=near, code=code,
            key=part.rpartition(".")[2], word=written,
        )  # fmt: skip

    def known(self, part: str, words: Iterable[str], choices: Iterable[str]) -> None:
        """Every word is one of the choices."""
        allowed = list(choices)
        for word in words:
            if word not in allowed:
                place = f"{part}.{word}" if part else word
                fix = f"Write one of: {', '.join(allowed)}"
                near = near_matches(word, allowed)
                raise self.wrong(place, "is not known here", fix, "unknown_key", near, word)

    def quantity(self, part: str, raw: object, unit: str, span: tuple[float, float]) -> None:
        """Text with a unit, within what it can be."""
        low, high = (show(end, unit) for end in span)
        fix = f"Write it with its unit, between {low} and {high}"
        try:
            value = parse(raw, unit) if isinstance(raw, str) else math.nan
        except UnitError as error:
            raise self.wrong(part, error.problem, fix, "unit", word=raw) from error
        if not isinstance(raw, str):
            raise self.wrong(part, f"is {raw!r}, without a unit", fix, "unit", word=raw)
        if not span[0] <= value <= span[1]:
            raise self.wrong(part, f"'{raw}' is outside {low} to {high}", fix, "range", word=raw)

    def number(self, part: str, raw: object, span: tuple[float, float]) -> None:
        """A plain finite number within what it can be."""
        fix = f"Write a number between {span[0]:g} and {span[1]:g}"
        if isinstance(raw, bool) or not isinstance(raw, (int, float)):
            raise self.wrong(part, f"is {raw!r}, not a number", fix, "number", word=raw)
        if not (math.isfinite(raw) and span[0] <= raw <= span[1]):
            raise self.wrong(part, f"{raw:g} is outside {span[0]:g} to {span[1]:g}", fix, "range", word=raw)


def check_tube_file(data: Mapping[str, Any], where: str) -> None:
    """Refuse what no tube file can hold.

    Parameters
    ----------
    data : the file, completed from the one it is `like`.
    where : the file, for the message.

    Raises
    ------
    TableError : the first thing that is wrong, with its place, what can stand there and near matches.

    Examples
    --------
    >>> from tubekit.devices.tube_files import tube_data
    >>> check_tube_file(tube_data("12AX7"), "12AX7.toml")
    >>> check_tube_file(dict(tube_data("12AX7")) | {"sections": 20}, "12AX7.toml")
    Traceback (most recent call last):
      ...
    tubekit.errors.TableError: 12AX7.toml: sections: 20 is outside 1 to 3. Write a number between 1 and 3.
    """
    file = _File(where)
    file.known("", data, WORDS)
    for key, value in data.items():
        wanted = WORDS[key]
        if not isinstance(value, wanted) or (wanted is int and isinstance(value, bool)):
            raise file.wrong(
                key, f"is {value!r:.60}, not {_TYPES[wanted]}", f"Write {_TYPES[wanted]}", "type"
            )
    missing = [key for key in NEEDED if key not in data]
    if missing:
        raise file.wrong(missing[0], "is missing", f"A tube file needs {', '.join(NEEDED)}", "missing")
    for key, choices in (("kind", KINDS), ("base", BASES)):
        if data[key] not in choices:
            near, fix = near_matches(data[key], choices), f"Write one of: {', '.join(choices)}"
            raise file.wrong(key, f"'{data[key]}' is not a {key} of a tube", fix, key, near, data[key])
    file.number("sections", data["sections"], (1, MOST_SECTIONS))
    for key, inner in _INNER.items():
        file.known(key, data.get(key, {}), inner)
    for key in ("equivalents", "systems"):
        if not all(isinstance(name, str) and name for name in data.get(key, ())):
            raise file.wrong(key, "is not a list of names", 'Write it like ["6V6"]', "type")
    _pins(file, data)
    _figures(file, data)
    _law(file, data)
    _fitted(file, data)


def _pins(file: _File, data: Mapping[str, Any]) -> None:
    count, sections, kind = BASES[data["base"]], data["sections"], data["kind"]
    letters = ["", *(f" {letter}" for letter in "abc"[:sections])] if sections > 1 else [""]
    names = [f"{one}{letter}" for one in ELECTRODES for letter in letters]
    file.known("pins", data["pins"], [*names, *BESIDE])
    taken: dict[int, str] = {}
    for name, raw in data["pins"].items():
        pins = raw if isinstance(raw, list) else [raw]
        for pin in pins:
            if pin == TOP_CAP:
                continue
            whole = isinstance(pin, int) and not isinstance(pin, bool)
            if not (whole and 1 <= pin <= count):
                problem = f"there is no pin {pin!r} on a base of kind '{data['base']}'"
                raise file.wrong(f"pins.{name}", problem, f"Write a pin from 1 to {count}", "pins", word=pin)
            if not name.startswith(MAY_SHARE):
                if pin in taken:
                    problem = f"pin {pin} is already the {taken[pin]}"
                    raise file.wrong(f"pins.{name}", problem, "Give each its own pin", "pins", word=pin)
                taken[pin] = name
    parts = {"plate"} | ({"screen"} if KINDS[kind] is Pentode else set())
    parts |= {"grid"} if KINDS[kind] in (Triode, Pentode) else set()
    for part in sorted(parts):
        drawn = sum(name == part or name.startswith(f"{part} ") for name in data["pins"])
        if drawn != sections:
            problem = f"only {drawn} of {sections} given"
            fix = f"Write {part}" if sections == 1 else f"Write {part} a, {part} b … for each section"
            raise file.wrong(f"pins.{part}", problem, fix, "pins")


def _figures(file: _File, data: Mapping[str, Any]) -> None:
    """Heater, ratings and capacitances: text with a unit, of a size that a tube can have."""
    heater = data.get("heater", {})
    for name, unit in (("volts", "V"), ("amps", "A")):
        if heater and name not in heater:
            raise file.wrong(f"heater.{name}", "is missing", "Write volts and amps", "missing")
        if heater:
            file.quantity(f"heater.{name}", heater[name], unit, SPAN[unit])
    entries = {entry.name: entry.metadata.get("unit", "") for entry in fields(Ratings)}
    file.known("ratings", data.get("ratings", {}), entries)
    for name, raw in data.get("ratings", {}).items():
        if entries[name]:
            file.quantity(f"ratings.{name}", raw, entries[name], SPAN[entries[name]])
        elif not isinstance(raw, str):
            raise file.wrong(f"ratings.{name}", f"is {raw!r}, not text", "Write text", "type", word=raw)
    for name, raw in data.get("capacitances", {}).items():
        file.quantity(f"capacitances.{name}", raw, "F", SPAN["capacitances"])


def _law(file: _File, data: Mapping[str, Any]) -> None:
    kind, given = data["kind"], data.get("law")
    if data.get("systems"):
        return
    if kind == MIXED:
        raise file.wrong("systems", "is missing", "Write the tube types of its sections", "missing")
    if given is None:
        raise file.wrong("law", "is missing", "Write [law], or like = a type that has one", "missing")
    law = KINDS[kind]
    if law is None:
        wanted = STATED[kind]
        file.known("law", given, wanted)
        for name, unit in wanted.items():
            if name not in given:
                raise file.wrong(f"law.{name}", "is missing", f"Write {', '.join(wanted)}", "missing")
            file.quantity(f"law.{name}", given[name], unit, SPAN.get(name, SPAN[unit]))
        return
    spans = _spans(law)
    file.known("law", given, spans)
    for entry in fields(law):
        if entry.name in given:
            file.number(f"law.{entry.name}", given[entry.name], spans[entry.name])
        elif "perveance" in entry.name or entry.name.startswith("mu"):
            raise file.wrong(f"law.{entry.name}", "is missing", f"Write {', '.join(spans)}", "missing")


def _spans(law: type[Triode | Pentode | SiliconDiode]) -> dict[str, tuple[float, float]]:
    """Bounds of every parameter: those of a fit, with some room beyond."""
    if law is SiliconDiode:
        return dict(_SILICON)
    ranges = RANGES[law]  # type: ignore[index]
    return {
        name: (one.low / BEYOND_FIT, one.high * BEYOND_FIT) if one.factor else (one.low, one.high)
        for name, one in ranges.items()
    } | {"gate": _GATE}


def _fitted(file: _File, data: Mapping[str, Any]) -> None:
    """What the fit wrote: where the law holds, and how far it is from what was published."""
    for name, span in data.get("valid", {}).items():
        if not (isinstance(span, list) and len(span) == 2):
            raise file.wrong(f"valid.{name}", "is not a pair", "Write [low, high] in volts", "range")
        for end in span:
            file.number(f"valid.{name}", end, (-1e4, 1e4))
        if not span[0] <= span[1]:
            raise file.wrong(f"valid.{name}", "runs backwards", "Write [low, high] in volts", "range")
    names = [*(entry.name for entry in fields(Residual)), "error_pct"]
    rows = data.get("fitted", {}).get("rows", [])
    for row in rows if isinstance(rows, list) else [rows]:
        if not isinstance(row, dict):
            raise file.wrong("fitted.rows", "has an entry that cannot be used", "Fit the type again", "type")
        file.known("fitted.rows", row, names)
