"""Everything that can be done to a draft on the desk, by hand or by program."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, AmpReport, analyze, parts
from tubekit.errors import ChangeError, RecordError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting
from tubekit.panels.export_files import write_new
from tubekit.panels.form import suggest
from tubekit.panels.form.desk import KeptDraft
from tubekit.panels.form.draft import GENERAL, Draft, Path_, letter_of, nodes_in, sound, with_nodes
from tubekit.panels.form.editor import BLANK, OPEN, WRONG, complaints, in_short
from tubekit.panels.markup import paragraph
from tubekit.panels.panel import Panel
from tubekit.panels.trial import History

EMPTY = "an empty form"
BY_TYPE = {one for one in parts.KINDS if issubclass(one, parts.Tube)} - {parts.Tube}
KINDS = {one.bench or one.kind: (one.letters[0], one.kind) for one in parts.KINDS if one not in BY_TYPE}
"""What can be added, in the words of the bench: class letter and kind."""
ITS_OWN = ("role", "note", "heater")
"""What a further part like another one does not take over from it; nodes neither."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """One state of the desk: the draft, and the part that is being worked on."""

    draft: Draft
    part: str = ""


class Entering(Panel):
    """A draft being entered. `report` is the idle state once it was solved, `saved` the file written last."""

    def __init__(self, begun: str | Path | Draft | None, folder: Path | None, *, keep: bool) -> None:
        first = begun if isinstance(begun, Draft) else Draft.empty() if begun is None else Draft.begun(begun)
        self.folder, self.sheet, self.first = folder, Sheet(first), first
        self.history = History(self.sheet)
        self.kept = KeptDraft(folder) if keep else None
        self.report: AmpReport | None = None
        self.solved_of: Draft | None = None
        self.saved: Path | None = None

    @abstractmethod
    def show(self) -> None:
        """Bring what is seen in step with the draft."""

    @abstractmethod
    def complain(self, words: str) -> None:
        """Say what could not be done; '' takes it away."""

    # ---- what a program asks

    @property
    def draft(self) -> Draft:
        """Everything entered."""
        return self.sheet.draft

    @property
    def part(self) -> str:
        """The part on the desk, '' for none."""
        return self.sheet.part

    @property
    def amp(self) -> Amp | None:
        """The amp, once the check has nothing to say."""
        return self.draft.amp

    # ---- entering

    def take(self, draft: Draft, part: str | None = None) -> None:
        """Take a whole draft on; one step of undo."""
        if self.kept is not None:
            self.kept.keep(draft)
        self.ask(Sheet(draft, self.part if part is None else part))

    def begin(self, name_or_path: str | Path = EMPTY) -> None:
        """Begin with a copy of an amp, or with an empty sheet; undo brings back what was there.

        Raises
        ------
        AmpFileError : no such file, or not TOML; what was entered stays.
        """
        mains = str(self.draft.heading.get("design_mains", "120 V"))
        self.take(Draft.empty(mains=mains) if name_or_path == EMPTY else Draft.begun(name_or_path), "")

    def add(self, what: str) -> str:
        """Add a part of a kind of `KINDS` under the next free designator; returns that.

        Raises
        ------
        ChangeError : no such kind.
        """
        if what not in KINDS:
            raise ChangeError("there is no such kind of part", part=what, near=near_matches(what, KINDS))
        letter, kind = KINDS[what]
        name = self.draft.next_designator(letter)
        self.take(self.draft.added(letter, suggest.new_part(self.draft, kind, letter)), name)
        return name

    def another(self) -> str:
        """One more like the part on the desk, without its nodes and role; returns its designator."""
        if not self.part:
            return ""
        table, letter = self.draft.parts[self.part], letter_of(self.part)
        name = self.draft.next_designator(letter)
        placed = with_nodes(self.part, table, lambda _: "")
        alike = {key: one for key, one in table.items() if key not in ITS_OWN and placed[key] == one}
        draft = self.draft.added(
            letter, {key: one for key, one in alike.items() if not isinstance(one, dict)}
        )
        self.take(_with_electrodes(draft, name), name)
        return name

    def remove(self) -> None:
        """Take the part on the desk out."""
        if self.part:
            self.take(self.draft.without(self.part), "")

    def stage(self, name: str, ports: Mapping[str, str] | None = None) -> None:
        """Put a ready stage in, joined at its ports as told or as is likely.

        Raises
        ------
        ChangeError : no such stage or port.
        """
        self.take(suggest.put_in(self.draft, suggest.stage(name), ports), self.part)

    def put(self, path: Path_, value: Any) -> None:
        """Enter a value at a path such as ('R1', 'value') or ('V1', 'a', 'plate'); nothing is refused."""
        draft, owner = self.draft.put(path, value), str(path[0])
        if path[-1] == "unused" and value:
            draft = draft.put((owner, value), None)
        self.take(_with_electrodes(draft, owner) if path[-1] in ("type", "unused") else draft)

    def rename(self, new: str) -> None:
        """Give the part on the desk another designator; a taken one is complained about."""
        try:
            self.take(self.draft.renamed(self.part, new), new)
        except TubekitError as error:
            self.show()
            self.complain(str(error))

    def select(self, part: str) -> None:
        """Put a part on the desk."""
        self.ask(Sheet(self.draft, part), record=False)

    def ask(self, sheet: Sheet, *, record: bool = True) -> None:
        """Show a state of the desk; one step of undo."""
        self.sheet = sheet
        if record:
            self.history.push(sheet)
        self.show()

    def reset(self) -> None:
        """As it came; undo brings back what was entered."""
        self.take(self.first, "")

    def go_on(self) -> None:
        """Bring back what was entered before the notebook was closed."""
        try:
            if self.kept is not None:
                self.take(self.kept.read(), "")
        except TubekitError as error:
            self.complain(f"Your entries cannot be read: {error}")

    # ---- what comes of it

    def solve(self) -> AmpReport | None:
        """Work out the idle state; None, with the reason said, where there is none."""
        self.complain("")
        if self.amp is None:
            self.complain("It cannot be solved yet: see the parts list for what is still to do.")
            return None
        try:
            self.report = analyze(self.amp)
        except TubekitError as error:
            self.complain(f"No idle point was found: {error}")
            return None
        self.solved_of = self.draft
        return self.report

    def save(self, *, short: bool = False) -> Path | None:
        """Write the amp file beside the notebook under the next free name, finished or not.

        With `short` the file extends the amp it began with and states only what differs, where that can be.
        """
        folder = self.folder or Path.cwd()
        stem = str(self.draft.heading.get("title") or "my amp").lower()
        stem += "" if self.amp is not None else " unfinished"
        text, difference = self.draft.text(), self.draft.difference() if short else None
        if difference is not None and (self.amp is None or sound(difference, folder)):
            text = difference
        try:
            self.saved = write_new(text.encode(), stem, ".toml", folder)
        except RecordError as error:
            self.complain(f"Nothing was saved: {error}")
            return None
        AmpSetting.look_again_all()
        return self.saved


def _with_electrodes(draft: Draft, designator: str) -> Draft:
    """Names for the electrodes of a tube whose type is known now."""
    if designator not in draft.parts or letter_of(designator) != "V":
        return draft
    return draft.with_parts({designator: suggest.electrodes(draft, designator)})


ALL, TO_DO = "all parts", "only unfinished parts"
GROUPS = {
    "R": "resistors and controls", "C": "capacitors", "V": "tubes", "T": "transformers", "": "other parts",
}  # fmt: skip
MARKS = {WRONG: "✗", OPEN: "○", BLANK: "…", "": "✓"}


class PartList(widgets.VBox):
    """Buttons in drawn order; pressing one chooses that part. They are kept and reused."""

    def __init__(self, on_choice: Callable[[str], None]) -> None:
        self._on_choice = on_choice
        self._pool: list[widgets.Button] = []
        self.names: tuple[str, ...] = ()
        shown = [ALL, TO_DO, *GROUPS.values()]
        self.filter = layout.described(widgets.Dropdown, "show", "Choose which parts to list", options=shown)
        self.summary = widgets.HTML(layout=widgets.Layout(width="100%"))
        self.rows = widgets.VBox([], layout=widgets.Layout(width="100%"))
        self.rows.add_class("tubekit-rows")
        self.general = widgets.HTML(layout=widgets.Layout(width="100%"))
        super().__init__(
            [self.filter, self.summary, self.general, self.rows], layout=widgets.Layout(width="100%")
        )
        self._last: tuple[Draft, str] | None = None
        self.filter.observe(lambda _: self._show_again(), "value")

    def _show_again(self) -> None:
        if self._last is not None:
            self.show(*self._last)

    def show(self, draft: Draft, chosen: str) -> None:
        """The parts of a draft, the chosen one marked."""
        self._last = draft, chosen
        said = {name: complaints(draft.complaints.get(name, ())) for name in draft.parts}
        names = [name for name in draft.parts if self._listed(name, bool(said[name]))]
        while len(self._pool) < len(names):
            self._pool.append(self._button(len(self._pool)))
        for button, name in zip(self._pool, names, strict=False):
            grade = said[name][0].grade if said[name] else ""
            words = f"{MARKS[grade]} {line(draft, name)}"
            short = in_short(said[name])
            words += f"  —  {short}" if short else ""
            if button.description != words:
                button.description = words
                button.tooltip = f"{name}: click to edit"
            (button.add_class if name == chosen else button.remove_class)("tubekit-chosen")
            (button.add_class if grade == WRONG else button.remove_class)("tubekit-wrong")
        if len(names) != len(self.rows.children):
            self.rows.children = self._pool[: len(names)]
        self.names = tuple(names)
        self.general.value = general_html(draft)
        self.summary.value = f"<p class='tubekit-role' role='status'>{summary(draft)}</p>"

    def _listed(self, name: str, to_do: bool) -> bool:
        wanted = self.filter.value
        if wanted in (ALL, TO_DO):
            return wanted == ALL or to_do
        return GROUPS.get(letter_of(name), GROUPS[""]) == wanted

    def _button(self, place: int) -> widgets.Button:
        return layout.button("", "", lambda: self._on_choice(self.names[place]), css="tubekit-chip")


def line(draft: Draft, name: str) -> str:
    """One part in a line.

    Examples
    --------
    >>> line(Draft.begun("teasel"), "R14")
    'R14 · 270 · k34 – ground · common cathode resistor of the output pair'
    """
    table: dict[str, Any] = draft.parts[name]
    what = (
        table.get("value")
        or table.get("type")
        or table.get("rating")
        or table.get("ohms")
        or draft.kind(name)
    )
    nodes = list(dict.fromkeys(nodes_in(name, table)))
    joined = " – ".join(nodes) if len(nodes) <= 4 else f"{', '.join(nodes[:4])} …"
    return " · ".join(part for part in (name, str(what), joined, str(table.get("role", ""))) if part)


def general_html(draft: Draft) -> str:
    """What is to be done about the amp as a whole, and about its heading."""
    problems = [one for place in (GENERAL, "amp") for one in draft.complaints.get(place, ())]
    lines = []
    for one in complaints(problems) if draft.parts else ():
        words = str(one).removesuffix(".")
        said = f"{MARKS[one.grade]} {words[:1].upper() + words[1:]}."
        lines.append(paragraph(said, "complaint" if one.grade == WRONG else "role"))
    return "".join(lines)


def summary(draft: Draft) -> str:
    """How far the draft has come, in a sentence."""
    count = len(draft.parts)
    if not count:
        return "No parts yet."
    parts = f"{count} part{'' if count == 1 else 's'}"
    if not draft.problems:
        return f"{parts}. No errors: ready to solve and save."
    found = complaints(draft.problems)
    loose = sum(one.is_loose for one in found)
    words = (
        (sum(one.grade == WRONG for one in found), "to fix"),
        (sum(one.grade == BLANK for one in found), "to fill in"),
        (loose, "connection with only one part" if loose == 1 else "connections with only one part"),
        (sum(one.grade == OPEN and not one.is_loose for one in found), "still missing"),
    )
    return f"{parts}: {', '.join(f'{number} {what}' for number, what in words if number)}."
