"""An amp back into the tables, and the text, of an amp file that loads back as the same amp."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from tubekit.amp.fields import fields_of
from tubekit.amp.findings import Heading, TestPoint
from tubekit.amp.parts import KINDS, Part, Section, Transformer, Tube, Winding

HEADS = ("amp", "test_points")
LAST = ("role", "note")


def amp_tables(
    heading: Heading, parts: Mapping[str, Part], points: Mapping[str, TestPoint]
) -> dict[str, Any]:
    """The tables of an amp file (nothing that `extends` another)."""
    written = {"test_points": {name: _fields(point) for name, point in points.items()}} if points else {}
    return {"amp": _fields(heading), **written, **{name: _part(part) for name, part in parts.items()}}


def _part(part: Part) -> dict[str, Any]:
    table = {} if isinstance(part, Tube) or _is_usual(part) else {"kind": part.kind}
    table |= _fields(part)
    inner: dict[str, Any] = {}
    if isinstance(part, Transformer):
        inner = {winding.name: _fields(winding) for winding in part.windings}
    elif isinstance(part, Tube):
        for section in part.sections:
            if section.key:
                inner[section.key] = _fields(section)
            else:
                table |= _fields(section)
    return table | {key: table.pop(key) for key in LAST if key in table} | inner


def _is_usual(part: Part) -> bool:
    """True where the class letter alone says the kind."""
    letter = part.designator.rstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ").rstrip("0123456789") or part.designator[:1]
    kinds = [kind for kind in KINDS if letter in kind.letters]
    return letter not in {"T", "P", "J", "S"} and type(part) is kinds[0]


def _fields(record: Heading | Part | Section | TestPoint | Winding) -> dict[str, Any]:
    defaults = {one.name: one.default for one in dataclasses.fields(record)}
    return {
        spec.key: spec.form.write(value)
        for spec in fields_of(type(record))
        if (value := getattr(record, spec.name)) is not None
        and (spec.required or value != defaults[spec.name])
    }


def toml_text(tables: Mapping[str, Any]) -> str:
    """TOML text of the tables of an amp file, whole or not: heading, test points, then one part a line.

    Parts come last, so that a line added at the end is a part; one with windings or sections of its own
    takes a line for each.

    Examples
    --------
    >>> print(toml_text({"amp": {"title": "Shop amp"}, "R1": {"value": "4K7", "nodes": ["B1", "ground"]}}))
    [amp]
    title = "Shop amp"
    <BLANKLINE>
    [parts]
    R1 = { value = "4K7", nodes = ["B1", "ground"] }
    <BLANKLINE>
    """
    loose = [
        f"{toml_key(name)} = {toml_value(one)}"
        for name, one in tables.items()
        if not isinstance(one, Mapping)
    ]
    blocks = ["\n".join(loose)] if loose else []
    heads = {name: tables[name] for name in HEADS if isinstance(tables.get(name), Mapping)}
    for name, table in heads.items():
        lines = [f"{toml_key(key)} = {toml_value(value)}" for key, value in table.items()]
        blocks.append("\n".join([f"[{name}]", *lines]))
    parts = [
        line
        for name, table in tables.items()
        if isinstance(table, Mapping) and name not in heads
        for line in _lines(name, table)
    ]
    return "\n\n".join([*blocks, *(["\n".join(["[parts]", *parts])] if parts else [])]) + "\n"


def _lines(name: str, table: Mapping[str, Any]) -> Iterator[str]:
    if any(isinstance(value, Mapping) for value in table.values()):
        yield from (f"{toml_key(name)}.{toml_key(key)} = {toml_value(value)}" for key, value in table.items())
    else:
        yield f"{toml_key(name)} = {toml_value(table)}"


def toml_value(value: object) -> str:
    """A value as TOML writes it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(one) for one in value)}]"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{toml_key(key)} = {toml_value(one)}" for key, one in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(name: str) -> str:
    """A name as TOML writes it, in quotation marks where it needs them."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)
