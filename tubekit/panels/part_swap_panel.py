"""The part-swap panel: pick a part, change it, see what moves and what it does to every rating."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from matplotlib.figure import Figure

from tubekit.amp import Amp
from tubekit.amp.parts import Part
from tubekit.decisions import SwapReport, swap
from tubekit.errors import Note
from tubekit.panels import layout
from tubekit.panels.amp_panel import AmpPanel, opened, opens
from tubekit.panels.report_html import measure_html, tables_html, verdict_html
from tubekit.panels.trial import Trial
from tubekit.plots.cycle import larger
from tubekit.plots.supply import HEIGHT, WIDTH, SupplyState, SupplyView


class SwapView(SupplyView):
    """Ripple, plate current and ratings of a swap, on scales that stay."""

    def __init__(self, figure: Figure, first: SwapReport) -> None:
        scales = larger(first.after, first.before)
        super().__init__(figure, SupplyState(scales, first.limits_after))

    def show(self, now: Any, before: Any = None) -> None:  # noqa: ARG002 - a report has both
        """The curves and bars of another report."""
        super().show(SupplyState(now.after, now.limits_after), SupplyState(now.before, now.limits_before))


class PartSwap(AmpPanel[SwapReport, SwapReport]):
    """What `swap` gives, with any part of the amp on it."""

    NAME = "part-swap"
    VIEW, SIZE = SwapView, (WIDTH, HEIGHT)
    HAS_LINE = True
    HAS_CONTROLS = False
    DETAILS = "All voltages and currents, before and after"

    def __init__(self, amp: Amp) -> None:
        self.measure = layout.words_place()
        super().__init__(amp)

    @property
    def report(self) -> SwapReport:
        """The last answer; that of the present setting unless `stale`."""
        return self.result

    def solve(self, amp: Amp, near: SwapReport | None) -> SwapReport:
        """An amp without changes."""
        return swap(amp, {}, near=near)

    def solve_trial(
        self, trial: Trial, before: SwapReport | None, near: SwapReport | None
    ) -> tuple[SwapReport, SwapReport]:  # fmt: skip
        """One report has both, before and after."""
        report = swap(trial.amp, dict(trial.plan.changes), near=near or before)
        return report, report

    def dangers_of(self, answer: SwapReport) -> tuple[Note, ...]:
        """As it was solved."""
        return answer.after.idle_dangers

    def numbers_html(self, now: SwapReport, before: SwapReport) -> str:  # noqa: ARG002 - a swap has both
        """The verdict."""
        return verdict_html(now)

    def detail(self, now: SwapReport, before: SwapReport) -> str:  # noqa: ARG002 - a swap has both
        """All readings."""
        return tables_html(now.tables_but("verdict", "measure"))

    def write(self) -> None:
        """Verdict, what to measure, all readings while they are open."""
        super().write()
        self.measure.value = measure_html(self.report)

    def told(self) -> list[widgets.Widget]:
        """Verdict, what to measure, all readings."""
        return [self.numbers, self.measure, self.details]

    def listed(self, amp: Amp) -> Iterable[Part]:
        """Every part, in drawn order."""
        return amp.parts.values()

    def first(self, names: list[str]) -> str:
        """The rectifier tube, else the first resistor, else the first part."""
        kinds = {self.amp.parts[name].kind: name for name in reversed(names)}
        return kinds.get("rectifier tube") or kinds.get("resistor") or names[0]


@opens("teasel", SolveError="The amp has no idle state to begin with.")
def part_swap(amp: Amp | str | Path | None = None) -> PartSwap:
    """The panel that answers 'what will this swap do?'.

    Examples
    --------
    >>> panel = part_swap("teasel")
    >>> panel.set({"R14": "330"}).after.amp.parts["R14"].ohms
    330.0
    """
    return opened(PartSwap, amp, "teasel")
