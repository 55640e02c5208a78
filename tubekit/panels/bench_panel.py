"""The bench panel: readings typed in, each on its band; which part it is; what to measure next."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.bench.fault_prediction import FaultPrediction
from tubekit.bench.suspects import Suspects
from tubekit.decisions.judge import Judgement
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import bench_sheet, layout
from tubekit.panels.amp_choice import AmpSetting, Choice
from tubekit.panels.amp_panel import amp_of, opened
from tubekit.panels.background import BackgroundTask
from tubekit.panels.bench_answers import Bands
from tubekit.panels.bench_faults import AccusedBox, FaultChooser
from tubekit.panels.bench_figure import MOST_ROWS, band_rows, bands_figure
from tubekit.panels.bench_rows import (
    Lines,
    ListChoice,
    SaveLine,
    age_setting,
    meter_setting,
    offer_inputs,
    three_columns,
    tone_setting,
)
from tubekit.panels.bench_sheet import Checked, Row, Sheet
from tubekit.panels.bench_words import BEFORE, verdicts_html
from tubekit.panels.export_files import FileSaver, write_new
from tubekit.panels.figure_widget import FigureWidget
from tubekit.panels.panel import Panel
from tubekit.panels.settings import Setting
from tubekit.panels.trial import History
from tubekit.panels.workbench import lies_there
from tubekit.text import caution_html


class BenchPanel(Panel):
    """Readings of an amp as a table to fill in. All it shows can be asked for and set by program too.

    `sheet` is the list as written, `checked` the same held against the amp, `verdicts` the judgement,
    `suspects` the last answer to 'which part is it?' (None before it was asked).
    """

    judgement: Judgement | None
    figure: FigureWidget[Any] | None
    prediction: FaultPrediction | None

    def __init__(self, amp: Amp, sheet: Sheet | None = None, source: str = bench_sheet.USUAL) -> None:
        self._widgets(amp)
        self.bands, self.task = Bands(), BackgroundTask()
        self._start(amp, sheet or bench_sheet.usual(amp), source)
        super().__init__(self._arranged())

    # ---- what a program asks and sets

    @property
    def verdicts(self) -> Judgement:
        """Every reading against its band."""
        if self.judgement is None:
            self.task.stop()
            self._judge()
        assert self.judgement is not None
        return self.judgement

    @property
    def suspects(self) -> Suspects | None:
        """The answer that stands, for the list as it is; None where it was not asked or is out of date."""
        found = self.accused.found
        return found if found is not None and found.readings is self.checked.readings else None

    def which_part(self) -> Suspects:
        """Ask which part it is, and wait for the answer.

        Raises
        ------
        ReadingError : no reading.
        """
        return self.accused.now()

    def row(self, place: str, quantity: str = "DC volts") -> int:
        """Where a reading stands in the list.

        Raises
        ------
        ChangeError : it is not in the list (near matches listed).
        """
        wanted = bench_sheet.settled(self.amp, place, quantity)
        for k, row in enumerate(self.sheet.rows):
            if (row.place, row.quantity) == (wanted, quantity):
                return k
        near = near_matches(wanted, [row.place for row in self.sheet.rows])
        raise ChangeError(f"there is no {quantity} reading", part=place, near=near)

    def put(self, place: str, value: str, quantity: str = "DC volts", **fields: str) -> Checked:
        """Write a value beside a place; the row is added where there is none."""
        row = Row(bench_sheet.settled(self.amp, place, quantity), quantity, value, **fields)
        try:
            sheet = self.sheet.with_row(self.row(place, quantity), value=value, **fields)
        except ChangeError:
            sheet = self.sheet.added(row)
        return self.take(sheet)

    def take(self, sheet: Sheet) -> Checked:
        """Another list."""
        self.ask(sheet)
        return self.checked

    def remove(self, place: int) -> None:
        """Take a row out."""
        self.opened = -1
        self.ask(self.sheet.without_row(place))

    def load(self, path: str | Path) -> None:
        """A list out of a file; it brings its amp along where it names one.

        Raises
        ------
        ReadingError : the file cannot be read. AmpFileError : nor the amp it names.
        """
        sheet = bench_sheet.read_sheet(path)
        self._take_list(sheet, str(path), bench_sheet.amp_named(path))

    def save(self, name: str = "") -> Path:
        """Write the list as CSV beside the notebook, under the next free name.

        Raises
        ------
        RecordError : the folder cannot be written to.
        """
        stem = (name or f"{self.amp.name}-readings").removesuffix(".csv")
        return write_new(bench_sheet.as_csv(self.sheet, self.amp).encode(), stem, ".csv")

    def fault(self, words: str, grade: int = 0) -> FaultPrediction | None:
        """Choose a fault to see what it would show; '' for none. ChangeError where there is no such fault."""
        self.faults.choose(words, grade)
        return self.prediction

    def reset(self) -> None:
        """The list it came with, without a fault."""
        self.opened = -1
        self.faults.choose("")
        self.lists.put(self.source)
        self.ask(self.first)

    # ---- the one way in and the one way out

    def _start(self, amp: Amp, sheet: Sheet, source: str) -> None:
        """Everything anew for an amp."""
        self.amp, self.first, self.source, self.opened = amp, sheet, source, -1
        self.history = History[Sheet](sheet)
        self.prediction = None
        self.faults.offer(amp)
        self.lines.details.where.options = tuple(bench_sheet.place_options(amp))
        offer_inputs(self.tone, amp)
        self.saving.begin(f"{amp.name}-readings")
        self.lists.put(source)
        self.accused.forget()
        self.ask(sheet, record=False)

    def ask(self, sheet: Sheet, *, record: bool = True) -> None:
        """Check a list and show what comes of it."""
        self.saving.clear()
        self.saver.clear()
        self.checked = bench_sheet.check(sheet, self.amp)
        self.sheet = self.checked.sheet
        if record:
            self.history.push(self.sheet)
        self.judgement = None
        self._in_step()
        if self.bands.ready(self.checked):
            self.task.stop()
            self._judge()
            return
        self._gray(True)
        checked = self.checked
        self.notice.value = "<p>Calculating normal ranges …</p>"
        self.task(lambda progress: self.bands.of(checked, progress), lambda _: self._judge(), self._failed)

    def _judge(self) -> None:
        """Verdicts, figure, words."""
        self.judgement = self.bands.verdicts(self.checked)
        self.notice.value = ""
        self._gray(False)
        self.prediction = self.faults.answer(self.checked)
        self._draw()
        self._words()
        self.accused.follow(self.checked)

    def _failed(self, error: TubekitError) -> None:
        self.notice.value = layout.no_answer(str(error))
        self._gray(True)

    def _draw(self) -> None:
        rows = band_rows(self.checked, self.bands.of(self.checked), self.judgement, self.prediction)[
            :MOST_ROWS
        ]
        if self.figure is not None and self.figure.view.fits(rows):
            self.figure.show(rows)
        else:
            self.figure = bands_figure(rows)
            self.frame.children = [self.figure]

    def _words(self) -> None:
        words = {
            owner: verdict.word
            for owner, verdict in zip(self.checked.owners, self.verdicts.verdicts, strict=True)
        }
        self.lines.say(words, self.checked.complaints, self.checked.notes)
        self.told.value = verdicts_html(self.judgement, len(self.checked.complaints))

    def _in_step(self) -> None:
        sheet, complaints = self.sheet, self.checked.complaints
        self.lines.put(sheet, self.opened)
        self.lines.say({}, complaints, self.checked.notes)
        for setting, owner in ((self.meter, "mains"), (self.tone, "tone"), (self.age, "age")):
            setting.put(sheet)
            setting.complain(complaints.get(owner, ""))
        signal = any(row.quantity.startswith("signal") for row in sheet.rows)
        self.tone.layout.display = "" if signal or sheet.jack else "none"
        self.show_history()

    def _gray(self, is_gray: bool) -> None:
        self.lines.gray(is_gray)
        for each in (self.told, self.accused.told, self.accused.next, self.faults.told):
            (each.add_class if is_gray else each.remove_class)("tubekit-gray")
        if is_gray and self.figure is not None:
            self.figure.gray_out()

    # ---- from the widgets

    def _amp_chosen(self, _: Setting, chosen: Choice, __: str) -> None:
        amp = amp_of(chosen)
        self._start(amp, bench_sheet.usual(amp), bench_sheet.USUAL)

    def _list_chosen(self, key: str) -> None:
        self.lists.complain("")
        try:
            if key == bench_sheet.USUAL:
                self.take(bench_sheet.usual(self.amp))
            elif key == bench_sheet.EMPTY:
                self.opened = 0
                self.take(Sheet((Row(),), mains=self.sheet.mains))
            else:
                self.load(key)
        except TubekitError as error:
            self.lists.complain(str(error))

    def _file_taken(self, name: str, content: bytes) -> None:
        self.lists.complain("")
        try:
            self._take_list(bench_sheet.sheet_of_bytes(content, name), name, "")
        except TubekitError as error:
            self.lists.complain(str(error))

    def _take_list(self, sheet: Sheet, source: str, named: str) -> None:
        if named and named != self.amp.name:
            listed = [value for _, value in self.amp_list.choice.options]
            known = next((v for v in listed if isinstance(v, Amp) and v.name == named), None)
            amp = known or load_amp(named)
            self.amp_list.put(known or named)
            self._start(amp, sheet, source)
        else:
            self.lists.put(source)
            self.opened = -1
            self.ask(sheet)

    def _field(self, place: int, field: str, value: str) -> None:
        self.ask(self.sheet.with_row(place, **{field: value}))

    def _set(self, field: str, value: str) -> None:
        self.ask(self.sheet.with_field(field, value))

    def _open(self, place: int) -> None:
        self.opened = -1 if place == self.opened else place
        self.lines.put(self.sheet, self.opened)

    def _add(self, row: Row | None = None) -> None:
        self.opened = len(self.sheet.rows)
        self.ask(self.sheet.added(row or Row()))

    def _fault_chosen(self) -> None:
        self.prediction = self.faults.answer(self.checked)
        if self.bands.ready(self.checked) and self.judgement is not None:
            self._draw()

    # ---- where things stand

    def _print_png(self) -> bytes:
        assert self.figure is not None
        return self.figure.print_png()

    def _widgets(self, amp: Amp) -> None:
        self.amp_list = AmpSetting(amp)
        self.amp_list.on_move(self._amp_chosen)
        self.lists = ListChoice(self._list_chosen, self._file_taken)
        self.meter, self.age = meter_setting(self._set), age_setting(self._set)
        self.tone = tone_setting(self._set)
        self.lines = Lines(self._field, self._open, self.remove, lambda: self._open(self.opened))
        self.add = layout.button("Add a reading", "Add a reading", self._add)
        self.saving = SaveLine(self.save, self.lists.look_again)
        self.told, self.frame = layout.words_place(), widgets.VBox([], layout={"width": "100%"})
        self.figure = None
        self.faults = FaultChooser(self._fault_chosen)
        self.accused = AccusedBox(self._add)
        self.equip(FileSaver(lambda: f"{self.amp.name}-readings", self._print_png))

    def _arranged(self) -> list[widgets.Widget]:
        listed: list[Any] = [
            self.amp_list, self.lists, self.meter, self.tone, layout.rule("Readings"),
            widgets.HTML(caution_html(BEFORE)), self.lines, self.add, self.age, self.saving,
        ]  # fmt: skip
        seen = [self.frame, layout.rule("Try a fault: what would the meter read?"), self.faults]
        told = [self.notice, self.told, self.accused]
        return three_columns(listed, seen, told, self.buttons, self.saver, wide=(352, 560))


def bench(amp: Amp | str | Path | None = None, readings: str | Path | None = None) -> BenchPanel:
    """The panel that answers 'are these readings normal, and if not, which part is it?'.

    Parameters
    ----------
    amp
        An amp, a demo name or the path of an amp file; the amp chosen last, else that named in the list, when
        not given.
    readings
        Path of a list of readings to begin with; the usual places, still to be read, when not given, or when
        the amp chosen last is another one.

    Returns
    -------
    BenchPanel
        Shows itself as the last line of a cell.

    Raises
    ------
    AmpFileError
        The amp file cannot be read.
    ReadingError
        The list of readings cannot be read.
    SolveError
        The amp has no idle state.

    Examples
    --------
    >>> panel = bench("teasel")
    >>> panel.put("k34", "29 V").complaints
    {}
    >>> panel.verdicts.verdicts[0].word
    'out of range'
    """
    named = bench_sheet.amp_named(readings) if readings is not None else ""
    if readings is None or (amp is None and lies_there("amp") not in (None, named)):
        return opened(BenchPanel, amp, named or "teasel")
    return BenchPanel(amp_of(amp or named), bench_sheet.read_sheet(readings), str(readings))
