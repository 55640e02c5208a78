"""Answers that only the terminal needs: the list of amps, a report with its ratings."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from tubekit.files import data_file, demo_names
from tubekit.text import Printed, Table, headed
from tubekit.units import parse

if TYPE_CHECKING:
    from tubekit.amp import Amp, AmpReport
    from tubekit.decisions import Limits


@dataclass(frozen=True, eq=False, repr=False)
class AmpList(Printed):
    """The amps that come with tubekit."""

    amps: tuple[dict[str, Any], ...]

    @classmethod
    def of_demos(cls) -> AmpList:
        """Every demo amp, by its heading and its tubes: no part is read for a list."""
        return cls(tuple(_listed(name) for name in demo_names()))

    def headline(self) -> str:
        """Heading of the list."""
        return "Demo amps (made up):"

    def tables(self) -> list[Table]:
        """One row per amp."""
        rows = [
            [amp[key] for key in ("name", "title", "year", "design_mains_rms", "tubes")] for amp in self.amps
        ]
        columns = headed("name", "amp", "year", "line [V]", "tubes")
        stories = "\n".join(f"{amp['name']}: {amp['story']}" for amp in self.amps if amp["story"])
        return [Table("", columns, rows, note=stories)]

    def to_json(self) -> list[dict[str, Any]]:
        """The same rows for a program."""
        return [*self.amps]


def _listed(name: str) -> dict[str, Any]:
    file = tomllib.loads(data_file("amps", f"{name}.toml").read_text("utf-8"))
    heading, parts = file["amp"], file["parts"]
    count = Counter(part["type"] for tube, part in parts.items() if tube.startswith("V") and "type" in part)
    return {
        "name": name, "title": heading["title"], "year": heading["year"],
        "design_mains_rms": parse(heading["design_mains"], "V"),
        "mains_hz": parse(heading["mains_frequency"], "Hz"),
        "tubes": ", ".join(f"{n} × {each}" if n > 1 else each for each, n in count.items()),
        "story": heading["story"],
    }  # fmt: skip


FEW = 3
"""Ratings that are near their limit, in a short report."""


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
