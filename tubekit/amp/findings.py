"""Reading the fields of one table: every slip kept with file, designator and fix."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from tubekit.amp.fields import fields_of, is_sequence
from tubekit.errors import AmpFileError, InputError, near_matches

ALWAYS = ("kind", "removed")
MISSING = "missing"
"""Code of a field that is not there."""


class Findings:
    """Problems found in one amp file, each with file, designator and fix."""

    def __init__(self, name: str, origins: Mapping[str, str]) -> None:
        self.name, self._origins = name, origins
        self.problems: list[AmpFileError] = []

    def add(
        self, part: str, problem: str, fix: str, near: Iterable[str] = (), *,
        code: str, key: str = "", word: str | None = None,
    ) -> None:  # fmt: skip
        """Keep one problem; `part` is a designator, 'V1.a', '[amp]' or a node; see `InputError`."""
        path = part.strip("[]")
        places = (self._origins.get(one) for one in (f"{path}.{key}", path, path.split(".")[0]))
        where = next((one for one in places if one), self.name)
        fix = _in_a_cell(fix, key, where.partition(", column ")[2]) if ", row " in where else fix
        self.problems.append(
            AmpFileError(problem, where=where, part=part, fix=fix, near=near, code=code, key=key, word=word)
        )

    def add_error(self, part: str, key: str, error: InputError) -> None:
        """Keep what the reading of one field had to say."""
        self.add(
            part, f"{key} {error.problem}", error.fix, error.near, code=error.code, key=key, word=error.word
        )


def _in_a_cell(fix: str, key: str, column: str) -> str:
    """A fix in the words of a parts list: no brackets and quotation marks, the column where it is known."""
    plain = re.sub(r'\[("[^\]]*|\.\.|…)\]', r"\1", fix).replace('"', "")
    if column in ("", "nodes", "more"):
        return (
            f"{plain} in the column {column}"
            if column and re.match(r"(Add|Write) .* = |Write it like", plain)
            else plain
        )
    if plain.startswith(f"Add {key} = …"):
        return f"Fill in the column {column}"
    return plain.replace(f"{key} = ", "")


def read_fields(
    kind: type, table: Mapping[str, Any], part: str, findings: Findings, extra: Iterable[str] = ()
) -> dict[str, Any] | None:
    """Values of one table by attribute name, or None where something was wrong with it."""
    specs = {spec.key: spec for spec in fields_of(kind)}
    count = len(findings.problems)
    table = _with_nodes(kind, table)
    for key in table:
        if key not in specs and key not in extra:
            _unknown_key(key, table[key], [*specs, *extra], part, findings)
    values: dict[str, Any] = {}
    for key, spec in specs.items():
        if key in table:
            try:
                values[spec.name] = spec.form.read(table[key])
            except InputError as error:
                findings.add_error(part, key, error)
        elif spec.required:
            fix = f"Add {key} = … to {part}"
            findings.add(part, f"{key} is missing", fix, code=MISSING, key=key)
    return values if len(findings.problems) == count else None


def _with_nodes(kind: type, table: Mapping[str, Any]) -> Mapping[str, Any]:
    """The table with its `nodes`, also where each end has its own line (anode, cathode)."""
    ends = getattr(kind, "lead_words", ())
    if not ends or "nodes" in table or not all(isinstance(table.get(end), str) for end in ends):
        return table
    rest = {key: value for key, value in table.items() if key not in ends}
    return {**rest, "nodes": [table[end] for end in ends]}


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


def _unknown_key(key: str, value: object, known: list[str], part: str, findings: Findings) -> None:
    what = "heading" if isinstance(value, dict) else "line"
    name = key if len(key) <= 40 else key[:40] + "…"
    fix = f"Take the {what} out, or write one of: {', '.join(one for one in known if one != 'removed')}"
    if part == "[amp]" and what == "heading" and key[:1].isupper():
        fix = "Write a line [parts] above the first part"
    near = near_matches(name, known)
    findings.add(part, f"'{name}' is not known here", fix, near, code="unknown_key", key=key, word=name)
