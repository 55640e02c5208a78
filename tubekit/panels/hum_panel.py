"""The hum panel: filter parts, tubes and the hum balance; hum at the output by source."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.amp import Amp
from tubekit.amp.hum import Hum, hum as solve_hum
from tubekit.amp.hum_balance import HumBalance, balance_control, hum_balance
from tubekit.amp.parts import GROUND, Capacitor, Choke, Diode, Part, RectifierTube, Resistor, Tube
from tubekit.decisions.hum_remedies import HumReport, hum_report
from tubekit.errors import Note, TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_panel import AmpPanel, opened, opens
from tubekit.panels.background import BackgroundTask, Debouncer, Progress
from tubekit.panels.markup import headline, paragraph, section
from tubekit.panels.report_html import tables_html
from tubekit.panels.settings import Setting
from tubekit.panels.tone_sight import same_but_controls
from tubekit.plots.hum_view import HumState, HumView, sources
from tubekit.text import Table, headed

TURN = np.linspace(0.0, 1.0, 9)
REMEDIES = 6
LONG_REST_S = 0.6


@dataclass(frozen=True, eq=False)
class HumAnswer:
    """Hum as it stands, and the turn of the balance control where it was worked out."""

    amp: Amp
    hum: Hum

    def headline(self) -> str:
        """The whole hum."""
        return self.hum.headline()


class HumPanel(AmpPanel[HumAnswer, HumState]):
    """What `hum` and `hum_report` give, with the amp's parts on it.

    The picture and the list of sources follow every move. Which part to change first takes longer: it
    comes once the hand rests.
    """

    NAME = "hum"
    VIEW = HumView
    HAS_LINE = True
    DETAILS = "Hum by path and frequency"

    def __init__(self, amp: Amp) -> None:
        self.advice = layout.words_place()
        self.after_a_rest, self.task = Debouncer(LONG_REST_S), BackgroundTask()
        self.balance: HumBalance | None = None
        self.report: HumReport | None = None
        super().__init__(amp)

    def solve(self, amp: Amp, near: HumAnswer | None) -> HumAnswer:
        """The hum of an amp."""
        return HumAnswer(amp, solve_hum(amp, near=near.hum if near is not None else None))

    def dangers_of(self, answer: HumAnswer) -> tuple[Note, ...]:
        """As it was solved."""
        return answer.hum.view.idle_dangers

    def drawn_of(self, answer: HumAnswer) -> HumState:
        """Hum, with the balance's curve as it was last worked out."""
        name = balance_control(answer.amp)
        if name is None or self.balance is None:
            return HumState(answer.hum)
        part: Any = answer.amp.parts[name]
        return HumState(answer.hum, self.balance, float(part.position))

    def listed(self, amp: Amp) -> Iterable[Part]:
        """Filter capacitors, tubes and what feeds them first."""
        kinds = (Capacitor, Choke, Tube, RectifierTube, Diode, Resistor)
        solved = self.before.hum.view.solved
        held = solved.held_nodes & solved.amp.topology.fed.keys()
        parts = [part for part in amp.parts.values() if isinstance(part, kinds)]
        return sorted(parts, key=lambda part: _rank(part, held))

    def begin(self, amp: Amp) -> None:
        """Another amp has another balance."""
        kept, self.balance = self.balance, turn_of(amp)
        try:
            super().begin(amp)
        except TubekitError:
            self.balance = kept
            raise

    def settle(self, setting: Setting | None = None) -> None:
        """The advice is that of the setting before."""
        self.advice.add_class("tubekit-gray")
        self.after_a_rest.forget()
        self.task.stop()
        super().settle(setting)

    def write_now(self) -> None:
        """The sources, then, after a longer rest, which part first."""
        super().write_now()
        self.advice.add_class("tubekit-gray")
        self.after_a_rest(self._advise)

    def _advise(self) -> None:
        """What takes longest, while the panel goes on answering: the null's curve and which part first."""
        after, balance, report = self.trial.after, self.balance, self.report

        def work(progress: Progress) -> tuple[HumBalance | None, HumReport]:
            same = balance is not None and same_but_controls(after, balance.amp)
            turn = balance if same else turn_of(after)
            progress(1, 2)
            known = report if report is not None and report.hum.amp is after else None
            return turn, known or hum_report(after)

        self.task(work, self._advised, self._no_advice)

    def _advised(self, found: tuple[HumBalance | None, HumReport]) -> None:
        was, (self.balance, self.report) = self.balance, found
        if self.balance is not was:
            self.draw()
            self.offer()
        self.advice.value = advice_html(self.report)
        self.advice.remove_class("tubekit-gray")

    def _no_advice(self, error: TubekitError) -> None:
        self.advice.value = layout.complaint_html(str(error))

    def numbers_html(self, now: HumAnswer, before: HumAnswer) -> str:
        """The whole hum in words, and every source."""
        return section(headline(now.hum.headline()), live=True) + tables_html(tables(now.hum, before.hum))

    def detail(self, now: HumAnswer, before: HumAnswer) -> str:  # noqa: ARG002 - the same for every panel
        """Every way, every frequency."""
        return tables_html(now.hum.tables_but("rails"))

    def told(self) -> list[widgets.Widget]:
        """With the advice below the sources."""
        return [self.numbers, self.advice, self.details]


def _rank(part: Part, held: set[str] | frozenset[str]) -> int:
    if isinstance(part, Capacitor) and GROUND in part.nodes and set(part.nodes) & held:
        return 0
    return 1 if isinstance(part, Tube | RectifierTube | Choke | Diode) else 2


def turn_of(amp: Amp) -> HumBalance | None:
    """The hum balance from end to end; None where the amp has none, or it cannot be told."""
    name = balance_control(amp)
    if name is None:
        return None
    try:
        return hum_balance(amp, name, positions=TURN)
    except TubekitError:
        return None


def tables(now: Hum, before: Hum) -> list[Table]:
    """Sources now and before, the largest first."""
    old = {each.name: each.volts for each in sources(before)}
    whole = ("total hum", float(now.total_rms[0]), float(before.total_rms[0]))
    rows = [whole, *((each.name, each.volts, old.get(each.name)) for each in sources(now))]
    return [Table("", headed("from", "now [V]", "before [V]"), rows)]


def advice_html(report: HumReport) -> str:
    """Which part first, and what the others would do."""
    best = report.first
    words = (
        "No single part would reduce it."
        if best is None
        else f"Best fix: {best.what} ({-best.gain_db:+.1f} dB)."
    )
    table = report.table("remedies")
    columns, rows = (table.columns[1], table.columns[3]), [(row[1], row[3]) for row in table.rows[:REMEDIES]]
    short = Table(table.title, columns, rows, table.note)
    said = section(paragraph(words, strong=True), *map(paragraph, report.left_out))
    return said + tables_html([short])


@opens("fescue", SolveError="The amp oscillates or has no idle state.")
def hum(amp: Amp | str | Path | None = None) -> HumPanel:
    """The panel that answers 'where does this hum come from, and which part first?'.

    Examples
    --------
    >>> panel = hum("teasel")
    >>> bool(panel.set({"C14": "40u"}).hum.total_rms[0] < panel.before.hum.total_rms[0])
    True
    """
    return opened(HumPanel, amp, "fescue")
