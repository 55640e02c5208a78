"""Before and after, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.readings import outside_note
from tubekit.text import LEAST, Column, Table, headed

LIVE_AC_V = 2.0
"""From here on a node that alternates more than it is direct is left out of a table of DC [V]: 0 V DC at the
line is no reading to go by."""
MOVED = 0.01
"""A reading that moves by less is left out of a short answer; a meter of 1 % shows no less."""
SEEN = {**LEAST, "V": 0.05, "×": 0.05}
"""What changes a bench meter still shows without doubt: a few millivolts at a grid are not worth a line."""
Row = tuple[str, str, Any, Any, str]


def before_after(before: AmpReport, after: AmpReport) -> list[Table]:
    """Supply, tubes, gains, nodes and windings of two reports, each with the change."""
    return [
        _table("Supply", "part", _supply(before), _supply(after)),
        _marked(_table("Tubes", "tube", _tubes(before), _tubes(after)), before, after),
        _marked(_table("Gain of each stage at 1 kHz", "tube", _gains(before), _gains(after)), before, after),
        _table("Nodes (DC to ground)", "node", _nodes(before), _nodes(after)),
        _table("Windings", "winding", _windings(before), _windings(after)),
    ]


LEADING = ("DC", "ripple p-p", "cathode current", "plate dissipation", "screen dissipation")
"""What a change is judged by, of the reservoir, the B+ node that moves most and the
hottest tubes."""
LEADERS = 2


def moving_rows(tables: Sequence[Table]) -> Table:
    """The rows that change by 1 % or more: what `LEADING` names, then tubes and supply; equal ones on one
    line, none below `SEEN`.
    """

    def size(row: Sequence[Any]) -> float:
        (old, unit), (new, _) = row[2], row[3]
        least = SEEN.get(unit.split(" ")[0], 0.0)
        if max(np.max(np.abs(old)), np.max(np.abs(new))) <= least:
            return 0.0
        return float(np.max(np.abs(np.subtract(new, old)) / np.maximum(np.abs(old), least or 1e-12)))

    rows: list[tuple[Any, ...]] = []
    supply, tubes, *_ = tables
    hot = [row for row in tubes.rows if row[1] == "plate dissipation" and row[3]]
    most = sorted(hot, key=lambda row: -np.max(row[3][0]))
    rails = sorted((row for row in supply.rows if row[1] == "DC" and row[2] and row[3]), key=size)
    lead = {row[0] for row in (*supply.rows[:1], *rails[-1:], *most[:LEADERS])}
    for table in tables:
        for row in table.rows:
            if row[2] is None or row[3] is None or row[3][1] == "%" or (by := size(row)) < MOVED:
                continue
            first = LEADING.index(row[1]) if row[0] in lead and row[1] in LEADING else len(LEADING)
            rank = (first, 0.0) if first < len(LEADING) else (first + (table not in (supply, tubes)), -by)
            rows.append((*row, rank))
    rows.sort(key=lambda row: row[-1])
    columns = (Column("part"), Column(""), *(replace(each, tiny=True) for each in supply.columns[2:]))
    joined = Table("", columns, [row[:-1] for row in rows]).alike("part").rows
    columns = (Column("what"), *columns[2:])
    title = f"Changed by {100 * MOVED:.0f} % or more"
    return Table(title, columns, [(" ".join(filter(None, row[:2])), *row[2:]) for row in joined], key="moved")


def _marked(table: Table, before: AmpReport, after: AmpReport) -> Table:
    """The table with tubes marked that are outside the range of their law, before or after."""
    out = {t.section: t.marked for t in (*before.tubes, *after.tubes) if t.outside}
    rows = [(out.get(place, place), *rest) for place, *rest in table.rows]
    return replace(table, rows=rows, note=outside_note(after.tubes) or outside_note(before.tubes))


Entries = dict[tuple[str, str], tuple[Any, str]]


def _table(title: str, head: str, before: Entries, after: Entries) -> Table:
    rows = [
        (place, what, before.get(key, (None, ""))[:2], after.get(key, (None, ""))[:2])
        for key in dict.fromkeys((*before, *after))
        for place, what in [key]
    ]
    sides = headed("before", "after")
    columns = (Column(head), Column(""), *sides, Column("change", align="right"))
    return Table(title, columns, [_line(row) for row in rows if _present(row)])


def _present(row: Sequence[Any]) -> bool:
    return any(value is not None and not np.all(np.isnan(value)) for value, _ in row[2:])


def _line(row: Sequence[Any]) -> tuple[Any, ...]:
    place, what, (old, old_unit), (new, unit) = row
    return (
        place, what,
        None if old is None else (old, old_unit),
        None if new is None else (new, unit),
        _points(old, new) if unit == "%" else _change(old, new),
    )  # fmt: skip


def _change(old: Any, new: Any) -> str:
    """Per cent of the old reading; blank where either is missing or nothing moved."""
    if old is None or new is None:
        return ""
    with np.errstate(divide="ignore", invalid="ignore"):
        percent = 100.0 * (np.asarray(new) / np.asarray(old) - 1.0)
    known = percent[np.isfinite(percent)] if percent.ndim else percent[None][np.isfinite(percent)[None]]
    if known.size == 0 or np.all(np.abs(known) < 0.05):
        return ""
    low, high = f"{known.min():+.1f} %", f"{known.max():+.1f} %"
    return low if low == high else f"{low}…{high}"


def _points(old: Any, new: Any) -> str:
    """A share of a rating moves in points, never in per cent of a per cent."""
    if old is None or new is None:
        return ""
    moved = np.asarray(new, float) - np.asarray(old, float)
    known = moved[np.isfinite(moved)]
    if known.size == 0 or np.all(np.abs(known) < 0.05):
        return ""
    low, high = f"{known.min():+.1f} points", f"{known.max():+.1f} points"
    return low if low == high else f"{low}…{high}"


def _collect(items: Iterable[tuple[str, str, Any, str]]) -> Entries:
    return {(place, what): (value, unit) for place, what, value, unit in items}


def _supply(report: AmpReport) -> Entries:
    def items() -> Iterable[tuple[str, str, Any, str]]:
        for r in report.rails:
            place = f"{r.capacitor} at {r.node}"
            yield place, "DC", r.dc_v, "V"
            yield place, "ripple p-p", r.ripple_pp_v, "V"
            yield place, "ripple RMS", r.ripple_rms_v, "V"
        for d in report.rectifiers:
            yield d.designator, "DC current", d.dc_a, "A"
            yield d.designator, "peak current per plate", d.peak_a, "A"
            yield d.designator, "peak inverse voltage", d.inverse_v, "V"

    return _collect(items())


def _tubes(report: AmpReport) -> Entries:
    def items() -> Iterable[tuple[str, str, Any, str]]:
        for t in report.tubes:
            yield t.section, "plate to cathode", t.plate_v, "V"
            yield t.section, "screen to cathode", t.screen_v, "V"
            yield t.section, "grid to cathode", t.grid_v, "V"
            yield t.section, "plate current", t.plate_a, "A"
            yield t.section, "screen current", t.screen_a, "A"
            yield t.section, "cathode current", t.cathode_a, "A"
            yield t.section, "plate dissipation", t.plate_w, "W"
            yield t.section, "plate, % of rating", 100.0 * np.asarray(t.plate_share), "%"
            yield t.section, "screen dissipation", t.screen_w, "W"
            yield t.section, "screen, % of rating", 100.0 * np.asarray(t.screen_share), "%"
            yield t.section, "heater", t.heater_rms_v, "V RMS"

    return _collect(items())


def _gains(report: AmpReport) -> Entries:
    def items() -> Iterable[tuple[str, str, Any, str]]:
        for t in report.tubes:
            yield t.section, "gain, grid to plate", t.gain, "×"
            yield t.section, "gain, grid to cathode", t.cathode_gain, "×"

    return _collect(items())


def _nodes(report: AmpReport) -> Entries:
    """Direct volts, nodes of the line and of windings left out."""
    direct = (n for n in report.nodes if not np.any((n.ac_rms_v > LIVE_AC_V) & (n.ac_rms_v > np.abs(n.dc_v))))
    return _collect((n.place, "", n.dc_v, "V") for n in direct)


def _windings(report: AmpReport) -> Entries:
    def items() -> Iterable[tuple[str, str, Any, str]]:
        for w in report.windings:
            place = f"{w.transformer} {w.winding}".replace("_", " ")
            yield place, "AC volts", w.rms_v, "V RMS"
            yield place, "AC current", w.rms_a, "A"
            yield place, "DC current", w.dc_a, "A"

    return _collect(items())
