"""'Describe your own amp': a parts list filled in by hand, checked at every entry, saved as an amp file."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.errors import ChangeError, RecordError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting, amp_options
from tubekit.panels.drawing_panel import DrawingFold
from tubekit.panels.export_files import saved_html, write_new
from tubekit.panels.form import suggest
from tubekit.panels.form.boxes import ABOUT, HEADING, NODE, Boxes, Entry
from tubekit.panels.form.desk import KeptDraft
from tubekit.panels.form.draft import Draft, Path_, letter_of, sound, with_nodes
from tubekit.panels.form.editor import WRONG, Editor, complaints
from tubekit.panels.form.parts_list import EMPTY, KINDS, PartList
from tubekit.panels.layout import button
from tubekit.panels.panel import Panel
from tubekit.panels.report_html import idle_html
from tubekit.panels.trial import History

HEADING_COLUMNS, HEADING_LABEL = "repeat(auto-fit, minmax(200px, 1fr))", "84px"
FULL = {"width": "100%"}
ITS_OWN = ("role", "note", "heater")
"""What a further part like another one does not take over from it; nodes neither."""
NOT_SOLVED = "<p>When there are no errors left, <em>Solve</em> shows the idle voltages here.</p>"


@dataclass(frozen=True, eq=False)
class Sheet:
    """One state of the desk: the draft, and the part that is being worked on."""

    draft: Draft
    part: str = ""


class AmpForm(Panel):
    """The form as a widget. All a hand can do on it can be done by program too.

    `draft` is what was entered, `part` the part on the desk, `amp` the amp once the check has nothing to say,
    `report` its idle state once it was solved, `saved` the file written last. With `keep` what is being
    entered is also kept in a file.
    """

    def __init__(
        self, begun: str | Path | Draft | None = None, folder: Path | None = None, *, keep: bool = True
    ) -> None:
        first = begun if isinstance(begun, Draft) else Draft.empty() if begun is None else Draft.begun(begun)
        self.folder, self.sheet, self.first = folder, Sheet(first), first
        self.history = History(self.sheet)
        self.kept = KeptDraft(folder) if keep else None
        self.report: AmpReport | None = None
        self.solved_of: Draft | None = None
        self.saved: Path | None = None
        self.schematic: DrawingFold | None = None
        self.drawing_place = widgets.VBox([])
        self._make_widgets()
        self.editor, self.list = Editor(self), PartList(self.select)
        widgets.VBox.__init__(self, self._arranged())
        self.show()

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
        """Add a part of a kind of `KINDS` under the next free designator, and return that.

        Raises
        ------
        ChangeError : no such kind.
        """
        if what not in KINDS:
            raise ChangeError("there is no such kind of part", part=what, near=near_matches(what, KINDS))
        letter, kind = KINDS[what]
        name = self.draft.next_designator(letter)
        self.take(self.draft.added(letter, suggest.new_part(self.draft, kind, letter)), name)
        self.editor.focus()
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
        self.editor.focus()
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
        """Work out the idle state and show it below; None, with the reason said, where there is none."""
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
        self.answer.value = idle_html(self.report)
        self.answer.remove_class("tubekit-gray")
        if self.schematic is None:
            self.schematic = DrawingFold(self.report)
            self.drawing_place.children = [self.schematic]
        self.schematic.show(self.report)
        return self.report

    def save(self, *, short: bool | None = None) -> Path | None:
        """Write the amp file beside the notebook under the next free name, finished or not, and say where.

        With `short` (as ticked, when not given) the file extends the amp it began with and states only what
        differs, where that can be.
        """
        short = bool(self.short.value) if short is None else short
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
        self.said.value = saved_html(self.saved, self.saved.read_bytes())
        self._fill_begin()
        return self.saved

    # ---- what is seen of it

    def complain(self, words: str) -> None:
        """Say above the form what could not be done."""
        self.complaint.value = layout.complaint_html(words)

    def show(self) -> None:
        """Bring everything in step with the draft."""
        draft = self.draft
        self.complain("")
        self.heading.show(draft)
        self.about.show(draft)
        of_heading = complaints(draft.complaints.get("amp", ()))
        wrong = {one.key for one in of_heading if one.grade == WRONG}
        self.heading.mark(lambda _, entry, __: entry.key in wrong)
        self.editor.show(self.part)
        self.part_buttons.layout.display = "" if self.part else "none"
        self.list.show(draft, self.part)
        self._show_ports()
        self.solve_button.disabled = draft.amp is None
        self.short.layout.display = "" if draft.base else "none"
        self.show_history()
        if self.solved_of is not None and self.solved_of is not draft:
            self.answer.add_class("tubekit-gray")
            if self.schematic is not None:
                self.schematic.gray_out()

    # ---- how it is made

    def _make_widgets(self) -> None:
        full = widgets.Layout(width="100%")
        self.buttons = layout.buttons(undo=self.undo, redo=self.redo, reset=self.reset)
        self.solve_button = button("Solve", "Calculate the idle voltages of this amp", self.solve)
        self.save_button = button(
            "Save as amp file", "Save the amp in the notebook's folder; no file is overwritten", self.save
        )
        self.go_on_button = button(
            "Resume", "Restore what was entered before the notebook was closed", self.go_on
        )
        left = self.kept is not None and self.kept.is_there
        self.go_on_button.layout.display = "" if left else "none"
        self.said, self.complaint = widgets.HTML(), widgets.HTML(layout=full)
        self.answer = widgets.HTML(NOT_SOLVED, layout=full)
        tip, room = "Start from an empty form, a demo amp, or one of your amp files", "0 1 420px"
        self.start = layout.described(
            widgets.Dropdown, "start from", tip, wide=HEADING_LABEL, room={**layout.FULL, "flex": room}
        )
        self.short = layout.tick(
            "save only the differences", "The amp file then refers to the amp you started from"
        )
        self._fill_begin()
        self.heading = Boxes(
            HEADING, ("amp",), self.draft, self.put, columns=HEADING_COLUMNS, label=HEADING_LABEL
        )
        self.about = Boxes(ABOUT, ("amp",), self.draft, self.put, label=HEADING_LABEL)
        self.about_fold = widgets.Accordion([self.about], titles=("Maker and history",), selected_index=None)
        tip = "Choose the kind of part to add"
        self.kinds = layout.described(widgets.Dropdown, "kind", tip, options=list(KINDS))
        self.kinds.layout.flex = "1 1 auto"
        titles = [(one.title, one.name) for one in suggest.stages()]
        tip = "Choose a ready-made stage"
        self.stages = layout.described(widgets.Dropdown, "stage", tip, options=titles)
        self.stage_words, self.ports_place = widgets.HTML(layout=full), widgets.VBox([])
        self.stages.observe(lambda _: self._show_ports(), "value")

    def _fill_begin(self) -> None:
        was, options = self.start.value, [(EMPTY, EMPTY), *amp_options(self.folder)]
        self.start.options = options
        self.start.value = was if was in [value for _, value in options] else EMPTY

    def _arranged(self) -> list[widgets.Widget]:
        tools = layout.tools(self.buttons, self.solve_button, self.save_button, self.go_on_button, self.said)
        begin = button("Start", "Start from this; Undo restores what was there", self._begin)
        row = layout.across(self.start, begin, self.short)
        head = widgets.HBox(
            [widgets.VBox([layout.rule("The amp"), row, self.heading, self.about_fold], layout=FULL)]
        )
        columns = widgets.HBox([self._left(), self._right()], layout=widgets.Layout(flex_flow="row wrap"))
        columns.add_class("tubekit-form")
        return [*layout.page(tools, self.complaint, head, columns, self.answer), self.drawing_place]

    def _left(self) -> widgets.VBox:
        add = button("Add", "Add a part of this kind", lambda: self.add(self.kinds.value))
        put = button(
            "Insert stage", "Add the parts of this stage; change them afterwards as needed", self._put_stage
        )
        stage = widgets.VBox([self.stages, self.stage_words, self.ports_place, put])
        self.stage_fold = widgets.Accordion([stage], titles=("Add a ready-made stage",), selected_index=None)
        self.part_buttons = widgets.HBox(
            [
                button("Duplicate", "Add another part of the same kind and value", self.another),
                button("Remove", "Remove this part; Undo restores it", self.remove),
            ]
        )
        rows = [widgets.HBox([self.kinds, add]), self.stage_fold, self.editor, self.part_buttons]
        wide = widgets.Layout(flex="1 1 440px", min_width="380px")
        return widgets.VBox([layout.rule("Add a part"), *rows], layout=wide)

    def _right(self) -> widgets.VBox:
        wide = widgets.Layout(flex="1 1 440px", min_width="380px")
        return widgets.VBox([layout.rule("Parts list"), self.list], layout=wide)

    def _begin(self) -> None:
        try:
            self.begin(self.start.value)
        except TubekitError as error:
            self.complain(f"Your entries are unchanged: {error}")

    def _put_stage(self) -> None:
        ports: dict[str, Any] = {
            str(path[-1]): str(box.value).strip() for path, box in self.ports.inputs.items()
        }
        self.stage(self.stages.value, ports)

    def _show_ports(self) -> None:
        one = suggest.stage(self.stages.value)
        found = [Entry((port,), words, NODE) for port, words in one.ports.items()]
        likely = Draft({"ports": suggest.suggested_ports(self.draft, one)})
        if list(found) != list(getattr(self, "ports_found", ())):
            self.ports_found = found
            self.ports = Boxes(
                found, ("ports",), likely, lambda *_: None, columns="minmax(0, 1fr)", label="250px"
            )
            self.ports_place.children = [self.ports]
            self.stage_words.value = f"<p class='tubekit-role'>{html.escape(one.words)}. Connected to:</p>"
        self.ports.show(likely)
        for box in self.ports.inputs.values():
            box.options = self.draft.nodes


def _with_electrodes(draft: Draft, designator: str) -> Draft:
    """Names for the electrodes of a tube whose type is known now."""
    if designator not in draft.parts or letter_of(designator) != "V":
        return draft
    return draft.with_parts({designator: suggest.electrodes(draft, designator)})


def amp_form(begun: str | Path | None = None, folder: Path | None = None, *, keep: bool = True) -> AmpForm:
    """The form that describes an amp of one's own.

    Parameters
    ----------
    begun
        Demo amp or amp file to begin with a copy of; an empty sheet when not given.
    folder
        Where files go; the notebook's when not given.
    keep
        Keep what is being entered in a file, so that a closed notebook loses nothing.

    Returns
    -------
    AmpForm
        Shows itself as the last line of a cell.

    Raises
    ------
    AmpFileError
        No such file, or not TOML.

    Examples
    --------
    >>> form = amp_form("vetch", keep=False)
    >>> form.put(("R9", "value"), "33O")
    >>> form.amp is None, form.draft.complaints["R9"][0].problem
    (True, "value '33O' is not a resistance")
    """
    return AmpForm(begun, folder, keep=keep)
