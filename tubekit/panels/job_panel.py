"""The job panel: one amp from the door to hand-back, by touch; every answer is that of the command `job`."""

from __future__ import annotations

import html
import re
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import load_amp
from tubekit.decisions.judge import good_bands, verdicts
from tubekit.errors import InputError, TubekitError
from tubekit.files import data_file
from tubekit.jobs.actions import author, new_job, take_off, to_buy
from tubekit.jobs.job import STOP, Fitted, Job, open_job
from tubekit.jobs.journal import FILE, copy_until
from tubekit.jobs.progress import Next, next_step, results_of, valid
from tubekit.jobs.steps import TITLES
from tubekit.jobs.visits import compare, to_remove
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting
from tubekit.panels.bench_figure import band_row, bands_figure
from tubekit.panels.export_files import FileSaver, saved_html
from tubekit.panels.figure_widget import FigureWidget
from tubekit.panels.job_entries import EnterBox, EntryForm
from tubekit.panels.job_step import results_html, step_html, units_of
from tubekit.panels.layout import GROWN
from tubekit.panels.markup import headline
from tubekit.panels.panel import Panel
from tubekit.panels.settings import ChoiceSetting
from tubekit.panels.workbench import lay_down, lies_there
from tubekit.plots.spread_bands import BandRow
from tubekit.record.job_pages import print_job
from tubekit.text import CAUTION, Printed, caution_html, danger_html

PRACTICE = {"teasel-runs-hot": 6, "thrum-hums": 4}
"""Jobs that ship, and the entry after which a copy to practice on is as it was."""
NEW = ""
TEXT = partial(layout.described, widgets.Text, room=GROWN)
AS_ORDERED = ("next in order", "")
PAUSE_S = 0.4
"""What comes so soon after a step is shown was meant for the step before it: a second tap."""
FIND = "Find the cause, then take that reading again: Next step"
PLAIN = re.compile(r"[-+−]?[\d.,]+")


class JobPanel(Panel):
    """A job in a folder. All it shows can be asked for and set by program too.

    `job` is the job as its journal has it (None before one is open), `now` the step to do. Other people may
    write to the same job: it is read again at every touch.
    """

    NAME = "job"
    job: Job | None
    now: Next | None
    figure: FigureWidget[tuple[BandRow, ...]]

    def __init__(self, folder: str | Path | None = None) -> None:
        self.job = self.now = None
        self._shown_s, self._drawn = 0.0, ""
        self._last: tuple[object, float] = (None, 0.0)
        self._copies: dict[str, tempfile.TemporaryDirectory[str]] = {}
        self.strip, self.head, self.result, self.step, self.answer, self.status = (
            widgets.HTML(layout=widgets.Layout(width="auto")) for _ in range(6)
        )
        self.offs, self.frame = layout.row(), widgets.VBox([])
        self.equip(FileSaver(lambda: f"{self._here().folder.name}-readings", self._print_png))
        self.notice.layout.width = "auto"
        for name in ("undo", "redo", "reset"):
            del self.buttons[name]
        self.form = EntryForm(partial(self._by_hand, self.enter))
        self._opening()
        self._stepping()
        super().__init__(self._arranged())
        self.jobs.on_move(lambda _, chosen, __: self.choose(chosen))
        kept = lies_there("job") if folder is None else str(folder)
        listed = [value for _, value in self.jobs.choice.options]
        self.choose(kept if folder is not None or kept in listed else self.jobs.value)

    # ---- what a program asks and sets

    def choose(self, folder: str) -> None:
        """Open the job in a folder, or a copy of one that ships; '' to begin one."""
        self.now = self.job = None
        self.answer.value = self.result.value = ""
        self.jobs.put(folder)
        if folder in PRACTICE:
            folder = self._copy(folder)
        if folder:
            self._do(lambda: setattr(self, "job", open_job(folder)))
        self.fresh.layout.display = "none" if self.jobs.value else ""
        self.look_again()

    def begin(self, folder: str, amp: Any, **about: str) -> None:
        """Begin a job, or open the one that is in this folder; the amp of a last visit is as it left.

        Raises
        ------
        JobError : the folder cannot be written to.
        """
        last = about.get("last_visit", "")
        if not folder:
            raise InputError("the job has no folder", fix="Give it a name, like amp-june")
        if (Path(folder) / FILE).is_file():
            self._offer_jobs(folder)
            return self.choose(folder)
        drawn = open_job(last).as_it_left if last else load_amp(amp) if isinstance(amp, str) else amp
        done = new_job(folder, drawn, by=self.by.value, **about)
        lay_down("job", folder)
        self._offer_jobs(folder)
        self.choose(folder)
        return self._show(done)

    def next(self, *values: str, sheet: str = "") -> Next:
        """The step to do; with values what they mean, as `next_step` takes them.

        Raises
        ------
        JobError, ReadingError : no such step, or a value that is none of the step's.
        """
        folder, by = self._here().folder, self.by.value
        self.now = next_step(folder, values, sheet=sheet or self.sheet.value, by=by, text=self.remark.value)
        if values:
            self.result.value, self.remark.value = "".join(results_html(self.now)), ""
        if self.now.step is None and not self.now.stopped:  # a sheet asked for by name is done
            self.now, self.sheet.value = next_step(folder, by=by), ""
        self.look_again(step=False)
        self._show_step()
        return self.now

    def take(self, text: str) -> None:
        """A value for the step that is shown, whatever others have entered meanwhile.

        Raises
        ------
        JobError : it is not the step to do any more. ReadingError : no value of this step.
        """
        if self.now is None or self.now.step is None or self.now.sheet is None:
            raise InputError("no step is shown", fix="Press 'Next step' first")
        step, sheet, job = self.now.step, self.now.sheet, open_job(self._here().folder)
        holds = valid(job, sheet.name)
        if holds is None or holds.number != sheet.entry:
            self.now = None
            raise InputError("the amp or its line voltage has changed since this step was shown",
                             fix="Press 'Next step' and read it again")  # fmt: skip
        done = results_of(job, sheet.entry).get(step.number)
        self.next(f"{step.number}={self._with_unit(text)}", sheet=sheet.name)
        if done is not None and done["go"] != STOP:
            self.result.value += (
                f"<p>{html.escape(done.by)} entered this step too; both results are kept.</p>"
            )

    def enter(self) -> None:
        """What is in the form, as one entry."""
        job = self._here()
        self._show(self.form.entered(job.folder, self.by.value))

    def off(self, item: Fitted) -> None:
        """Something temporary has been taken off."""
        self._show(take_off(self._here().folder, str(item.number), by=self.by.value))

    def ask(self, plan: Any, *, record: bool = True) -> None:  # noqa: ARG002 - a journal has no way back
        """Another job."""
        self.choose(str(plan))

    def reset(self) -> None:
        """Read the job again."""
        self.look_again()

    def look_again(self, *, step: bool = True) -> None:
        """Show the job as its journal has it now."""
        if self.job is None:
            self.strip.value = self.head.value = self.status.value = ""
            self.offs.children = self.frame.children = []
        else:
            self.job = open_job(self.job.folder)
            self._show_job(self.job)
        if step and self.now is not None and self.job is not None:
            sheet = self.now.sheet
            holds = sheet is not None and sheet.entry > self.job.changed_in and not self.job.handed_back
            self.now = next_step(self.job.folder, sheet=sheet.name) if sheet and holds else None
        if step:
            self._show_step()

    # ---- from the buttons

    def _by_hand(self, act: Callable[[], object]) -> None:
        """A touch: refused in words; what a second tap on the same button would be refused is not said."""
        touched = (act, self.form.kind.value)
        again = touched == self._last[0] and time.monotonic() - self._last[1] <= PAUSE_S
        was = self.notice.value
        if not self._do(act) and again and self.form.is_empty:
            self.notice.value = was
        self._last = touched, time.monotonic()

    def _answered(self, word: str) -> None:
        """OK or not, of the step that is shown and not of the one before it."""
        if time.monotonic() - self._shown_s > PAUSE_S:
            self._do(lambda: self.take(word))

    def _do(self, act: Callable[[], object]) -> bool:
        self.notice.value = ""
        try:
            act()
        except TubekitError as error:
            self.notice.value = layout.complaint_html(str(error))
            self.look_again()
        return not self.notice.value

    def _typed(self, text: str) -> None:
        """Enter in the number box; what is refused is back in the box."""
        early = time.monotonic() - self._shown_s <= PAUSE_S
        if early or not self._do(lambda: self.take(text)):
            self.box.value = text
        if early:
            self.notice.value = layout.complaint_html(
                "This came while the last value was entered. Enter it again if it is for this step."
            )

    def _begin(self) -> None:
        text = {name: box.value.strip() for name, box in self.about.items()}
        self.begin(text.pop("folder"), self.amps.value, last_visit=self.last.value, **text)

    def _pages(self) -> None:
        done = print_job(self._here(), paper=self.paper.value)
        links = "".join(saved_html(path, path.read_bytes()) for path in done.paths)
        self.answer.value = f"{links}<p>{html.escape(done.said)}</p>"

    # ---- what is seen

    def _here(self) -> Job:
        if self.job is None:
            raise InputError("no job is open", fix="Choose one, or begin one")
        return self.job

    def _show(self, answer: Printed) -> None:
        """The short answer of a command, and the job after it."""
        tables = "".join(table.html() for table in answer.short())
        self.answer.value = headline(answer.answer()) + tables
        self.look_again()

    def _show_job(self, job: Job) -> None:
        stopped: list[Any] = [("STOPPED", each["text"], FIND, each) for each in job.stopped]
        left = [("STILL ON THE AMP", each.text, to_remove(each), each) for each in job.temporary]
        self.strip.value = danger_html(job.drawn.dangers) + "".join(
            f'<p class="tubekit-still-on" role="alert"><strong>{head}: {html.escape(text)}.</strong> '
            f"{html.escape(do)}. (since {each.day}, {html.escape(each.by)})</p>"
            for head, text, do, each in (*stopped, *left)
        )
        self.offs.children = [
            layout.button(f"{each.text}: it is off", "Enter that it has been taken off",
                          partial(self._by_hand, partial(self.off, each)))
            for each in job.temporary
        ]  # fmt: skip
        self.by.placeholder = author(job)
        self.head.value = headline(job.answer())
        _, decisions, entries = job.short()
        every = f"<details><summary>All entries</summary>{job.table('entries').html()}</details>"
        self.status.value = f"{decisions.html() if decisions.rows else ''}{entries.html()}{every}"
        self.form.offer(job)
        self._draw(job)

    def _draw(self, job: Job) -> None:
        """Every reading of the amp as it is now on its normal range."""
        key = f"{job.folder} {job.changed_in} {job.rows()}"
        if key == self._drawn:
            return
        self._drawn, self.frame.children = key, []
        readings = job.readings()
        if readings is not None and readings.readings:
            bands = good_bands(readings)
            at = {probe: k for k, probe in enumerate(bands.probes)}
            rows = [band_row(bands, at[each.reading.probe], each) for each in verdicts(readings, bands)]
            self.figure = bands_figure(rows)
            self.frame.children = [self.figure]

    def _print_png(self) -> bytes:
        if not self.frame.children:
            raise InputError("there are no readings to draw", fix="Enter some first")
        return bytes(self.figure.print_png())

    def _show_step(self) -> None:
        step = self.now.step if self.now is not None else None
        is_open = self.job is not None and not self.job.handed_back
        for box, seen in ((self.starting, is_open), (self.looked, step is not None and not step.measures),
                          (self.measured, step is not None and step.measures),
                          (self.remarked, step is not None), (self.form, is_open)):  # fmt: skip
            box.layout.display = "" if seen else "none"
        if self.now is None:
            self.step.value = ""
        elif step is None:
            self.step.value = "" if self.now.stopped else f"<p>{html.escape(self.now.headline())}</p>"
        else:
            self.step.value = "".join(step_html(self.now, step))
            units = units_of(step)
            self.unit.options, self.unit.value = units, units[0] if units else None
            self.sign.layout.display = "" if (step.low or 0.0) < 0.0 else "none"
        self._shown_s = time.monotonic()

    def _with_unit(self, text: str) -> str:
        """A bare number in the unit beside the box."""
        if not PLAIN.fullmatch(text):
            return text
        return text + (self.unit.value or "")

    # ---- how it is arranged

    def _opening(self) -> None:
        self.jobs = ChoiceSetting("job", "job", [("begin a new job", NEW)], "Choose a job in this folder")
        tip = "Job of its last visit: the amp is then as it left"
        self.last = layout.described(widgets.Dropdown, "last visit", tip)
        self._offer_jobs()
        self.by = TEXT("by", "Who enters this")
        hints = {"folder": "Name of a new folder for the job", "owner": "Whose amp it is",
                 "complaint": "What is wrong with it"}  # fmt: skip
        self.about = {name: TEXT(name, tip) for name, tip in hints.items()}
        self.amps = AmpSetting("teasel")
        act = partial(self._by_hand, self._begin)
        start = layout.button("Begin the job", "Make the folder and its first entry", act, css="tubekit-ask")
        self.fresh = widgets.VBox([*self.about.values(), self.amps, self.last, start])

    def _offer_jobs(self, also: str = "") -> None:
        found = sorted(
            {path.parent for pattern in (f"*/{FILE}", f"jobs/*/{FILE}") for path in Path().glob(pattern)}
        )
        listed = [(path.as_posix(), path.as_posix()) for path in found]
        if also and also not in [path for _, path in listed]:
            listed.append((also, also))
        self.last.options, self.last.value = [("none", ""), *listed], ""
        practice = [(f"{name} (to practice on)", name) for name in PRACTICE]
        self.jobs.offer([*listed, *practice, ("begin a new job", NEW)])
        self.jobs.put(also or (listed or practice)[0][1])

    def _stepping(self) -> None:
        titles = [AS_ORDERED, *((words, name) for name, words in TITLES.items())]
        self.sheet = layout.described(widgets.Dropdown, "sheet", "Which steps", room=GROWN, options=titles)
        go = layout.button(
            "Next step", "Show the step to do now", partial(self._by_hand, self.next), css="tubekit-ask"
        )
        tip = "What the meter shows; Enter takes it"
        self.box = EnterBox(self._typed, placeholder="read", tooltip=tip, layout=GROWN)
        self.box.add_class("tubekit-decimal")
        self.unit = widgets.Dropdown(layout=widgets.Layout(width="76px"), tooltip="Unit of the number")
        self.sign = layout.button("±", "Change the sign", self._other_sign, css="tubekit-step")
        taken = layout.button("Take it", "Enter what the meter shows", self.box.give, css="tubekit-ask")
        answers = (
            ("OK, as it should be", "Enter that it is as it should be", "ok", "tubekit-ask"),
            ("Not as it should be: STOP", "Enter that it is not so: stop", "no", "tubekit-halt"),
        )
        good, bad = (
            layout.button(words, tip, partial(self._answered, word), css=css)
            for words, tip, word, css in answers
        )
        self.remark = TEXT("note", "A note to this result")
        self.starting = layout.row(self.sheet, go)
        self.measured = layout.row(self.box, self.unit, self.sign, taken)
        self.measured.add_class("tubekit-reads")
        self.looked, self.remarked = layout.row(good), layout.row(self.remark, bad)

    def _other_sign(self) -> None:
        text = self.box.value
        self.box.value = text[1:] if text[:1] in ("-", "−") else f"-{text}"

    def _arranged(self) -> list[widgets.Widget]:
        asked: dict[str, tuple[str, Callable[[], Any]]] = {
            "Look again": ("Read what others have entered", self.look_again),
            "Match the amp": ("Fit the amp to its readings", lambda: self._show(self._here().matched())),
            "Compare": ("Compare with the last visit", lambda: self._show(compare(self._here()))),
            "What to buy": ("List the parts to buy", lambda: self._show(to_buy(self._here()))),
            "Print pages": ("Write the owner's page and the bench sheet into the job's folder", self._pages),
        }
        buttons = [
            layout.button(words, tip, partial(self._by_hand, act)) for words, (tip, act) in asked.items()
        ]
        self.paper = widgets.Dropdown(options=("Letter", "A4"), tooltip="Paper", layout={"width": "84px"})
        names = {f"asked-{k}": each for k, each in enumerate(buttons)}
        tools = layout.tools({**names, **self.buttons}, self.paper, self.saver)
        top = widgets.VBox([self.strip, self.offs, self.notice], layout={"width": "100%"})
        self.jobs.layout.flex, self.by.layout.flex = "3 1 0", "2 1 0"
        top.add_class("tubekit-sticky")
        step = [layout.rule("Next step"), self.starting, self.result, self.step, self.measured, self.looked,
                self.remarked]  # fmt: skip
        left = [layout.row(self.jobs, self.by), self.fresh, self.head, *step, self.answer]
        right = [layout.rule("Enter"), self.form, layout.rule("The job"), self.status, self.frame]
        columns = layout.across(_column(left), _column(right))
        caution = widgets.HTML(caution_html(CAUTION))
        columns.add_class("tubekit-job")
        return [*layout.page(tools, top, columns), caution]

    def _copy(self, name: str) -> str:
        """Folder of a copy to practice on, which is gone when the panel is."""
        if name not in self._copies:
            self._copies[name] = tempfile.TemporaryDirectory(prefix="tubekit-")
            copy_until(data_file("jobs", name), Path(self._copies[name].name) / name, PRACTICE[name])
        return str(Path(self._copies[name].name) / name)


def _column(rows: Sequence[widgets.Widget]) -> widgets.VBox:
    return widgets.VBox(list(rows), layout=widgets.Layout(flex="1 1 460px", min_width="340px"))


def job(folder: str | Path | None = None) -> JobPanel:
    """The panel for one amp from the door to hand-back.

    Parameters
    ----------
    folder
        Folder of a job; when not given the job chosen last, the first one beside the notebook, or a copy to
        practice on.

    Returns
    -------
    JobPanel
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> panel = job("thrum-hums")
    >>> panel.job.temporary[0].text
    'jumper across S1'
    """
    return JobPanel(folder)
