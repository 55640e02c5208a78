"""One part in the form: its boxes, what is to be mended about it, and what could have been meant."""

from __future__ import annotations

import html
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import ipywidgets as widgets

from tubekit.amp.findings import MISSING
from tubekit.amp.parts.transformers import Transformer
from tubekit.errors import AmpFileError
from tubekit.panels import layout
from tubekit.panels.form import suggest
from tubekit.panels.form.boxes import Boxes, Entry, entries, winding_entries
from tubekit.panels.form.desk import Desk
from tubekit.panels.form.draft import Draft, Path_, kind_of
from tubekit.panels.form.windings import WindingBoxes
from tubekit.panels.layout import button
from tubekit.panels.markup import paragraph

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


NEAR_SHOWN, MOST_NEAR = 4, 8
"""Names offered for one word, and for all; with more loose nodes than names the drawing is not done yet."""
SIGNS = {WRONG: "Fix", OPEN: "Not connected", BLANK: "To fill in"}


class Editor(layout.Field):
    """The boxes of one part; built anew only where another part, type or number of boxes asks for it."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self.part = desk, ""
        self._shape: tuple[Any, ...] | None = None
        self.windings = WindingBoxes(desk, lambda: self.show(self.part))
        full = widgets.Layout(width="100%")
        self.title, self.findings = widgets.HTML(layout=full), widgets.HTML(layout=full)
        self.name = layout.entry("name", "Designator of this part")
        self.near = widgets.HBox([], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
        self.place = widgets.VBox([], layout=full)
        self.more = widgets.Accordion([widgets.VBox([])], titles=("Advanced",), selected_index=None)
        self.boxes: list[Boxes] = []
        super().__init__(self.title, self.findings, self.near, self.place, self.more)
        self.listen(self.name, self._renamed)

    def show(self, part: str) -> None:
        """The boxes of a part as the draft has it; '' for none."""
        draft = self._desk.draft
        part = part if part in draft.parts else ""
        shape = self._shape_of(draft, part)
        if shape != self._shape:
            self.part, self._shape = part, shape
            self._build(draft, part)
        else:
            for each in self.boxes:
                each.show(draft)
        with self.quietly():
            self.name.value = part
        self._complain(draft, part)

    def focus(self) -> None:
        """Put the cursor into the first box."""
        first = next((box for each in self.boxes for box in each.inputs.values()), None)
        if first is not None:
            first.focus()

    # ---- building

    def _shape_of(self, draft: Draft, part: str) -> tuple[Any, ...]:
        """Everything that decides which boxes there are."""
        if not part:
            return ()
        table, kind = draft.parts[part], kind_of(part, draft.parts[part])
        if kind is not None and issubclass(kind, Transformer):
            return (part, kind.kind, self.windings.shape(part))
        return (part, tuple((one.path, one.label) for one in entries(part, table)))

    def _build(self, draft: Draft, part: str) -> None:
        self.boxes, rows = [], [self.name]
        if not part:
            self.place.children, self.more.layout.display = (), "none"
            return
        table, kind = draft.parts[part], kind_of(part, draft.parts[part])
        found = entries(part, table)
        usual, later = [one for one in found if not one.later], [one for one in found if one.later]
        if kind is not None and issubclass(kind, Transformer):
            made, self.boxes = self.windings.made(kind)
            rows += made
            name = self.windings.winding
            later = [one for one in winding_entries(kind, name, table.get(name, {})) if one.later] + later
        self.boxes.append(Boxes(usual, (part,), draft, self._desk.put))
        rows.append(self.boxes[-1])
        if later:
            self.boxes.append(Boxes(later, (part,), draft, self._desk.put))
            self.more.children[0].children = [self.boxes[-1]]
        self.more.layout.display = "" if later else "none"
        self.place.children = rows

    def _renamed(self, new: str) -> None:
        if self.part and new.strip() != self.part:
            self._desk.rename(new.strip())

    # ---- what is said of it

    def _complain(self, draft: Draft, part: str) -> None:
        if not part:
            self.title.value = "<p>Add a part, or click one in the list.</p>"
            self.findings.value, self.near.children = "", ()
            return
        found = complaints(draft.complaints.get(part, ()))
        self.title.value = layout.rule(html.escape(f"{part}, {draft.kind(part)}")).value
        said = "".join(_said(grade, found) for grade in (WRONG, OPEN, BLANK))
        other = suggest.carried(draft, part)
        if other and any(one.key == "value" and one.grade == BLANK for one in found):
            said += paragraph(f"Values are copied from {other}: change what differs on this part.", "role")
        self.findings.value = said
        self.near.children = self._nears(found)
        for each in self.boxes:
            each.mark(lambda path, entry, value: any(_concerns(one, path, entry, value) for one in found))

    def _nears(self, found: list[Complaint]) -> list[Any]:
        """Buttons that put what may have been meant."""
        few = sum(one.is_loose for one in complaints(self._desk.draft.problems)) <= NEAR_SHOWN
        made = []
        for one in [each for each in found if each.near and (few or not each.is_loose)]:
            for path in self._where(one):
                made += [self._near(path, one.word, name) for name in one.near[:NEAR_SHOWN]]
        loose = [one.word for one in found if one.is_loose and few]
        return made[:MOST_NEAR] + [self._stays_open(node) for node in loose]

    def _stays_open(self, node: str) -> Any:
        tip = f"Leave {node} unconnected on purpose (an unused tap or contact)"
        return button(
            f"{node} unused", tip, lambda: self._desk.take(self._desk.draft.left_open(node), self.part)
        )

    def _near(self, path: Path_, word: str, name: str) -> Any:
        return button(f"{word} → {name}", f"Replace {word} with {name}", lambda: self._desk.put(path, name))

    def _where(self, one: Complaint) -> list[Path_]:
        """The first box in which the word of a complaint stands."""
        found = [path for each in self.boxes for path in each.entries]
        return [path for path in found if one.word and self._desk.draft.get(path) == one.word][:1]


def _concerns(one: Complaint, path: Path_, entry: Entry, value: str) -> bool:
    if one.grade != WRONG:
        return False
    if one.word and value == one.word:
        return True
    return one.key == entry.key and (not one.section or one.section in path)


def _said(grade: str, found: list[Complaint]) -> str:
    these = [one for one in found if one.grade == grade]
    if not these:
        return ""
    if grade == BLANK:
        fields = list(dict.fromkeys(one.box for one in these))
        return paragraph(f"{SIGNS[grade]}: {', '.join(fields)}.", "role")
    nodes = ", ".join(sorted(one.word for one in these if one.is_loose))
    # What has no path for want of these nodes' other parts need not be told beside.
    lines = [f"nothing else connects to {nodes} yet."] if nodes else [str(one) for one in these]
    kind = "complaint" if grade == WRONG else "role"
    return "".join(paragraph(f"{SIGNS[grade]}: {words}", kind) for words in lines)
