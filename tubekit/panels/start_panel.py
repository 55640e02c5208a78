"""'Which amp is on the bench?': an amp chosen from a list, in words, with its page of idle volts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as widgets
from matplotlib.figure import Figure

from tubekit.amp import Amp, AmpReport, analyze, load_amp
from tubekit.decisions import Limits
from tubekit.decisions.limits import limits
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting, Choice
from tubekit.panels.amp_panel import amp_of, opened, opens
from tubekit.panels.drawing_panel import DrawingFold
from tubekit.panels.export_files import FileSaver
from tubekit.panels.figure_widget import WIDTH, FigureWidget
from tubekit.panels.panel import Panel
from tubekit.panels.report_html import about_html, check_html, idle_tables, tables_html
from tubekit.panels.settings import LineSetting, Setting
from tubekit.plots.ratings import RatingsView
from tubekit.text import CAUTION, caution_html

ROWS, ROW = 10, 21
HIGH = 24 + ROWS * ROW + 34


class _View(RatingsView):
    """Ratings on paper of their own."""

    def __init__(self, figure: Figure, first: Limits) -> None:  # noqa: ARG002 - the scale is that of every amp
        axes = figure.add_axes((214 / WIDTH, 24 / HIGH, 290 / WIDTH, (HIGH - 50) / HIGH))
        super().__init__(axes, ROWS, title="How close each part is to its limit at idle")


class StartPanel(Panel):
    """The panel as a widget: `report` is the amp at idle on the slider's line voltage, `stale` why not."""

    NAME = "idle"
    report: AmpReport
    line: LineSetting

    def __init__(self, amp: Amp) -> None:
        self.amp_list = AmpSetting(amp)
        self.amps = self.amp_list.choice
        self.line_place, self.frame = widgets.VBox([]), widgets.VBox([])
        self.about, self.check, self.idle = (layout.words_place() for _ in range(3))
        self.stale = ""
        saver = FileSaver(lambda: f"{self.amp.name}-idle", self._print_png, amp=lambda: self.report.amp)
        self.equip(saver)
        for name in ("undo", "redo"):
            del self.buttons[name]
        self.schematic = DrawingFold(amp)
        self._start(amp)
        super().__init__(self._arranged())
        self.amp_list.on_move(lambda _, chosen, __: self._start(amp_of(chosen)))

    def set(self, *, mains_rms: float | None = None) -> AmpReport:
        """Put the amp on another line voltage [V rms].

        Raises
        ------
        SolveError : no idle state there; the last one stays, grayed.
        """
        error = self.ask(self.amp if mains_rms is None else self.amp.changed(mains_rms=mains_rms))
        if error is not None:
            raise error
        self.line.show(self.report.amp)
        return self.report

    def hold(self, key: str, *, take: bool = False) -> Setting | None:  # noqa: ARG002 - it is in view
        """The line voltage."""
        return self.line if key == "mains" else None

    def choose(self, amp: Choice) -> None:
        """Take an amp from the list, a demo name or the path of an amp file."""
        self._start(amp if isinstance(amp, Amp) else load_amp(amp))
        self.amp_list.put(amp)

    def reset(self) -> None:
        """On the line voltage the drawing has."""
        self.ask(self.amp)
        self.line.show(self.amp)

    def _print_png(self) -> bytes:
        return self.figure.print_png()

    def _start(self, amp: Amp) -> None:
        report = analyze(amp)
        self.amp, self.line = amp, LineSetting(amp.design_mains_rms, float(amp.mains_rms))
        self.line.on_move(lambda _, volts, __: self.ask(self.amp.changed(mains_rms=volts)))
        self.line_place.children = [self.line]
        self.figure: FigureWidget[Limits] = FigureWidget(_View, limits(report), size=(WIDTH, HIGH))
        self.frame.children = [self.figure]
        self.about.value = about_html(amp)
        self._show(report)

    def ask(self, amp: Amp, *, record: bool = True) -> TubekitError | None:  # noqa: ARG002 - nothing to undo
        """Solve an amp and show it; returns the error where it has no idle state."""
        self.saver.clear()
        try:
            self._show(analyze(amp, near=self.report))
        except TubekitError as error:
            self.stale = str(error)
            self.notice.value = layout.no_answer(self.stale)
            self.idle.add_class("tubekit-gray")
            self.schematic.gray_out()
            return error
        return None

    def _show(self, report: AmpReport) -> None:
        self.report, self.stale, self.notice.value = report, "", ""
        self.amp_list.warn(report.amp, report.idle_dangers)
        self.idle.remove_class("tubekit-gray")
        found = limits(report)
        self.check.value = check_html(report.amp, found)
        self.idle.value = tables_html(idle_tables(report)) + caution_html(CAUTION)
        self.figure.show(found)
        self.figure.alt = f"Used share of each rating at idle. {report.headline()}"
        self.schematic.show(report)

    def _arranged(self) -> list[widgets.Widget]:
        rows: list[Any] = [
            layout.rule("The amp"), self.amp_list, layout.rule("Line voltage"), self.line_place, self.check,
            self.about,
        ]  # fmt: skip
        left = widgets.VBox(rows, layout=widgets.Layout(flex="1 1 420px", min_width="340px"))
        right = widgets.VBox(
            [self.frame, self.notice, self.idle], layout=widgets.Layout(flex="1 1 520px", min_width="340px")
        )
        return [
            *layout.page(layout.tools(self.buttons, self.saver), layout.across(left, right)),
            self.schematic,
        ]


@opens("vetch", SolveError="The amp has no idle state.")
def start(amp: Amp | str | Path | None = None) -> StartPanel:
    """The panel that shows an amp in words and at idle.

    Examples
    --------
    >>> panel = start("vetch")
    >>> panel.set(mains_rms=123).amp.mains_rms
    123.0
    """
    return opened(StartPanel, amp, "vetch")
