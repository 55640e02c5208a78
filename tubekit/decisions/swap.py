"""Before and after: what a change of parts, tubes or mains moves, and whether it may stay."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.amp.parts import Connector, PowerTransformer, Wire
from tubekit.decisions.before_after import MOVED, before_after, moving_rows
from tubekit.decisions.compare import together
from tubekit.decisions.effects import heard
from tubekit.decisions.limits import Limits, limits
from tubekit.decisions.rating import KINDS, MANY_TIMES, Finding, RatingCheck, counted, numbered
from tubekit.decisions.socket_check import check_fit
from tubekit.decisions.tube_limits import SYSTEM_WORDS
from tubekit.text import Printed, Table, headed
from tubekit.units import show

MEASURED = 6
"""Readings named to confirm a change; common practice, no source."""
CATHODE, RESERVOIR, NODE, PIN = range(4)
"""Where to probe, the safest first: what stands on nothing but a plug or its wires last."""


@dataclass(frozen=True, eq=False, repr=False)
class SwapReport(Printed):
    """An amp before and after a change.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> report = swap(load_amp("teasel"), {"V5": "5AR4"})
    >>> report.acceptable, report.after.node("B1").dc_v > report.before.node("B1").dc_v
    (False, True)
    """

    before: AmpReport
    after: AmpReport
    limits_before: Limits
    limits_after: Limits

    json_keys = (
        "amp=before.amp.title", "acceptable", "verdict", "before", "after",
        "ratings_before=limits_before.checks", "ratings_after=limits_after.checks",
    )  # fmt: skip

    @cached_property
    def verdict(self) -> tuple[Finding, ...]:
        """The gravest first, and of those what the change brings about."""
        before, after = self.before, self.after
        was = {c.key: c for c in self.limits_before}
        gone = [Finding("note", "", text, code="rail_gone") for text in _gone(before, after)]
        result = [*_oscillation(before, after), *gone, *check_fit(before, after)]
        for now in self.limits_after:
            old = was.get(now.key)
            cause = now.since(old)
            if now.state != "within":
                result.append(_rating(now, old, cause))
            elif old is not None and old.state == "exceeded":
                result.append(replace(_rating(now, old, cause), weight="note"))
        order = list(WEIGHTS)
        return tuple(sorted(result, key=lambda f: (order.index(f.weight), not f.by_change)))

    @property
    def acceptable(self) -> bool:
        """True where the change brings no reason to stop, and exceeds no rating nor makes one worse."""
        return not any(f.by_change for f in self.verdict if f.weight in ("stop", "exceeded"))

    def headline(self) -> str:
        """The verdict in one sentence: what the change does, then what was so already."""
        by_change, before = (
            {w: sum(f.weight == w and f.by_change is own and f.cause != "mended" for f in self.verdict)
             for w in WEIGHTS}
            for own in (True, False)
        )  # fmt: skip
        mended = sum(f.cause == "mended" and f.code in KINDS for f in self.verdict)
        stops = by_change["stop"]
        words = [words.split(":")[0] for words in _gone(self.before, self.after)]
        words += [counted(stops, "reason") + " not to do it" if stops else "", *_used(by_change)]
        words.append(f"{counted(mended, 'rating')} fixed" if mended else "")
        stopped = [counted(before["stop"], "reason") + " to stop"] if before["stop"] else []
        already = " and ".join([*stopped, *_used(before)])
        quiet = "no rating gets worse" if already else "all ratings met with at least 10 % to spare"
        text = ", ".join(word for word in words if word) or quiet
        return f"{_change_words(self)}: {text}.{f' Unchanged: {already}.' if already else ''}"

    def tables(self) -> list[Table]:
        """Verdict first, then everything that moves."""
        marks, sources = numbered([f.source for f in self.verdict])
        rows = [
            (WEIGHTS[f.weight], f.text, CAUSES[f.cause], mark)
            for f, mark in zip(self.verdict, marks, strict=True)
        ]
        note = "\n".join(part for part in (SYSTEM_WORDS if self.limits_after.checks else "", sources) if part)
        verdict = Table("Verdict", headed("", "finding", "", ""), rows, note=note, key="verdict")
        return [verdict, self.to_measure(), *before_after(self.before, self.after)]

    def to_measure(self) -> Table:
        """The readings that tell best whether the change did what was predicted, the safest first."""
        moved = sorted(_twins(_moves(self)), key=lambda row: (row.rank == PIN, -row.move))
        lead = [row for row in moved if row.rank == CATHODE][:2] + [r for r in moved if r.rank == RESERVOIR]
        moved = [*lead, *(row for row in moved if row not in lead)][:MEASURED]
        place = self.after.amp.topology.place
        columns = headed("measure", "before [V]", "expect [V]")
        rows = [(f"{', '.join(map(place, row.nodes))} to ground", row.old, row.new) for row in moved]
        return Table("Check on the bench", columns, rows, key="measure")

    def answer(self) -> str:
        """The verdict, what is heard of the change, and that nothing moves where nothing does."""
        single = self.before.amp.batch is None and self.after.amp.batch is None
        words = [
            f"{one.what} {one.decibels}" for one in (heard(self.before, self.after) if single else ())
            if np.isfinite(one.change) and (one.counts if one.unit == "V" else abs(one.change) >= MOVED)
        ]  # fmt: skip
        if words:
            return f"{self.headline()} Heard: {', '.join(words)}."
        quiet = " No voltage, current, gain, tone or hum changes by 1 % or more."
        return self.headline() + ("" if self.moved.rows else quiet)

    @cached_property
    def moved(self) -> Table:
        """What changes by 1 % or more."""
        return moving_rows(before_after(self.before, self.after))

    def short(self) -> list[Table]:
        """Findings about the change, values that change, readings to take; then what was so before."""
        checks = {(c.part, c.code): c for c in self.limits_after}
        was = {c.key: c for c in self.limits_before}
        words: list[tuple[str, Finding]] = []
        rated: list[tuple[Any, ...]] = []
        same: list[tuple[Any, ...]] = []
        for f in self.verdict:
            now = checks.get((f.part, f.code))
            if now is None or f.code not in KINDS:
                words.append((WEIGHTS[f.weight], f))
                continue
            old = was.get(now.key)
            before = None if old is None else (old.value, old.unit)
            cells = ((now.value, now.unit), (now.limit, now.unit), now.used)
            row = (WEIGHTS[f.weight], now.part, now.what, before, *cells)
            (rated if f.by_change else same).append(row)
        same = [row for row in same if row[0] == WEIGHTS["exceeded"]]
        heads = headed("", "part", "what", "before", "after", "limit", "% of limit [] >")
        stops, notes = (
            Table(
                "Verdict", headed("", "finding"), _joined([(w, f) for w, f in words if (w == NOTE) is note])
            )
            for note in (False, True)
        )
        ratings = Table("Ratings exceeded or near the limit", heads, rated)
        unchanged = replace(ratings, title="Exceeded before and after", rows=same)
        return [stops, ratings, self.moved, notes, self.to_measure(), unchanged]


def _used(count: Mapping[str, int]) -> list[str]:
    words = {"exceeded": "exceeded", "at limit": "at the limit", "near": "within 10 % of the limit"}
    return [f"{counted(count[w], 'rating')} {text}" for w, text in words.items() if count[w]]


def _joined(findings: list[tuple[str, Finding]]) -> list[tuple[str, str]]:
    """Findings in words; what is said of two parts alike is said once."""
    rows = []
    for weight in dict.fromkeys(weight for weight, _ in findings):
        texts = [(f.part, f.text.removeprefix(f"{f.part}: ")) for w, f in findings if w == weight]
        rows += [(weight, text.removeprefix(": ")) for text in together(texts)]
    return rows


WEIGHTS = {"stop": "STOP", "exceeded": "EXCEEDED", "at limit": "AT LIMIT", "near": "near", "note": "note"}
NOTE = WEIGHTS["note"]
CAUSES = {"new": "new", "worse": "worse", "already so": "as before", "mended": "fixed"}


def swap(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    mains_rms: float | None = None,
    near: SwapReport | None = None,
) -> SwapReport:
    """Find what a change does to an amp, before anyone solders.

    Parameters
    ----------
    amp
        The amp as it stands.
    changes
        Designator to new value or type, as for `Amp.changed`.
    mains_rms
        Mains voltage to judge the change at [V RMS], the amp's own when not given. Before and after are both
        solved there, so that the change alone shows; without any other change the amp's own mains is the
        'before'.
    near
        A report on a similar change, to start the solves from.

    Returns
    -------
    SwapReport
        The amp before and after, ratings and findings.

    Raises
    ------
    ChangeError
        A part that is not there (near matches listed), a value it cannot take, a line voltage outside
        reason.
    SolveError
        Before or after has no idle state that can be found.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> report = swap(load_amp("teasel"), {"R14": "330"})
    >>> report.after.tube("V3").plate_a < report.before.tube("V3").plate_a
    True
    """
    moved = amp if mains_rms is None else amp.changed({}, mains_rms=mains_rms)
    base, changed = (moved if changes else amp), moved.changed(changes or {})
    if near is not None and near.before.amp is base:  # as it was at the last move of a slider
        before, limits_before = near.before, near.limits_before
    else:
        before = analyze(base, near=near.before if near else None)
        limits_before = limits(before)
    after = analyze(changed, near=near.after if near else before)
    return SwapReport(before, after, limits_before, limits(after))


def _gone(before: AmpReport, after: AmpReport) -> list[str]:
    """Which supplies the change takes away, in words."""
    known = [node for nodes in before.gone.values() for node in nodes]
    said = set(before.gone_words())
    return [words for words in after.gone_words(known) if words not in said]


def _oscillation(before: AmpReport, after: AmpReport) -> Iterator[Finding]:
    """That the amp oscillates after the change, or no longer does."""
    was = before.stability.dangers
    for note in after.stability.dangers:
        cause = "already so" if was else "new"
        yield Finding("stop", note.part, after.stability.headline(), "natural frequencies", note.code, cause)
    if was and not after.stability.dangers:
        text = "The amp oscillated before the change and no longer does."
        yield Finding("note", was[0].part, text, "natural frequencies", was[0].code, "mended")


def _rating(now: RatingCheck, old: RatingCheck | None, cause: str) -> Finding:
    """A used rating as a line of the verdict; what moves is a share, so it is told in points."""
    if old is None:
        return Finding(now.state, now.part, now.sentence(), now.source, now.code, cause)
    points = 100.0 * (now.worst - old.worst)
    same = np.allclose(old.share, now.share, rtol=0.005, equal_nan=True)
    steps = f" ({points:+.0f} points)" if abs(points) < 100 * MANY_TIMES else ""
    moved = f", {show(old.value, old.unit)} before{steps}"
    text = now.sentence() + (", as before" if same else moved)
    return Finding(now.state, now.part, text, now.source, now.code, cause)


def _change_words(report: SwapReport) -> str:
    before, after = report.before.amp, report.after.amp
    words = []
    for part in dict.fromkeys((*before.changes, *after.changes)):
        old, new = (_state(amp, part, other) for amp, other in ((before, after), (after, before)))
        if part != "mains" and old != new:
            words.append(f"{part} {old} → {new}")
    at = show(np.asarray(after.mains_rms), "V") + " line"
    return f"{before.title}, {', '.join(words) or 'no part changed'} at {at}"


def _state(amp: Amp, part: str, other: Amp) -> str:
    """Value of a part: as changed, or as on the schematic."""
    return amp.changes[part][1] if part in amp.changes else other.changes[part][0]


@dataclass(frozen=True)
class _Moved:
    """Nodes that read alike; `move` against a meter of 1 % and 50 mV, `rank` as below `CATHODE`."""

    nodes: tuple[str, ...]
    old: Any
    new: Any
    move: float
    rank: int


def _moves(report: SwapReport) -> list[_Moved]:
    """What moves, cathodes and the first filter capacitor first, bare pins of a plug last."""
    amp = report.after.amp
    cathodes, first = amp.topology.wired.cathodes, {r.node for r in amp.drawn.topology.wired.rails[:1]}
    windings = {n for p in amp.parts.values() if isinstance(p, PowerTransformer) for n in p.nodes} - first
    inside = {n for p in amp.parts.values() if not isinstance(p, Connector | Wire) for n in p.nodes}
    old = {n.node: n.dc_v for n in report.before.nodes if n.node not in windings}
    rows = []
    for n in report.after.nodes:
        if n.node in old:
            meter = 0.01 * np.abs(old[n.node]) + 0.05  # meter spread; common practice, no source
            move = float(np.nanmax(np.abs(n.dc_v - old[n.node]) / meter))
            rank = CATHODE if n.node in cathodes else RESERVOIR if n.node in first else NODE
            rank = rank if n.node in inside else PIN
            rows.append(_Moved((n.node,), old[n.node], n.dc_v, move, rank))
    return sorted((row for row in rows if row.move > 1.0), key=lambda row: row.rank)


ALIKE = 3e-3
"""Two readings that a bench meter does not tell apart, relative; common practice, no source."""


def _twins(rows: list[_Moved]) -> list[_Moved]:
    """Nodes that read and move alike, as equal stages do, on one line; no pin where another node is there."""
    joined: list[_Moved] = []
    for row in rows:
        for k, one in enumerate(joined):
            if all(np.allclose(a, b, rtol=ALIKE) for a, b in ((one.old, row.old), (one.new, row.new))):
                if row.rank < PIN or one.rank == PIN:
                    joined[k] = replace(one, nodes=(*one.nodes, *row.nodes))
                break
        else:
            joined.append(row)
    return joined
