"""The tables of an amp file as its text: what was entered stands in it as it was entered."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any


def toml_text(tables: Mapping[str, Any], comment: str = "") -> str:
    """TOML text of nested tables; lines before tables, in the order they came.

    Examples
    --------
    >>> print(toml_text({"R1": {"value": "4K7", "nodes": ["B1", "ground"]}}), end="")
    [R1]
    value = "4K7"
    nodes = ["B1", "ground"]
    """
    blocks = ["".join(f"# {line}\n" for line in comment.splitlines()).rstrip()] if comment else []
    for name, table in tables.items():
        blocks += _blocks((name,), table)
    return "\n\n".join(blocks) + "\n"


def _blocks(path: tuple[str, ...], table: Mapping[str, Any]) -> Iterator[str]:
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in table.items() if key not in inner]
    if lines or not inner:
        yield "\n".join([f"[{'.'.join(_key(part) for part in path)}]", *lines])
    for key, value in inner.items():
        yield from _blocks((*path, key), value)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)
