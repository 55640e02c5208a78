"""Answers that only the terminal needs: the list of amps, a report with its ratings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from tubekit.amp import Amp, demo_names, load_amp
from tubekit.text import Printed, Table, headed

if TYPE_CHECKING:
    from tubekit.amp import AmpReport
    from tubekit.decisions import Limits


@dataclass(frozen=True, eq=False, repr=False)
class AmpList(Printed):
    """The amps that come with tubekit."""

    amps: tuple[Amp, ...]

    @classmethod
    def of_demos(cls) -> AmpList:
        """Every demo amp, read and checked."""
        return cls(tuple(load_amp(name) for name in demo_names()))

    def headline(self) -> str:
        """Heading of the list."""
        return "Demo amps (made up):"

    def tables(self) -> list[Table]:
        """One row per amp."""
        rows = [(a.name, a.title, a.year, a.design_mains_rms, _tubes(a)) for a in self.amps]
        columns = headed("name", "amp", "year", "line [V]", "tubes")
        stories = "\n".join(f"{a.name}: {a.story}" for a in self.amps if a.story)
        return [Table("", columns, rows, note=stories)]

    def to_json(self) -> list[dict[str, Any]]:
        """The same rows for a program."""
        return [
            {
                "name": a.name, "title": a.title, "year": a.year, "design_mains_rms": a.design_mains_rms,
                "mains_hz": a.mains_hz, "tubes": _tubes(a), "story": a.story,
            }
            for a in self.amps
        ]  # fmt: skip


FEW = 3
"""Ratings that are near their limit, in a short report."""


def _tubes(amp: Amp) -> str:
    types = [
        str(part.type) for name, part in amp.parts.items() if name.startswith("V") and hasattr(part, "type")
    ]
    return ", ".join(f"{types.count(t)} × {t}" if types.count(t) > 1 else t for t in dict.fromkeys(types))


@dataclass(frozen=True, eq=False, repr=False)
class FullReport(Printed):
    """The report of an amp, with every rating."""

    report: AmpReport
    ratings: Limits

    json_keys = ("*report", "ratings=ratings.checks")

    @classmethod
    def of(cls, amp: Amp) -> FullReport:
        """Solve an amp and hold its ratings against it."""
        from tubekit.amp import analyze
        from tubekit.decisions import limits

        report = analyze(amp)
        return cls(report, limits(report))

    def headline(self) -> str:
        """The amp, then how its ratings stand."""
        return f"{self.report.headline()}: {self.ratings.headline()}."

    def tables(self) -> list[Table]:
        """Ratings last: they are the longest."""
        return [*self.report.tables(), *self.ratings.tables()]

    def short(self) -> list[Table]:
        """Ratings exceeded or nearly so, then tubes and rails."""
        ratings = self.ratings.table("ratings")
        strained = sum(check.state != "within" for check in self.ratings.checks)  # the most used come first
        rows = ratings.rows[: min(strained, max(FEW, len(self.ratings.exceeded)))]
        worst = replace(ratings, title="Ratings (exceeded or within 10 %)", rows=rows)
        return [worst.only("part", "what", "reading", "limit", "% of limit", "state"), *self.report.short()]
