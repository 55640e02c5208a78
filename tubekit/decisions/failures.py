"""What fails first in a supply, and how: ratings exceeded turned into what happens to the part.

How parts fail stands with each kind of rating; when a fuse opens is its class (`amp.fuse_time`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts.tubes import RectifierTube
from tubekit.amp.supply import SupplyReport
from tubekit.decisions.limits import limits
from tubekit.decisions.rating import KINDS, RatingCheck
from tubekit.text import Printed, Table, headed
from tubekit.units import show

DEAD_V = 20.0
"""A reservoir below this, fed by a live rectifier, counts as dead [V]; common practice."""
WARNINGS = ("grid_leak", "idle_w")
"""Ratings beyond which a good tube still works: listed after what fails."""


@dataclass(frozen=True, eq=False)
class Failure:
    """One part beyond what it stands: what is exceeded, and what becomes of it."""

    part: str
    what: str
    how: str


@dataclass(frozen=True, eq=False, repr=False)
class Failures(Printed):
    """What fails in a supply as it stands, worst first."""

    report: SupplyReport
    failures: tuple[Failure, ...]

    json_keys = ("amp=report.amp.title", "failures")

    def headline(self) -> str:
        """Number of parts, and the first."""
        title = self.report.amp.title
        if not self.failures:
            return f"{title}: all supply parts are within their ratings at idle"
        first = self.failures[0]
        return f"{title}: {len(self.failures)} over a limit or dead. First, {first.part}: {first.what}"

    def tables(self) -> list[Table]:
        """One row per part."""
        rows = [(f.part, f.what, f.how) for f in self.failures]
        return [
            Table(
                "Over a limit or dead",
                headed("part", "what", "what may follow"),
                rows,
            )
        ]


def failures(report: SupplyReport) -> Failures:
    """Every part of an amp above its rating at idle, with what becomes of it.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.amp.supply import supply_report
    >>> result = failures(supply_report(load_amp("teasel").changed({"C14": "short"})))
    >>> "V5" in {one.part for one in result.failures}
    True
    """
    exceeded = list(limits(report.report, report).exceeded)
    exceeded.sort(key=lambda c: (c.code in WARNINGS, -float(np.nanmax(c.share))))
    result = [
        *_dead(report),
        *(Failure(c.part, c.finding(), _how(report, c)) for c in exceeded),
    ]
    return Failures(report, tuple(result))


def _how(report: SupplyReport, c: RatingCheck) -> str:
    fuse = next((f for f in report.fuses if f.fuse == c.part), None)
    part = report.amp.parts.get(c.part)
    if part is not None and part.fails:
        return part.fails
    if fuse is None:
        return KINDS[c.code].how
    return f"it {fuse.carries} ({fuse.fuse_class})"


def _dead(report: SupplyReport) -> Iterator[Failure]:
    """Rails that a fed rectifier leaves dead, with the reason where it can be seen."""
    state = report.report.solved.state
    for one in report.report.rectifiers:
        part = report.amp.parts[one.designator]
        if not isinstance(part, RectifierTube):
            continue
        volts = np.max(np.abs(state.mean(part.cathode)))
        if np.max(np.asarray(part.emission)) < 1e-3:
            yield Failure(
                one.designator, "does not conduct: its filament is open or it has no emission",
                f"no B+ at {part.cathode}; the tubes draw no current, and no other part is harmed",
            )  # fmt: skip
        elif volts < DEAD_V and np.max(np.asarray(one.dc_a)) > 1e-3:
            yield Failure(
                one.designator, f"works into a short: {show(one.dc_a, 'A')} and no voltage",
                "rectifier and transformer overheat until the fuse blows, if it is the right fuse",
            )  # fmt: skip
