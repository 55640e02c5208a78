"""The record panel: changes as in part-swap, a person's words, and one button that writes both files."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.decisions import swap
from tubekit.decisions.reading import Readings
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_panel import opened, opens
from tubekit.panels.export_files import saved_html
from tubekit.panels.part_swap_panel import PartSwap
from tubekit.panels.record_form import BUSY, RecordForm, file_stem
from tubekit.record import Record, RecordResults, contents, next_free, record as write_files, record_results
from tubekit.record.page import page, summary

PAGE_HIGH = 620


class RecordPanel(PartSwap):
    """What `record` writes, with the changes on trial, readings and a person's words.

    Before anything is written the head of the page stands beside the fields, and the whole page can be
    looked at.
    """

    NAME = "record"

    def __init__(self, amp: Amp) -> None:
        across = widgets.Layout(width="auto")
        self.head, self.shown = widgets.HTML(layout=across), widgets.HTML(layout=across)
        self.form = RecordForm(
            self.write_now, lambda: self._do(self._show_page), lambda: self._do(self._write_and_say)
        )
        self.readings: Readings | None = None
        self.last: Record | None = None
        self._worked: tuple[Any, RecordResults] | None = None
        super().__init__(amp)
        self.debouncer.forget()
        self.write_now()  # at once: the kernel may not rest before every cell has run

    # ---- what a program asks and sets

    def say(self, **words: Any) -> None:
        """Set title, decided, why, by, date, paper, name (of the files), readings (path of a list), or a
        sheet for the bench (up=True).

        Examples
        --------
        >>> from tubekit import load_amp
        >>> panel = RecordPanel(load_amp("teasel"))
        >>> panel.say(decided="R14 stays.", paper="A4")
        >>> "R14 stays." in panel.head.value
        True
        """
        self.form.set(**words)

    def worked(self) -> RecordResults:
        """Everything the record will hold; worked out once for a setting.

        Raises
        ------
        ReadingError : the list of readings does not fit the amp. SolveError : a setting without an answer.
        """
        plan, drawn = self.trial.plan, self.trial.drawn
        self.readings = self.form.readings_on(drawn)
        hashed = repr(self.readings.to_json()) if self.readings else ""
        sheets = self.form.sheets_chosen
        key = (drawn, plan, hashed, sheets)
        if self._worked is None or self._worked[0] != key:
            found = record_results(
                drawn.changed(plan.kept), plan.changes, mains_rms=plan.mains_rms, readings=self.readings,
                sheets=sheets,
            )  # fmt: skip
            self._worked = (key, found)
        return self._worked[1]

    def whole_page(self) -> str:
        """The page as it would be written, as HTML; nothing is written."""
        found = self.worked()
        return page(contents(found.amp, *found.results, readings=self.readings, **self.form.words()))

    def write_record(self, folder: str | Path | None = None, *, pdf: bool = True) -> Record:
        """Write page and PDF under the next free name, beside the notebook or in `folder`.

        Raises
        ------
        RecordError : the folder cannot be written to. ReadingError, SolveError : as for `worked`.
        """
        found = self.worked()
        stem = file_stem(self.form.fields["name"].value, f"{found.amp.name}-record")
        path = next_free(Path(folder or Path.cwd()) / f"{stem}.html")
        self.last = write_files(
            path, found.amp, *found.results, readings=self.readings, pdf=pdf, **self.form.words()
        )
        return self.last

    def reset(self) -> None:
        """The amp as it came, no words, no readings."""
        self.form.clear()
        super().reset()

    # ---- what the panel below asks for

    def write(self) -> None:
        """The head of the page, as it would be written now."""
        self.form.offer(self.trial.drawn)
        self.form.said.value = ""
        results, taken = self._quick(), self._taken()
        content = contents(self.trial.after, *results, **self.form.words())
        self.head.value = summary(content) + taken

    def told(self) -> list[widgets.Widget]:
        """The head of the page."""
        return [self.head]

    def _quick(self) -> tuple[Any, ...]:
        """What the head says, from what is solved already."""
        plan, report = self.trial.plan, self.report
        if plan.changes:
            return (report,)
        if plan.mains_rms != self.trial.drawn.mains_rms:
            return (swap(self.trial.drawn.changed(plan.kept), mains_rms=plan.mains_rms),)
        return report.after, report.limits_after

    def _taken(self) -> str:
        """That readings will be judged; what is wrong with their list stands below it."""
        self.form.complain("")
        try:
            readings = self.form.readings_on(self.trial.drawn)
        except TubekitError as error:
            self.form.complain(str(error))
            return ""
        words = readings.headline() if readings else ""
        return f"<p>{html.escape(words)} They are checked when the page is made.</p>" if words else ""

    # ---- from the buttons

    def _do(self, work: Any) -> None:
        """Work of some seconds by hand: said while it lasts, refused in words."""
        self.form.said.value = BUSY
        try:
            work()
        except TubekitError as error:
            self.form.refuse(error)

    def _show_page(self) -> None:
        self._frame(self.whole_page())
        self.form.said.value = (
            '<p role="status">The full page is shown below. No file has been saved yet.</p>'
        )

    def _write_and_say(self) -> None:
        done = self.write_record()
        files = [path for path in (done.html_path, done.pdf_path) if path is not None]
        links = "".join(saved_html(path, path.read_bytes()) for path in files)
        told = f"<p>{html.escape(done.message)}</p>" if done.message else ""
        self._frame(done.html_path.read_text(encoding="utf-8"))
        self.form.said.value = f"<p>Saved in this notebook's folder:</p>{links}{told}"

    def _frame(self, text: str) -> None:
        """The page in a frame of its own: its style stays inside, and nothing in it can run."""
        self.shown.value = (
            f'<iframe title="The record as a page" sandbox="allow-downloads" class="tubekit-page" '
            f'style="width: 100%; height: {PAGE_HIGH}px" srcdoc="{html.escape(text, quote=True)}"></iframe>'
        )

    def arranged(self, under: Sequence[widgets.Widget]) -> list[widgets.Widget]:
        """Changes, words, head of the page side by side; the figure and the whole page below."""
        children = super().arranged(under)
        tools, columns = children[-2], children[-1]
        seen, told = columns.children
        settings, figure = seen.children
        self.form.layout = widgets.Layout(flex="1 1 300px", min_width="280px", width="auto")
        told.layout = widgets.Layout(flex="2 1 380px", min_width="320px", width="auto")
        top = layout.across(settings, self.form, told)
        figure.layout = widgets.Layout(flex="1 1 420px", min_width="360px", max_width="640px")
        sheet = widgets.VBox([self.shown], layout=widgets.Layout(flex="1 1 420px", min_width="360px"))
        top.add_class("tubekit-record-panel")
        return layout.page(tools, top, layout.across(figure, sheet))


@opens("teasel", SolveError="The amp has no idle state to begin with.")
def record(amp: Amp | str | Path | None = None) -> RecordPanel:
    """The panel that answers 'what was decided, and on what?'.

    Examples
    --------
    >>> panel = record("teasel")
    >>> _ = panel.set({"R14": "330"})
    >>> "Output tubes V3 and V4" in panel.head.value
    True
    """
    return opened(RecordPanel, amp, "teasel")
