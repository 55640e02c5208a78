"""The supply of an amp with what would fail in it, for the terminal."""

from __future__ import annotations

from dataclasses import dataclass

from tubekit.amp import Amp
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions.limits import Failures, failures
from tubekit.text import Printed, Table


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
        return [*(self.failing.tables() if self.failing.failures else []), *self.report.tables()]

    def short(self) -> list[Table]:
        """Parts that fail first, where any do."""
        return [*(self.failing.tables() if self.failing.failures else []), *self.report.short()]
