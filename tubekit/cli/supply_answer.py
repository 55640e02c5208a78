"""The supply of an amp with what would fail in it, for the terminal."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tubekit.amp import Amp
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions.limits import Failures, failures
from tubekit.text import Printed, Table

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
        """The supply, then what fails."""
        failing = self.failing.headline().removeprefix(f"{self.report.amp.title}: ")
        return f"{self.report.headline()}; {failing}."

    def tables(self) -> list[Table]:
        """Parts that fail first, where any do."""
        return [*self._failing(), *self.report.tables()]

    def short(self) -> list[Table]:
        """Parts that fail first, where any do, and as many as leave room for all capacitors."""
        capacitors, *rest = self.report.short()
        room = max(MOST_ROWS - len(capacitors.rows), 1)
        failing = [table.only("part", "what").alike("part") for table in self._failing()]
        return [*(replace(table, rows=table.rows[:room]) for table in failing), capacitors, *rest]

    def _failing(self) -> list[Table]:
        return self.failing.tables() if self.failing.failures else []
