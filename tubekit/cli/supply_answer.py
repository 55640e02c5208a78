"""The supply of an amp with what would fail in it, for the terminal."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tubekit.amp import Amp
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions.limits import Failures, failures
from tubekit.text import Printed, Table
from tubekit.units import show

MOST_ROWS = 10
"""Rows that the short answer has for what fails and the capacitors."""


@dataclass(frozen=True, eq=False, repr=False)
class SupplyAnswer(Printed):
    """Readings of the supply, and what is above its rating."""

    report: SupplyReport
    failing: Failures

    json_keys = ("*report", "would_fail=failing.failures")

    @classmethod
    def of(cls, amp: Amp) -> SupplyAnswer:
        """Solve an amp and look at its supply."""
        report = supply_report(amp)
        return cls(report, failures(report))

    def headline(self) -> str:
        """The supply, what fails, and the line side."""
        failing = self.failing.headline().removeprefix(f"{self.report.amp.title}: ")
        return f"{self.report.headline()}; {failing}. {self.report.amp.line_side.words}".rstrip()

    def answer(self) -> str:
        """The supply, how much is over a limit (the table names it), and the line side."""
        count = len(self.failing.failures)
        failing = f"{count} over a limit or dead" if count else "all parts within their ratings"
        fuses = " ".join(
            f"{one.fuse} ({one.fuse_class}) carries {show(one.amps, 'A')} of {show(one.rated_a, 'A')}."
            for one in self.report.fuses
        )
        return f"{self.report.headline()}; {failing}. {fuses} {self.report.amp.line_side.words}".rstrip()

    def tables(self) -> list[Table]:
        """Parts that fail first, where any do."""
        return [*self._failing(), *self.report.tables()]

    def short(self) -> list[Table]:
        """Parts that fail first, where any do, and as many as leave room for all capacitors."""
        capacitors, *rest = self.report.short()
        room = max(MOST_ROWS - len(capacitors.rows), 1)
        failing = [table.only("part", "what").alike("part") for table in self._failing()]
        shown = [*(replace(table, rows=table.rows[:room]) for table in failing), capacitors]
        return shown if failing else [*shown, *rest]

    def _failing(self) -> list[Table]:
        return self.failing.tables() if self.failing.failures else []
