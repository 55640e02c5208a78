"""Reading the fields of one table: every slip kept with file, designator and fix."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from tubekit.amp.fields import fields_of, is_sequence
from tubekit.errors import AmpFileError, InputError, near_matches

ALWAYS = ("kind", "removed")


class Findings:
    """Problems found in one amp file, each with file, designator and fix."""

    def __init__(self, name: str, origins: Mapping[str, str]) -> None:
        self.name, self._origins = name, origins
        self.problems: list[AmpFileError] = []

    def add(self, part: str, problem: str, fix: str, near: Iterable[str] = ()) -> None:
        """Keep one problem; `part` is a designator, 'V1.a', '[amp]' or a node."""
        where = self._origins.get(part.strip("[]").split(".")[0], self.name)
        self.problems.append(AmpFileError(problem, where=where, part=part, fix=fix, near=near))


def read_fields(
    kind: type, table: Mapping[str, Any], part: str, found: Findings, extra: Iterable[str] = ()
) -> dict[str, Any] | None:
    """Values of one table by attribute name, or None where something was wrong with it."""
    specs = {spec.key: spec for spec in fields_of(kind)}
    count = len(found.problems)
    for key in table:
        if key not in specs and key not in extra:
            _unknown_key(key, table[key], [*specs, *extra], part, found)
    values: dict[str, Any] = {}
    for key, spec in specs.items():
        if key in table:
            try:
                values[spec.name] = spec.form.read(table[key])
            except InputError as error:
                found.add(part, f"{key} {error.problem}", error.fix, error.near)
        elif spec.required:
            found.add(part, f"{key} is missing", f"Write a line {key} = … into [{part.strip('[]')}]")
    return values if len(found.problems) == count else None


def touched(table: object) -> Iterator[str]:
    """Every text in a table that may be the name of a node (for parts that could not be read)."""
    if isinstance(table, str):
        yield table
    elif isinstance(table, dict):
        for one in table.values():
            yield from touched(one)
    elif is_sequence(table):
        for one in table:  # type: ignore[attr-defined]
            yield from touched(one)


def tables_in(table: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The tables that stand in a table, by key."""
    return {key: value for key, value in table.items() if isinstance(value, dict)}


def _unknown_key(key: str, value: object, known: list[str], part: str, found: Findings) -> None:
    what = "table" if isinstance(value, dict) else "line"
    name = key if len(key) <= 40 else key[:40] + "…"
    fix = f"Take the {what} out, or write one of: {', '.join(one for one in known if one != 'removed')}"
    found.add(part, f"'{name}' is not known here", fix, near_matches(name, known))
