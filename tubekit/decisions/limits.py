"""Every rating of every part, held against what the amp does at idle."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp import AmpReport, parts as drawn
from tubekit.amp.fuse_time import fuse_class
from tubekit.amp.parts.tubes import Tube
from tubekit.circuit.parts import Resistor
from tubekit.decisions.rating import RatingCheck, check, counted, numbered
from tubekit.decisions.tube_limits import SYSTEM_WORDS, rectifier_checks, tube_checks
from tubekit.text import Column, Printed, Table

Array = np.ndarray

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
        """Checks within 10 % of their limit."""
        return tuple(c for c in self.checks if c.state == "near")

    def headline(self) -> str:
        """How many ratings are exceeded or near."""
        return (
            f"{len(self.exceeded)} ratings exceeded, {len(self.near)} within 10 %, {len(self.checks)} checked"
        )

    def tables(self) -> list[Table]:
        """One row per check; those that hardly use their rating are only counted."""
        columns = (
            Column("part"), Column("what"), Column("reading", align="right"), Column("limit", align="right"),
            Column("used", "%"), Column("state"), Column("rule"), Column(""),
        )  # fmt: skip
        told = [c for c in self.checks if c.worst >= TOLD]
        marks, sources = numbered([c.source for c in told])
        note = "\n".join(words for words in (SYSTEM_WORDS, sources) if words)
        if len(told) < len(self.checks):
            note = f"{note}\n{counted(len(self.checks) - len(told), 'more rating')}: used by less than 0.1 %."
        rows = [
            (c.part, c.what, (c.value, c.unit), (c.limit, c.unit), 100.0 * np.asarray(c.share), c.state,
             c.rule, mark)
            for c, mark in zip(told, marks, strict=True)
        ]  # fmt: skip
        return [Table("Ratings", columns, rows, note=note)]


def limits(report: AmpReport) -> Limits:
    """Hold every rating the amp file and the tube catalogue state against the report.

    Each limit holds at the line voltage its rating system means, see `tube_limits`. Tubes at cathode bias
    are compared with their dissipation rating itself; the 70 % rule of fixed-bias class AB is applied to
    fixed bias only.

    Examples
    --------
    >>> from tubekit import analyse, load_amp
    >>> checks = limits(analyse(load_amp("teasel")))
    >>> sorted({c.what for c in checks if c.part == "V3"})[:2]
    ['grid-to-ground resistance', 'heater voltage error']
    """
    found = [*tube_checks(report), *rectifier_checks(report)]
    for part in report.amp.parts.values():
        builder = _PARTS.get(type(part))
        if builder is not None and part.condition == "fitted":
            found += builder(report, part)
    found += _capacitors(report)
    found += _windings(report)
    known = [c for c in found if not np.isnan(c.worst)]
    return Limits(report, tuple(sorted(known, key=lambda c: -c.worst)))


def _across(report: AmpReport, a: str, b: str) -> Array:
    """Effective voltage between two nodes, direct part included [V]."""
    state = report.solved.state
    return np.asarray(np.hypot(state.mean(a, b), state.ripple_rms(a, b)))


def _resistor(report: AmpReport, part: drawn.Resistor) -> list[RatingCheck]:
    if part.watts is None:
        return []
    watts = report.solved.one(_across(report, part.a, part.b) ** 2 / np.asarray(part.ohms))
    return check(part.designator, "watts", watts, part.watts, "resistor's rating", PART_RATING)


def _choke(report: AmpReport, part: drawn.Choke) -> list[RatingCheck]:
    amps = report.solved.one(np.abs(report.solved.state.winding_mean(part.designator)))
    return check(part.designator, "coil_dc_a", amps, part.amps, "choke's rating", PART_RATING)


def _fuse(report: AmpReport, part: drawn.Fuse) -> list[RatingCheck]:
    """Effective current of a fuse, wherever it stands."""
    wired = next((p for p in report.solved.state.circuit.of(Resistor) if p.name == part.designator), None)
    if wired is None:
        return []
    amps = report.solved.one(_across(report, part.a, part.b) / np.asarray(wired.ohms))
    what = "mains current" if part.designator in report.amp.line_side.fuses else "current"
    kind = fuse_class(report.amp, part)
    return check(
        part.designator, "fuse_a", amps, part.amps, f"fuse's rating ({kind})", PART_RATING, what=what,
        note=f"it {kind.carries(np.asarray(amps) / np.asarray(part.amps))}",
    )  # fmt: skip


def _capacitors(report: AmpReport) -> list[RatingCheck]:
    found = []
    state = report.solved.state
    for part in report.amp.parts.values():
        if isinstance(part, drawn.Capacitor) and part.condition == "fitted" and part.volts is not None:
            peak = report.solved.one(np.abs(state.waveform(part.a, part.b)).max(axis=1))
            found += check(part.designator, "working_v", peak, part.volts, "capacitor's rating", PART_RATING)
    return found


def _windings(report: AmpReport) -> list[RatingCheck]:
    """Heater and primary windings by effective current, rectifier windings by direct current."""
    found = []
    parts = report.amp.parts
    plates = {node for p in parts.values() if isinstance(p, Tube) for node in getattr(p, "plates", ())}
    plates |= {node for p in parts.values() if isinstance(p, drawn.Diode) for node in (p.a, p.b)}
    for w in report.windings:
        part = parts[w.transformer]
        assert isinstance(part, drawn.Transformer)
        winding = part.winding(w.winding)
        direct = isinstance(part, drawn.OutputTransformer) or bool(plates & set(winding.taps))
        code, amps = ("coil_dc_a", w.dc_a) if direct else ("coil_a", w.rms_a)
        name = f"{w.transformer} {w.winding}".replace("_", " ")
        found += check(name, code, amps, winding.amps, "winding's rating", PART_RATING)
    return found


_PARTS: dict[type, Callable[..., list[RatingCheck]]] = {
    drawn.Resistor: _resistor,
    drawn.Choke: _choke,
    drawn.Fuse: _fuse,
}


__all__ = ["Limits", "limits"]
