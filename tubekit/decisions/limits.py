"""Every rating of every part, compared with what the amp does at idle.

What fails first in a supply, and how: ratings exceeded turned into what happens to the part.

How parts fail stands with each kind of rating; when a fuse opens is its class (`amp.surge`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.parts import Fuse, Part
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.amp.surge import fuse_class
from tubekit.amp.switching import SURGE_SHARE
from tubekit.decisions.rating import KINDS, RatingCheck, check, counted, numbered
from tubekit.decisions.tube_limits import SYSTEM_WORDS, rectifier_checks, tube_checks
from tubekit.text import Printed, Table, headed
from tubekit.units import show

TOLD = 1e-3
"""Ratings used by less than this share are counted in tables, not listed."""
PART_RATING = "rating in the amp file"


@dataclass(frozen=True, eq=False, repr=False)
class Limits(Printed):
    """All rating checks of an amp, the most used first."""

    report: AmpReport
    checks: tuple[RatingCheck, ...]

    def __iter__(self) -> Iterator[RatingCheck]:
        return iter(self.checks)

    @property
    def exceeded(self) -> tuple[RatingCheck, ...]:
        """Checks beyond their limit."""
        return tuple(c for c in self.checks if c.state == "exceeded")

    @property
    def near(self) -> tuple[RatingCheck, ...]:
        """Checks at their limit or within 10 % of it, those at it first."""
        return tuple(c for state in ("at limit", "near") for c in self.checks if c.state == state)

    def headline(self) -> str:
        """Number of ratings that are exceeded or near."""
        over = counted(len(self.exceeded), "rating") if self.exceeded else "no rating"
        at = sum(c.state == "at limit" for c in self.checks)
        close = f"{len(self.near) - at} of {len(self.checks)} within 10 % of the limit"
        return f"{over} exceeded; {f'{at} at the limit; ' if at else ''}{close}"

    def tables(self) -> list[Table]:
        """One row per check; those that hardly use their rating are only counted."""
        columns = headed("part", "what", "reading [] >", "limit [] >", "% of limit [] >", "state", "rule", "")
        lines = [c for c in self.checks if c.worst >= TOLD]
        marks, sources = numbered([c.source for c in lines])
        note = "\n".join(words for words in (SYSTEM_WORDS, sources) if words)
        if len(lines) < len(self.checks):
            more = counted(len(self.checks) - len(lines), "more rating")
            note = f"{note}\n{more}: less than 0.1 % of the limit."
        rows = [
            (c.part, c.what, (c.value, c.unit), (c.limit, c.unit), c.used, c.state,
             c.rule, mark)
            for c, mark in zip(lines, marks, strict=True)
        ]  # fmt: skip
        return [Table("Ratings", columns, rows, note=note, key="ratings")]


def limits(report: AmpReport, supply: SupplyReport | None = None) -> Limits:
    """Compare the report with every rating that the amp file and the tube catalogue state.

    Each limit holds at the line voltage its rating system means, see `tube_limits`. Tubes at cathode bias
    are compared with their dissipation rating itself; the 70 % rule of fixed-bias class AB is applied to
    fixed bias only.

    Parameters
    ----------
    report
        Of one amp or a batch, from `analyze`.
    supply
        Its supply, from `supply_report`, to save time.

    Returns
    -------
    Limits
        The used share of every rating, highest first.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> checks = limits(analyze(load_amp("teasel")))
    >>> sorted({c.what for c in checks if c.part == "V3"})[:2]
    ['grid-to-ground resistance', 'heater voltage error']
    """
    cold = _supply_checks(supply or supply_report(report.amp, near=report))
    return _sorted(report, (*_idle_checks(report), *cold))


def idle_limits(report: AmpReport) -> Limits:
    """The same without ripple current and cold surge of the filter capacitors: those take a second solve."""
    return _sorted(report, _idle_checks(report))


def _sorted(report: AmpReport, checks: Iterable[RatingCheck]) -> Limits:
    known = [c for c in checks if not np.isnan(c.worst)]
    return Limits(report, tuple(sorted(known, key=lambda c: -c.worst)))


def _idle_checks(report: AmpReport) -> Iterator[RatingCheck]:
    yield from tube_checks(report)
    yield from rectifier_checks(report)
    rectified = _rectified(report)
    for part in report.amp.parts.values():
        yield from _stated(report, part, rectified)


def _supply_checks(report: SupplyReport) -> Iterator[RatingCheck]:
    """Ripple current of capacitors and their surge with cold tubes."""
    for one in report.filters:
        yield from check(one.capacitor, "ripple_a", one.ripple_a, one.rated_a, "ripple rating", PART_RATING)
        stated = bool(np.all(np.isfinite(one.surge_v)))
        style = getattr(report.amp.parts.get(one.capacitor), "style", "")
        usual = np.asarray(one.rated_v) * (SURGE_SHARE if style == "electrolytic" else 1.0)
        surge = np.where(np.isfinite(one.surge_v), one.surge_v, usual)
        limit = float(surge) if surge.ndim == 0 else surge
        rule = "surge voltage" if stated else "usual surge voltage for its rating"
        yield from check(one.capacitor, "cold_v", one.cold_v, limit, rule, PART_RATING)


def _stated(report: AmpReport, part: Part, rectified: set[str]) -> Iterator[RatingCheck]:
    """The ratings a kind of part states, each with what it has to bear here."""
    if part.condition != "fitted":
        return
    one = report.solved.one
    for name, code, value, limit, rule in part.ratings(report.solved.state, rectified):
        if limit is None:
            continue
        value, limit = (one(each) if np.ndim(each) else each for each in (value, limit))  # noqa: PLW2901
        if code != "fuse_a":
            yield from check(name, code, value, limit, rule, PART_RATING)
            continue
        assert isinstance(part, Fuse)
        kind = fuse_class(report.amp, part)
        what = "line current" if name in report.amp.line_side.fuses else "current"
        note = f"it {kind.carries(np.asarray(value) / np.asarray(limit))}"
        yield from check(name, code, value, limit, f"{rule} ({kind})", PART_RATING, what=what, note=note)


def _rectified(report: AmpReport) -> set[str]:
    """Nodes at rectifiers, tube and silicon; not those of their heaters."""
    return {
        node for part in report.amp.parts.values() for pair in part.rectifies(as_wired=True)
        for node in set(pair) - set(getattr(part, "heater", ()))
    }  # fmt: skip


__all__ = ["Limits", "idle_limits", "limits"]


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
        return [Table("Over a limit or dead", headed("part", "what", "what may follow"), rows)]


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
    known = {c.part for c in exceeded}
    result = [*_dead(report), *(Failure(c.part, c.finding(), _how(report, c)) for c in exceeded)]
    own = {
        *(one.capacitor for one in report.filters), *(one.fuse for one in report.fuses),
        *(one.rectifier.split(".")[0] for one in report.rectifiers), *(one.part for one in report.coils),
    }  # fmt: skip
    result += (one for one in _without_load(report) if one.part not in known)
    return Failures(report, tuple(sorted(result, key=lambda one: one.part not in own)))


def _without_load(report: SupplyReport) -> Iterator[Failure]:
    """Capacitors above their rating, though not above its usual surge, while no tube draws."""
    for one in report.filters:
        if np.max(one.cold_v) > np.min(one.rated_v):
            volts, rated = show(np.max(one.cold_v), "V"), show(one.rated_v, "V")
            yield Failure(
                one.capacitor,
                f"{volts} while no tube draws exceeds its rating of {rated}",
                "it leaks and ages with tubes cold, pulled or on standby; fit one rated higher",
            )


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
