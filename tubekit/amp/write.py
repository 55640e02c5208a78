"""An amp back into the text of an amp file that loads to the same amp."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from tubekit.amp.fields import fields_of
from tubekit.amp.heading import Heading, TestPoint
from tubekit.amp.parts import KINDS, Part, Section, Transformer, Tube


def amp_text(heading: Heading, parts: Mapping[str, Part], points: Mapping[str, TestPoint]) -> str:
    """The text of an amp file (TOML, no comments, nothing that `extends` another)."""
    blocks = [_block("amp", _lines(heading))]
    for part in parts.values():
        blocks.extend(_part(part))
    blocks += [_block(f"test_points.{_key(name)}", _lines(point)) for name, point in points.items()]
    return "\n\n".join(blocks) + "\n"


def _part(part: Part) -> Iterator[str]:
    lines = list(_lines(part))
    if not isinstance(part, Tube) and not _is_usual(part):
        lines.insert(0, f"kind = {_value(part.kind)}")
    inner: list[tuple[str, Any]] = []
    if isinstance(part, Transformer):
        inner = [(winding.name, winding) for winding in part.windings]
    elif isinstance(part, Tube):
        lines += [line for one in part.sections if not one.key for line in _lines(one)]
        inner = [(section.key, section) for section in part.sections if section.key]
    yield _block(part.designator, lines)
    for name, record in inner:
        yield _block(f"{part.designator}.{_key(name)}", _lines(record))


def _is_usual(part: Part) -> bool:
    """True where the class letter alone says the kind."""
    letter = part.designator.rstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ").rstrip("0123456789") or part.designator[:1]
    kinds = [kind for kind in KINDS if letter in kind.letters]
    return letter not in {"T", "P", "J", "S"} and type(part) is kinds[0]


def _lines(record: Heading | Part | Section | TestPoint | Any) -> Iterator[str]:
    defaults = {one.name: one.default for one in dataclasses.fields(record)}
    for spec in fields_of(type(record)):
        value = getattr(record, spec.name)
        if value is None or (not spec.required and value == defaults[spec.name]):
            continue
        yield f"{spec.key} = {_value(spec.form.write(value))}"


def _block(name: str, lines: Any) -> str:
    return "\n".join([f"[{name}]", *lines])


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)
