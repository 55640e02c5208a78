"""'Describe your own amp': a parts list filled in by hand, checked at every entry, saved as an amp file."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import AmpReport
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_choice import amp_options
from tubekit.panels.drawing_panel import DrawingFold
from tubekit.panels.export_files import saved_html
from tubekit.panels.form import suggest
from tubekit.panels.form.boxes import ABOUT, HEADING, NODE, Boxes, Entry
from tubekit.panels.form.draft import Draft
from tubekit.panels.form.editor import WRONG, Editor, complaints
from tubekit.panels.form.entering import EMPTY, KINDS, Entering, PartList
from tubekit.panels.layout import button
from tubekit.panels.report_html import idle_html

HEADING_COLUMNS, HEADING_LABEL = "repeat(auto-fit, minmax(200px, 1fr))", "84px"
FULL = {"width": "100%"}
NOT_SOLVED = "<p>When there are no errors left, <em>Solve</em> shows the idle voltages here.</p>"


class AmpForm(Entering):
    """The form as a widget. All a hand can do on it can be done by program too.

    `draft` is what was entered, `part` the part on the desk, `amp` the amp once the check has nothing to say,
    `report` its idle state once it was solved. With `keep` what is being entered is also kept in a file.
    """

    def __init__(
        self, begun: str | Path | Draft | None = None, folder: Path | None = None, *, keep: bool = True
    ) -> None:
        Entering.__init__(self, begun, folder, keep=keep)
        self.schematic: DrawingFold | None = None
        self.drawing_place = widgets.VBox([])
        self._make_widgets()
        self.editor, self.list = Editor(self), PartList(self.select)
        widgets.VBox.__init__(self, self._arranged())
        self.show()

    # ---- what is seen of it

    def add(self, what: str) -> str:
        """Add a part, with the cursor in its first box."""
        name = super().add(what)
        self.editor.focus()
        return name

    def another(self) -> str:
        """One more like the part on the desk, with the cursor in its first box."""
        name = super().another()
        self.editor.focus()
        return name

    def solve(self) -> AmpReport | None:
        """Work out the idle state and show it below."""
        report = super().solve()
        if report is not None:
            self.answer.value = idle_html(report)
            self.answer.remove_class("tubekit-gray")
            self._draw(report)
        return report

    def _draw(self, report: AmpReport) -> None:
        """The schematic of what was solved, behind a fold."""
        if self.schematic is None:
            self.schematic = DrawingFold(report)
            self.drawing_place.children = [self.schematic]
        self.schematic.show(report)

    def save(self, *, short: bool | None = None) -> Path | None:
        """Write the amp file and say where."""
        path = super().save(short=bool(self.short.value) if short is None else short)
        if path is not None:
            self.said.value = saved_html(path, path.read_bytes())
            self._fill_begin()
        return path

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
        across = widgets.Layout(flex_flow="row wrap", width="100%")
        row = widgets.HBox([self.start, begin, self.short], layout=across)
        head = widgets.HBox(
            [widgets.VBox([layout.rule("The amp"), row, self.heading, self.about_fold], layout=FULL)]
        )
        columns = widgets.HBox([self._left(), self._right()], layout=widgets.Layout(flex_flow="row wrap"))
        columns.add_class("tubekit-form")
        boxes = [tools, self.complaint, head, columns, self.answer]
        for box in boxes:
            box.add_class("tubekit-panel")
        return [widgets.HTML(layout.css()), *boxes, self.drawing_place]

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
