"""Reading the fields of one table: every slip kept with file, designator and fix."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from tubekit.amp.fields import Form, Listed, NodeName, Quantity, Words, fields_of, is_sequence, written
from tubekit.amp.parts.part import PAIR, TOLERANCE
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


_LABELS = {
    "grid_plate": "grid-plate capacitance",
    "grid_cathode": "grid-cathode capacitance",
    "plate_cathode": "plate-cathode capacitance",
    "grid_wiring": "grid wiring",
    "plate_wiring": "plate wiring",
    "winding1": "winding capacitance 1",
    "winding2": "winding capacitance 2",
    "copper": "winding resistance",
    "top": "above the wiper",
    "bottom": "below the wiper",
    "contact": "wiper contact",
    "cone": "cone",
    "mass": "cone mass",
    "stiffness": "cone stiffness",
    "heater": "heater",
}


def part_words(name: str) -> str:
    """A circuit part as a technician would call it.

    Examples
    --------
    >>> part_words("V1a.grid_plate"), part_words("C4"), part_words("V3.heater1_leak")
    ('V1a grid-plate capacitance', 'C4', 'V3 heater1 leak')
    """
    owner, _, label = name.partition(".")
    return f"{owner} {_LABELS.get(label, label.replace('_', ' '))}" if label else owner


MAINS = Quantity("V", 1.0, 600.0)


@dataclass(frozen=True)
class NodeOrPair(Form):
    """One node (volts to ground), or two (volts from the second to the first)."""

    def read(self, raw: object) -> tuple[str, ...]:
        """One or two nodes."""
        if is_sequence(raw):
            pair: tuple[str, ...] = PAIR.read(raw)
            return pair
        return (NodeName().read(raw),)

    def write(self, value: tuple[str, ...]) -> object:
        """A text, or a list of two."""
        return value[0] if len(value) == 1 else list(value)

    def show(self, value: tuple[str, ...]) -> str:
        """Node names."""
        return " to ".join(value)


@dataclass(frozen=True, eq=False, kw_only=True)
class TestPoint:
    """A voltage printed on the drawing: at one node to ground, or between two [V, percent]."""

    __test__ = False  # not a test case, whatever its name looks like to pytest

    name: str
    nodes: tuple[str, ...] = field(metadata=written(NodeOrPair(), "node"))
    volts: float = field(metadata=written(Quantity("V", -1e4, 1e4)))
    tolerance_percent: float | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))
    note: str = field(default="", metadata=written(Words()))


@dataclass(frozen=True, eq=False, kw_only=True)
class Heading:
    """The [amp] table. `mains` is what the amp is run on, the design line voltage where not stated."""

    title: str = field(metadata=written(Words()))
    maker: str = field(default="", metadata=written(Words()))
    town: str = field(default="", metadata=written(Words()))
    year: str = field(default="", metadata=written(Words()))
    story: str = field(default="", metadata=written(Words()))
    design_mains: float = field(metadata=written(MAINS))
    mains_frequency: float = field(metadata=written(Quantity("Hz", 10.0, 1000.0)))
    mains: float | None = field(default=None, metadata=written(MAINS))
    left_open: tuple[str, ...] = field(default=(), metadata=written(Listed(NodeName(), 0, 100)))


def heading_words(heading: Heading) -> dict[str, Any]:
    """The words of a heading, as the fields of an `Amp`."""
    return {name: getattr(heading, name) for name in ("title", "maker", "town", "year", "story", "left_open")}
