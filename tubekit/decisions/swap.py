"""Before and after: what a change of parts, tubes or mains moves, and whether it may stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyse
from tubekit.amp.parts import PowerTransformer
from tubekit.amp.report import CAUTION
from tubekit.decisions.fitting import Remark, fitting
from tubekit.decisions.limits import Limits, limits
from tubekit.decisions.rating import RatingCheck, counted, numbered
from tubekit.decisions.tables import before_after
from tubekit.text import Column, Printed, Table, to_json_value
from tubekit.units import show

Array = np.ndarray


@dataclass(frozen=True)
class Finding:
    """One line of the verdict. `weight`: 'stop', 'exceeded', 'near' or 'note'."""

    weight: str
    part: str
    text: str
    source: str = ""


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
    verdict: tuple[Finding, ...]

    @property
    def acceptable(self) -> bool:
        """True where nothing stops the change and no rating is exceeded at idle."""
        return not any(f.weight in ("stop", "exceeded") for f in self.verdict)

    def headline(self) -> str:
        """The verdict in one sentence."""
        count = {w: sum(f.weight == w for f in self.verdict) for w in ("stop", "exceeded", "near")}
        words = [
            counted(count["stop"], "reason") + " not to fit it" if count["stop"] else "",
            counted(count["exceeded"], "rating") + " exceeded" if count["exceeded"] else "",
            f"{count['near']} within 10 % of their rating" if count["near"] else "",
        ]
        said = ", ".join(word for word in words if word) or "every rating is kept with 10 % in hand"
        return f"{_change_words(self)}: {said}."

    def tables(self) -> list[Table]:
        """Verdict first, then everything that moves."""
        marks, sources = numbered([f.source for f in self.verdict])
        rows = [(_WEIGHTS[f.weight], f.text, mark) for f, mark in zip(self.verdict, marks, strict=True)]
        note = "\n".join(part for part in (sources, CAUTION) if part)
        verdict = Table("Verdict", (Column(""), Column("finding"), Column("")), rows, note=note)
        return [verdict, self.to_measure(), *before_after(self.before, self.after)]

    def to_measure(self) -> Table:
        """The readings that tell best whether the change did what is foretold."""
        moved = sorted(_twins(_moves(self)), key=lambda row: -row[-1])[:6]
        columns = (Column("measure"), Column("before", "V", 4), Column("expect", "V", 4))
        rows = [(f"{nodes} to ground", old, new) for nodes, old, new, _ in moved]
        return Table("To confirm it on the bench", columns, rows)

    def to_json(self) -> dict[str, Any]:
        """The report in terms JSON has: SI units, keys from the glossary."""
        return {
            "amp": self.before.amp.title,
            "acceptable": self.acceptable,
            "verdict": to_json_value(self.verdict),
            "before": self.before.to_json(),
            "after": self.after.to_json(),
            "ratings_before": to_json_value(self.limits_before.checks),
            "ratings_after": to_json_value(self.limits_after.checks),
            "caution": CAUTION,
        }


_WEIGHTS = {"stop": "STOP", "exceeded": "EXCEEDED", "near": "near", "note": "note"}


def swap(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    mains_rms: float | None = None,
    near: SwapReport | None = None,
) -> SwapReport:
    """What a change does to an amp, before anyone solders.

    Parameters
    ----------
    amp : the amp as it stands.
    changes : designator to new value or type, as for `Amp.changed`.
    mains_rms : mains voltage to judge the change at [V rms], the amp's own when not given. Before and
        after are both solved there, so that the change alone shows; without any other change the
        amp's own mains is the 'before'.
    near : a report on a similar change, to start the solves from.

    Raises
    ------
    ChangeError : a part that is not there (near matches listed), a value it cannot take, a mains
        voltage outside reason.
    SolveError : before or after has no idle state that can be found.

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
        before = analyse(base, near=near.before if near else None)
        limits_before = limits(before)
    after = analyse(changed, near=near.after if near else before)
    limits_after = limits(after)
    verdict = judged(before, after, limits_before, limits_after)
    return SwapReport(before, after, limits_before, limits_after, verdict)


def judged(
    before: AmpReport, after: AmpReport, limits_before: Limits, limits_after: Limits
) -> tuple[Finding, ...]:
    """Findings on a change, the gravest first."""
    was = {(c.part, c.what, c.rule.split()[-1]): c for c in limits_before}
    used = (c for c in limits_after if c.state != "within")
    found = [
        *(_remark(r) for r in fitting(before, after)),
        *(_rating(c, was.get((c.part, c.what, c.rule.split()[-1]))) for c in used),
    ]
    order = list(_WEIGHTS)
    return tuple(sorted(found, key=lambda f: order.index(f.weight)))


def _remark(remark: Remark) -> Finding:
    return Finding(remark.weight, remark.part, f"{remark.part}: {remark.text}", "tube catalogue")


def _rating(now: RatingCheck, old: RatingCheck | None) -> Finding:
    same = old is not None and np.allclose(old.share, now.share, rtol=0.005, equal_nan=True)
    before = ", as before" if same else f", {show(old.value, old.unit)} before" if old is not None else ""
    return Finding(now.state, now.part, now.sentence() + before, now.source)


def _change_words(report: SwapReport) -> str:
    before, after = report.before.amp, report.after.amp
    words = []
    for part in dict.fromkeys((*before.changes, *after.changes)):
        old, new = (_state(amp, part, other) for amp, other in ((before, after), (after, before)))
        if part != "mains" and old != new:
            words.append(f"{part} {old} → {new}")
    at = show(np.asarray(after.mains_rms), "V") + " mains"
    return f"{before.title}, {', '.join(words) or 'nothing changed'} at {at}"


def _state(amp: Amp, part: str, other: Amp) -> str:
    """What stands at a part: as changed, else as drawn."""
    return amp.changes[part][1] if part in amp.changes else other.changes[part][0]


def _moves(report: SwapReport) -> list[tuple[str, Any, Any, float]]:
    """(node, before, after, how far it moves against a meter of 1 % and 50 mV)."""
    amp = report.after.amp
    windings = {n for p in amp.parts.values() if isinstance(p, PowerTransformer) for n in p.nodes}
    old = {n.node: n.dc_v for n in report.before.nodes if n.node not in windings}
    rows = []
    for n in report.after.nodes:
        if n.node in old:
            meter = 0.01 * np.abs(old[n.node]) + 0.05  # meter spread; common practice, no source
            rows.append((n.node, old[n.node], n.dc_v, float(np.nanmax(np.abs(n.dc_v - old[n.node]) / meter))))
    return [row for row in rows if row[-1] > 1.0]


def _twins(rows: list[tuple[str, Any, Any, float]]) -> list[tuple[str, Any, Any, float]]:
    """Nodes that read and move alike, as the plates of equal stages do, on one line."""
    joined: list[tuple[str, Any, Any, float]] = []
    for row in rows:
        for k, (names, old, new, move) in enumerate(joined):
            if np.allclose(old, row[1], rtol=1e-3) and np.allclose(new, row[2], rtol=1e-3):
                joined[k] = (f"{names}, {row[0]}", old, new, move)
                break
        else:
            joined.append(row)
    return joined
