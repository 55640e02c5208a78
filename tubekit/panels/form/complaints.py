"""What the check says of a part, in the words of the form: what is wrong, and what is only not there yet."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from tubekit.errors import AmpFileError

WRONG, OPEN, BLANK = "wrong", "open", "blank"
"""To mend; a node that nothing else joins yet; a box that is still empty."""

LOOSE = "Nothing else joins node"

_BLANK = (
    re.compile(r"(?P<key>\w+) is missing$"),
    re.compile(r"(?P<key>\w+) '' is not the name of a node$"),
    re.compile(r"(?P<key>\w+) '' is not "),
    re.compile(r"(?P<key>nodes|plates|heater) is a list of \d+$"),
    re.compile(r"the (?P<key>heater) of .* joins no nodes$"),
    re.compile(r"the (?P<key>screen) of .* is missing$"),
)
_OPEN = re.compile(
    r"is joined only once|has no DC path|there is no (rectifier|mains plug)|no part joins 'ground'"
    r"|has no path to|does not reach|there are no parts|sections of .* drawn$|reaches no winding"
)
"""What a drawing lacks while it is still being entered."""
_FIXES = (
    (re.compile(r"Write a line \w+ = .*"), "Fill it in"),
    (re.compile(r"Correct its name, draw the part it goes to, or list it in left_open of \[amp\]"),
     "Correct its name, or add the part it goes to"),
    (re.compile(r"Write \[amp\] with .*"), "Fill in the heading above"),
    (re.compile(r"Write a table for each part, as \[R1\]"), "Add the first one"),
    (re.compile(r"(Write class letter and number, as R14); the letters are .*"), r"\1"),
    (re.compile(r"Draw the rectifier, as .*"), "Add the rectifier: a tube, or diodes"),
    (re.compile(r"Measure it, unplugged and discharged, and write resistance = \[..\] .*"),
     "Measure it, unplugged and discharged, and fill in the ohms"),
    (re.compile(r"See tube_types\(\) for those there are"), "Choose one from the list"),
    (re.compile(r"Write \[P1\] with .*"), "Add the mains plug"),
    (re.compile(r"Name the chassis node 'ground'"), "The chassis is the node 'ground'"),
    (re.compile(r"\[(\w+)\.(\w+)\]"), r"\1 \2"),
)  # fmt: skip
NAMES = {"nodes": "its ends", "value": "value", "type": "type", "resistance": "ohms", "design_mains": "mains"}


@dataclass(frozen=True)
class Complaint:
    """One thing to do about a part.

    `key` is the box it concerns ('' where it concerns none), `section` the section or winding, `word` what
    was entered there and `near` what could have been meant by it.
    """

    grade: str
    words: str
    key: str = ""
    section: str = ""
    word: str = ""
    near: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.words

    @property
    def is_loose(self) -> bool:
        """A node that only one part joins so far."""
        return self.grade == OPEN and self.words.startswith(LOOSE)


def complaints(problems: Iterable[AmpFileError]) -> list[Complaint]:
    """Problems of one part in the words of the form, what is wrong before what is not there yet."""
    found = [_one(problem) for problem in problems]
    return sorted(found, key=lambda one: (WRONG, OPEN, BLANK).index(one.grade))


def in_short(found: list[Complaint]) -> str:
    """The same in one line for a list of parts.

    Examples
    --------
    >>> in_short([Complaint(BLANK, "", "value"), Complaint(BLANK, "", "nodes")])
    'to fill in: value, its ends'
    """
    wrong = [str(one) for one in found if one.grade == WRONG]
    if wrong:
        return wrong[0] + (f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else "")
    blank = list(dict.fromkeys(_name(one) for one in found if one.grade == BLANK))
    if blank:
        return f"to fill in: {', '.join(blank)}"
    nodes = ", ".join(sorted(one.word for one in found if one.is_loose))
    if nodes:
        return f"nothing else joins {nodes} yet"
    return f"still open: {found[0]}" if found else ""


def _name(one: Complaint) -> str:
    name = NAMES.get(one.key, one.key.replace("_", " "))
    return f"{one.section} {name}".replace("_", " ").strip()


def _one(problem: AmpFileError) -> Complaint:
    section = problem.part.partition(".")[2]
    for pattern in _BLANK:
        blank = pattern.match(problem.problem)
        if blank:
            key = blank["key"]
            return Complaint(BLANK, f"{section} {NAMES.get(key, key)} to fill in".strip(), key, section)
    fix = problem.fix
    for wanted, put in _FIXES:
        fix = wanted.sub(put, fix)
    quoted = re.search(r"'([^']*)'", problem.problem)
    word = quoted[1] if quoted else ""
    near = tuple(one for one in problem.near if one != word)
    if "is joined only once" in problem.problem:
        return Complaint(OPEN, f"{LOOSE} '{word}' yet", "", section, word, near)
    key = re.match(r"\w+", problem.problem)
    owner = f"{section.replace('_', ' ')}: " if section else ""
    words = ". ".join(part for part in (f"{owner}{problem.problem}", fix) if part)
    grade = OPEN if _OPEN.search(problem.problem) else WRONG
    return Complaint(grade, f"{words}.", "" if grade == OPEN else key[0] if key else "", section, word, near)
