"""Steps into the tables of an amp file, and what differs between two of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tubekit.amp.check import checked
from tubekit.amp.read import extended, parse_text
from tubekit.errors import TubekitError


def sound(text: str, folder: Path) -> bool:
    """Whether a text, lying in `folder`, loads as an amp."""
    try:
        checked(extended(parse_text(text, "draft"), "draft", folder))
    except TubekitError:
        return False
    return True


def stepped(here: Any, step: str | int, after: str | int) -> Any:
    """One step down a path, with an empty table or list where nothing of the kind is there."""
    kind = list if isinstance(after, int) else dict
    if isinstance(step, int):
        into_list(here, step, here[step] if step < len(here) else kind(), keep=True)
        return here[step]
    if not isinstance(here.get(step), kind):
        old = here.get(step)
        here[step] = [old] if kind is list and old not in (None, "") else kind()
    return here[step]


def into_list(here: list[Any], place: int, value: Any, *, keep: bool = False) -> None:
    """Put a value at a place of a list, blanks before it; blanks at the end go unless `keep`."""
    here.extend([""] * (place + 1 - len(here)))
    here[place] = value
    while here and here[-1] == "" and not keep:
        here.pop()


def renamed(value: Any, old: str, new: str) -> Any:
    """The same with every text `old` written `new`, but in words that a person wrote."""
    if isinstance(value, dict):
        return {
            key: renamed(one, old, new) if key not in ("role", "note") else one for key, one in value.items()
        }
    if isinstance(value, list):
        return [renamed(one, old, new) for one in value]
    return new if value == old else value


def difference(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any] | None:
    """What has to be laid over `base` to give `own`; None where a single line would have to vanish."""
    said: dict[str, Any] = {}
    for key, value in base.items():
        if key in own:
            continue
        if not isinstance(value, dict):
            if key == "extends":
                continue
            return None
        said[key] = {"removed": True}
    for key, value in own.items():
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            inner = difference(base[key], value)
            if inner is None:
                return None
            if inner:
                said[key] = inner
        elif base.get(key) != value:
            said[key] = value
    return said
