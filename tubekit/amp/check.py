"""An amp file held against itself: is every part whole, and does the drawing hang together?

Every problem is found and told at once; what is only worth a look becomes a note of the amp.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from tubekit.amp import wiring
from tubekit.amp.fields import as_text
from tubekit.amp.findings import Findings, Heading, TestPoint, read_fields, touched
from tubekit.amp.make import make_part
from tubekit.amp.parts import GROUND, Part
from tubekit.amp.read import Sheet
from tubekit.amp.wiring import with_halves
from tubekit.errors import AmpFileError, Note, near_matches

OTHERS_TOLD = 25
NOT_PARTS = ("amp", "test_points")
GROUND_TOO = {"gnd", "0", "earth", "chassis", "masse", "gnd.", "ground."}


class AmpFileProblems(AmpFileError):
    """The first problem of a file, with all others in `problems` and in the text."""

    def __init__(self, problem: str, *, others: Iterable[AmpFileError] = (), **place: Any) -> None:
        self.others = tuple(others)
        super().__init__(problem, **place)

    @property
    def problems(self) -> tuple[AmpFileError, ...]:
        """Every problem, the first one first."""
        return (AmpFileError.of(self), *self.others)

    def placed(self, *, where: str = "", part: str = "") -> AmpFileProblems:
        """The same with the place of the first problem filled in where it had none."""
        first = AmpFileError.of(self).placed(where=where, part=part)
        return self.of(first, others=self.others)

    def _message(self) -> str:
        others = [str(one) for one in self.others]
        if not others:
            return super()._message()
        text = "".join(f"\n  - {one}" for one in others[:OTHERS_TOLD])
        rest = f"\n  - and {len(others) - OTHERS_TOLD} more" if len(others) > OTHERS_TOLD else ""
        return f"{super()._message()}\n{len(others)} more errors:{text}{rest}"


@dataclass(frozen=True, eq=False)
class CheckedDrawing:
    """A checked amp file: heading, parts in drawn order, test points, and what is worth a look."""

    heading: Heading
    parts: Mapping[str, Part]
    test_points: Mapping[str, TestPoint]
    notes: tuple[Note, ...]


def checked(sheet: Sheet) -> CheckedDrawing:
    """The drawing in an amp file.

    Raises
    ------
    AmpFileProblems : (an AmpFileError) the first problem, with every other one in its text.
    """
    findings = Findings(sheet.source.name, sheet.origins)
    heading = _heading(sheet.tables.get("amp"), findings)
    drawn = {name: table for name, table in sheet.tables.items() if name not in NOT_PARTS}
    made = {name: make_part(name, table, findings) for name, table in drawn.items()}
    parts = with_halves({name: part for name, part in made.items() if part is not None})
    unread = [table for name, table in drawn.items() if made[name] is None]
    names = {node for part in parts.values() for node in part.nodes}
    points = _test_points(sheet.tables.get("test_points", {}), names, unread, findings)
    for part in parts.values():
        wiring.joins_itself(part, findings)
        wiring.plausible(part, findings)
    _node_names(parts, findings)
    _joined_once(parts, unread, heading, findings)
    if not drawn:
        fix = "Write a line (in a list, a row) for each part: designator, value, and what it connects to"
        findings.add("", "there are no parts in the file", fix, code="no_parts")
    elif not unread:  # with a part missing these would only echo what was said already
        wiring.check_paths(parts, findings)
    if heading is None or findings.problems:
        first, *others = findings.problems
        raise AmpFileProblems.of(first, others=others)
    return CheckedDrawing(heading, parts, points, tuple(wiring.notes(parts)))


def _heading(table: Any, findings: Findings) -> Heading | None:
    if not isinstance(table, dict):
        fix = "Write [amp], and below it title, design_mains and mains_frequency"
        problem = "is missing" if table is None else f"is {as_text(table)}, but must be a heading"
        findings.add("[amp]", problem, fix, code="no_heading")
        return None
    values = read_fields(Heading, table, "[amp]", findings, ("extends",))
    return None if values is None else Heading(**values)


def _test_points(tables: Any, names: set[str], unread: list[Any], findings: Findings) -> dict[str, TestPoint]:
    points: dict[str, TestPoint] = {}
    if not isinstance(tables, dict):
        findings.add(
            "test_points",
            f"is {as_text(tables)}, but must be a heading for each test point",
            "Write [test_points.TP1], and below it node and volts",
            code="no_table",
        )
        return points
    known = names | set(touched(unread))
    for name, table in tables.items():
        part = f"test_points.{name}"
        if not isinstance(table, dict):
            findings.add(
                part,
                f"is {as_text(table)}, but must be a heading",
                f"Write [{part}], and below it node and volts",
                code="no_table",
            )
            continue
        values = read_fields(TestPoint, table, part, findings)
        if values is None:
            continue
        for node in values["nodes"]:
            if node not in known:
                fix = "Write a connection that is on the schematic"
                near = near_matches(node, names)
                findings.add(part, f"no part connects to '{node}'", fix, near, code="unknown_node", word=node)
        points[name] = TestPoint(name=name, **values)
    return points


def _node_names(parts: Mapping[str, Part], findings: Findings) -> None:
    first = {node: part for part in reversed(list(parts.values())) for node in part.nodes}
    spelled: dict[str, str] = {}
    for node, part in first.items():
        if node.lower() in GROUND_TOO:
            problem, fix = f"'{node}' looks like ground", f"Write '{GROUND}' instead"
            findings.add(part.designator, problem, fix, code="ground_name", word=node)
        other = spelled.setdefault(node.lower(), node)
        if other != node:
            problem = f"'{node}' and '{other}' differ only in capitals"
            fix = "Spell them the same if they are one connection; if not, rename one"
            findings.add(part.designator, problem, fix, code="capitals", key="nodes", word=node)


def _joined_once(
    parts: Mapping[str, Part], unread: list[Any], heading: Heading | None, findings: Findings
) -> None:
    """A node that only one part touches is a slip of the pen (test points do not count)."""
    left_open = set(heading.left_open) if heading else set()
    elsewhere = set(touched(unread))
    names = {node for part in parts.values() for node in part.nodes} | elsewhere
    for node, designator in wiring.loose_nodes(parts).items():
        if node not in left_open | elsewhere:
            findings.add(
                designator,
                f"no other part connects to '{node}'",
                "Correct the name, enter the part it goes to, or list it in left_open under [amp]",
                [one for one in near_matches(node, names, 4) if one != node][:3],
                code="joined_once",
                word=node,
            )
    if parts and GROUND not in names:
        fix = f"Write '{GROUND}' for every connection to the chassis"
        findings.add("[amp]", f"no part connects to '{GROUND}'", fix, code="no_ground")
    for node in left_open - names:
        problem = f"left_open lists '{node}', but no part connects to it"
        near = near_matches(node, names)
        findings.add("[amp]", problem, "Take it out", near, code="unknown_node", key="left_open", word=node)
