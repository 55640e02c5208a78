"""What the check says of a part, in the words of the form: what is wrong, and what is only not there yet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tubekit.amp.findings import MISSING
from tubekit.errors import AmpFileError

WRONG, OPEN, BLANK = "wrong", "open", "blank"
"""To mend; a node that nothing else joins yet; a box that is still empty."""

LOOSE = "Nothing else connects to node"

_NOT_THERE_YET = {
    "joined_once", "no_dc_path", "no_rectifier", "no_mains_plug", "no_ground", "no_b_plus",
    "mains_not_reached", "no_parts", "sections_left_out", "heater_not_reached",
}  # fmt: skip
"""What a drawing lacks while it is still being entered."""
_FIXES = {
    "no_heading": "Fill in the heading above",
    "no_parts": "Add the first part",
    "designator": "Write class letter and number, e.g. R14",
    "no_rectifier": "Add the rectifier: a tube, or diodes",
    "no_resistance": "Unplug and discharge the amp, measure this, and fill in the ohms",
    "unknown_tube": "Choose a type from the list. To add a type from its data sheet, use the command 'fit'",
    "no_mains_plug": "Add the line plug (kind: mains plug)",
    "no_ground": "Enter the chassis as 'ground'",
    "no_primary": "Add the primary: what its leads connect to, volts or turns, and resistance",
    "no_secondary": "Add a winding: secondary, high voltage, heater …",
    "inductance_misplaced": "Move it to the primary",
    "sections_left_out": "Enter the other half too, or choose which half is unused",
    "kind_untold": "Choose the kind",
}
"""How to mend it in the form, where that is not how it is mended in a file."""
NAMES = {
    "nodes": "connections",
    "value": "value",
    "type": "type",
    "resistance": "ohms",
    "design_mains": "design line",
}


@dataclass(frozen=True)
class Complaint:
    """One thing to do about a part.

    `key` is the box it concerns ('' where it concerns none), `section` the section or winding, `word` what
    was entered there and `near` what could have been meant by it; `is_loose` marks a node that only one
    part joins so far.
    """

    grade: str
    words: str
    key: str = ""
    section: str = ""
    word: str = ""
    near: tuple[str, ...] = ()
    is_loose: bool = False

    def __str__(self) -> str:
        return self.words or f"{self.box} to fill in"

    @property
    def box(self) -> str:
        """The box it concerns, as the form names it."""
        return f"{self.section} {NAMES.get(self.key, self.key)}".replace("_", " ").strip()


def complaints(problems: Iterable[AmpFileError]) -> list[Complaint]:
    """Problems of one part in the words of the form, what is wrong before what is not there yet."""
    found = [_one(problem) for problem in problems]
    return sorted(found, key=lambda one: (WRONG, OPEN, BLANK).index(one.grade))


def in_short(found: list[Complaint]) -> str:
    """The same in one line for a list of parts.

    Examples
    --------
    >>> in_short([Complaint(BLANK, "", "value"), Complaint(BLANK, "", "nodes")])
    'to fill in: value, connections'
    """
    wrong = [str(one) for one in found if one.grade == WRONG]
    if wrong:
        return wrong[0] + (f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else "")
    blank = list(dict.fromkeys(one.box for one in found if one.grade == BLANK))
    if blank:
        return f"to fill in: {', '.join(blank)}"
    nodes = ", ".join(sorted(one.word for one in found if one.is_loose))
    if nodes:
        return f"nothing else connects to {nodes} yet"
    return f"not connected: {found[0]}" if found else ""


def _one(problem: AmpFileError) -> Complaint:
    section, key, word = problem.part.partition(".")[2], problem.key, problem.word
    unlisted = problem.code == "count" and key in ("nodes", "plates", "heater")
    if problem.code == MISSING or word == "" or unlisted:
        return Complaint(BLANK, "", key, section)
    near = tuple(one for one in problem.near if one != word)
    if problem.code == "joined_once":
        return Complaint(OPEN, f"{LOOSE} '{word}' yet", "", section, word or "", near, is_loose=True)
    owner = f"{section.replace('_', ' ')}: " if section else ""
    fix = _FIXES.get(problem.code, problem.fix)
    words = ". ".join(part for part in (f"{owner}{problem.problem}", fix) if part)
    if problem.code in _NOT_THERE_YET:
        return Complaint(OPEN, f"{words}.", "", section, word or "", near)
    return Complaint(WRONG, f"{words}.", key, section, word or "", near)
