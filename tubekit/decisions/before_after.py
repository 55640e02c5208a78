"""Before and after, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    gain = _table("Gain of each stage at 1 kHz", "tube", _tubes(before, _GAIN), _tubes(after, _GAIN))
    return [
        _table("Supply", "part", _supply(before), _supply(after)),
        _marked(_table("Tubes", "tube", _tubes(before, _TUBE), _tubes(after, _TUBE)), before, after),
        _marked(gain, before, after),
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
    """A row with its change: per cent, of a share of a rating points, never per cent of a per cent."""
    place, what, (old, _), (new, unit) = row
    sides = [None if value is None else (value, unit_of) for value, unit_of in row[2:]]
    if old is None or new is None:
        return place, what, *sides, ""
    old_values, new_values = np.asarray(old, float), np.asarray(new, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = new_values - old_values if unit == "%" else 100.0 * (new_values / old_values - 1.0)
    return place, what, *sides, _span(moved, "points" if unit == "%" else "%")


def _span(moved: Any, unit: str) -> str:
    """From the least to the largest change of a batch; blank where nothing moved."""
    known = moved[np.isfinite(moved)]
    if known.size == 0 or np.all(np.abs(known) < 0.05):
        return ""
    low, high = f"{known.min():+.1f} {unit}", f"{known.max():+.1f} {unit}"
    return low if low == high else f"{low}…{high}"


_TUBE = {
    "plate to cathode": ("plate_v", "V"), "screen to cathode": ("screen_v", "V"),
    "grid to cathode": ("grid_v", "V"), "plate current": ("plate_a", "A"),
    "screen current": ("screen_a", "A"), "cathode current": ("cathode_a", "A"),
    "plate dissipation": ("plate_w", "W"), "plate, % of rating": ("plate_share", "%"),
    "screen dissipation": ("screen_w", "W"), "screen, % of rating": ("screen_share", "%"),
    "heater": ("heater_rms_v", "V RMS"),
}  # fmt: skip
_GAIN = {"gain, grid to plate": ("gain", "×"), "gain, grid to cathode": ("cathode_gain", "×")}
_RAIL = {"DC": ("dc_v", "V"), "ripple p-p": ("ripple_pp_v", "V"), "ripple RMS": ("ripple_rms_v", "V")}
_RECTIFIER = {
    "DC current": ("dc_a", "A"), "peak current per plate": ("peak_a", "A"),
    "peak inverse voltage": ("inverse_v", "V"),
}  # fmt: skip
_WINDING = {"AC volts": ("rms_v", "V RMS"), "AC current": ("rms_a", "A"), "DC current": ("dc_a", "A")}


def _entries(place: str, reading: Any, what: Mapping[str, tuple[str, str]]) -> Entries:
    """The figures of one reading, each with its unit; shares in per cent."""
    values = {name: (getattr(reading, field), unit) for name, (field, unit) in what.items()}
    return {
        (place, name): (100.0 * np.asarray(value) if unit == "%" else value, unit)
        for name, (value, unit) in values.items()
    }


def _supply(report: AmpReport) -> Entries:
    entries: Entries = {}
    for rail in report.rails:
        entries |= _entries(f"{rail.capacitor} at {rail.node}", rail, _RAIL)
    for rectifier in report.rectifiers:
        entries |= _entries(rectifier.designator, rectifier, _RECTIFIER)
    return entries


def _tubes(report: AmpReport, what: Mapping[str, tuple[str, str]]) -> Entries:
    entries: Entries = {}
    for tube in report.tubes:
        entries |= _entries(tube.section, tube, what)
    return entries


def _nodes(report: AmpReport) -> Entries:
    """Direct volts, nodes of the line and of windings left out."""
    direct = (n for n in report.nodes if not np.any((n.ac_rms_v > LIVE_AC_V) & (n.ac_rms_v > np.abs(n.dc_v))))
    return {(n.place, ""): (n.dc_v, "V") for n in direct}


def _windings(report: AmpReport) -> Entries:
    entries: Entries = {}
    for w in report.windings:
        entries |= _entries(f"{w.transformer} {w.winding}".replace("_", " "), w, _WINDING)
    return entries
