"""'Which amp is on the bench?': an amp chosen from a list, in words, with its page of idle volts."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from tubekit.amp import Amp, AmpReport, analyze, demo_names, load_amp
from tubekit.decisions.limits import limits
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpList, Choice
from tubekit.panels.answer import tables_html
from tubekit.panels.controls import Control, MainsControl
from tubekit.panels.drawing_panel import DrawingFold
from tubekit.panels.in_words import about_html, check_html, idle_tables
from tubekit.panels.keep import Copies
from tubekit.panels.picture import LivePicture
from tubekit.plots import ink
from tubekit.plots.ratings import RatingsView
from tubekit.text import CAUTION, caution_html

WIDTH, ROWS, ROW = 634, 10, 21
HIGH = 24 + ROWS * ROW + 34


class StartPanel(widgets.VBox):
    """The panel as a widget: `report` is the amp at idle on the slider's mains, `stale` why it has none."""

    def __init__(self, amp: Amp) -> None:
        self.amp_list = AmpList(amp, self._chosen)
        self.amps = self.amp_list.choice
        self.mains_place, self.frame = widgets.VBox([]), widgets.VBox([])
        full = widgets.Layout(width="100%")
        self.about, self.check, self.notice, self.idle = (widgets.HTML(layout=full) for _ in range(4))
        self.copies = Copies(lambda: f"{self.amp.name}-idle", self._print_png, amp=lambda: self.report.amp)
        self.buttons = layout.buttons(reset=self.reset, **self.copies.actions)
        self.stale = ""
        self.schematic: DrawingFold | None = None
        self._start(amp)
        super().__init__(self._arranged())

    def set(self, *, mains_rms: float | None = None) -> AmpReport:
        """Put the amp on another mains [V rms].

        Raises
        ------
        SolveError : no idle state there; the last one stands, grayed.
        """
        self._solve(self.amp if mains_rms is None else self.amp.changed(mains_rms=mains_rms), strict=True)
        self.mains.show(self.report.amp)
        return self.report

    def choose(self, amp: Choice) -> None:
        """Take an amp from the list, a demo name or the path of an amp file."""
        self.amp_list.value = amp
        if self.amp_list.value != amp:
            self._start(amp if isinstance(amp, Amp) else load_amp(amp))
            self.amp_list.put(amp)

    def reset(self) -> None:
        """On the mains the drawing has."""
        self.copies.clear()
        self._solve(self.amp)
        self.mains.show(self.amp)

    def _print_png(self) -> bytes:
        return bytes(self.picture.print_png())

    # ---- from the widgets

    def _chosen(self, amp: Choice) -> None:
        self._start(amp if isinstance(amp, Amp) else load_amp(amp))

    def _start(self, amp: Amp) -> None:
        report = analyze(amp)
        self.amp, self.stale = amp, ""
        self.mains = MainsControl(amp.design_mains_rms, float(amp.mains_rms), self._moved)
        self.mains_place.children = [self.mains.box]
        with ink.style():
            figure = ink.paper(WIDTH / ink.DPI, HIGH / ink.DPI)
            axes = figure.add_axes((214 / WIDTH, 24 / HIGH, 290 / WIDTH, (HIGH - 50) / HIGH))
            self.ratings = RatingsView(axes, ROWS, title="How close each part is to its limit at idle")
            self.ratings.show(limits(report))
            self.picture = LivePicture(figure, self.ratings.moving)
        self.frame.children = [self.picture.image]
        self.about.value = about_html(amp)
        if self.schematic is None:
            self.schematic = DrawingFold(report)
        self._show(report)

    def _moved(self, control: Control, key: str, value: object, gesture: str) -> None:  # noqa: ARG002 - as a control tells it
        self.copies.clear()
        self._solve(self.amp.changed(mains_rms=value))

    def _solve(self, amp: Amp, *, strict: bool = False) -> None:
        try:
            report = analyze(amp, near=self.report)
        except TubekitError as error:
            self.stale = str(error)
            self.notice.value = layout.no_answer(self.stale)
            self.idle.add_class("tubekit-gray")
            if self.schematic is not None:
                self.schematic.gray_out()
            if strict:
                raise
            return
        self._show(report)

    def _show(self, report: AmpReport) -> None:
        self.report, self.stale, self.notice.value = report, "", ""
        self.amp_list.warn(report.amp, solved=True)
        self.idle.remove_class("tubekit-gray")
        found = limits(report)
        self.check.value = check_html(report.amp, found)
        self.idle.value = tables_html(idle_tables(report)) + caution_html(CAUTION)
        self.ratings.show(found)
        self.picture.redraw()
        if self.schematic is not None:
            self.schematic.show(report)

    def _arranged(self) -> list[widgets.Widget]:
        tools = layout.tools(self.buttons, self.copies.said)
        left = widgets.VBox(
            [
                layout.rule("The amp"),
                self.amp_list.box,
                layout.rule("Line voltage"),
                self.mains_place,
                self.check,
                self.about,
            ],
            layout=widgets.Layout(flex="1 1 420px", min_width="340px"),
        )
        right = widgets.VBox(
            [self.frame, self.notice, self.idle], layout=widgets.Layout(flex="1 1 520px", min_width="340px")
        )
        columns = widgets.HBox([left, right], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
        for box in (tools, columns):
            box.add_class("tubekit-panel")
        assert self.schematic is not None
        return [widgets.HTML(layout.css()), tools, columns, self.schematic]


def start(amp: Amp | str | Path | None = None) -> StartPanel:
    """The panel that shows an amp in words and at idle.

    Parameters
    ----------
    amp
        An amp, a demo name or the path of an amp file; the practice amp when not given.

    Returns
    -------
    StartPanel
        Shows itself as the last line of a cell.

    Raises
    ------
    AmpFileError
        The file cannot be read.
    SolveError
        The amp has no idle state.

    Examples
    --------
    >>> panel = start("vetch")
    >>> panel.set(mains_rms=123).amp.mains_rms
    123.0
    """
    amp = "vetch" if amp is None and "vetch" in demo_names() else demo_names()[0] if amp is None else amp
    return StartPanel(amp if isinstance(amp, Amp) else load_amp(amp))
