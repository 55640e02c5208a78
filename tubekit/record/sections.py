"""What each kind of result gives to a record, and where it stands there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import singledispatch
from typing import Any

import numpy as np

from tubekit import plots
from tubekit.amp import AmpReport
from tubekit.amp.discharge import MEASURE, Discharge
from tubekit.bench.bring_up import BringUp
from tubekit.bench.cable import CableReport
from tubekit.bench.chassis_diff import ChassisDiff
from tubekit.bench.orders import OrderList
from tubekit.bench.procedures import Procedure
from tubekit.bench.suspects import Suspects
from tubekit.bench.trace import Trace
from tubekit.decisions import SwapReport
from tubekit.decisions.judge import Judgement
from tubekit.decisions.limits import Limits
from tubekit.decisions.reading import Readings
from tubekit.decisions.tone import ToneChange
from tubekit.record.content import Figure, PagePart
from tubekit.record.results import DISCHARGE, ORDERS, TONE, LeftOut
from tubekit.text import Column, Table, headed

PLACES = ("results", "readings", "bench", "more")
"""Chapters of a record in their order; numbers to look up come after all of them."""
BENCH = {"Before you reach in": 0, "To buy": 1, "Check on the bench": 2}
"""At the bench: discharge first, then the parts, then the meter, then procedures as they were given."""


def parts_of(results: Sequence[Any], readings: Readings | None) -> list[PagePart]:
    """The blocks of a record, in the order in which they stand."""
    outcome = [part for result in results for part in _parts(result)]
    if readings is not None:
        outcome.append(_readings(readings, any(isinstance(r, Judgement) for r in results)))
    return sorted(outcome, key=lambda part: (PLACES.index(part.place), BENCH.get(part.heading, len(BENCH))))


@singledispatch
def _parts(result: Any) -> Iterator[PagePart]:
    """Any result that prints: its tables as they come."""
    named = next((words for kind, words in ON_THE_BENCH.items() if isinstance(result, kind)), "")
    heading = getattr(result, "name", "").capitalize() if named == NAMED else named
    yield PagePart(
        "bench" if named else "more", heading or _heading(result), result.headline(), result.tables()
    )


NAMED = "named by itself"
ON_THE_BENCH: dict[type, str] = {
    BringUp: "First power-up", Trace: "Tracing a signal", Procedure: NAMED,
    ChassisDiff: "Chassis compared with schematic", CableReport: "Cable, interlock and standby",
}  # fmt: skip


@_parts.register
def _(result: SwapReport) -> Iterator[PagePart]:
    verdict, numbers = result.table("verdict"), result.tables_but("verdict", "measure")
    figures = [
        Figure("How much of each rating is used; the diamond is before the change", plots.ratings(result)),
        Figure("Largest changes", plots.before_after(result)),
    ]
    yield PagePart(
        "results", "Ratings and remarks", result.headline(), [verdict] if verdict.rows else [], figures,
        [_moving(table) for table in numbers] + [_ratings(result.limits_after)],
    )  # fmt: skip
    measure = result.to_measure()
    if measure.rows:
        yield PagePart("bench", "Check on the bench", _CONFIRM, [_to_fill_in(measure)])


_CONFIRM = (
    "Clip the meter on while the amp is off and its capacitors are discharged and measured; then switch on, "
    "and keep your hands out of the chassis. Note the line voltage at the time."
)


@_parts.register
def _(result: AmpReport) -> Iterator[PagePart]:
    supply = [result.table("rails"), result.table("rectifiers")]
    figures = []
    if result.amp.batch is None:
        figures = [Figure("Ripple at each filter capacitor", plots.rails(result)),
                   Figure("Ripple over one line cycle", plots.ripple(result))]  # fmt: skip
    yield PagePart(
        "results", "At idle", result.headline(), supply, figures,
        [_without_nought(table) for table in result.tables_but("rails", "rectifiers")],
    )  # fmt: skip


@_parts.register
def _(result: Limits) -> Iterator[PagePart]:
    used = replace(result, checks=(*result.exceeded, *result.near))
    tables = [
        replace(table, title="Ratings exceeded or close to the limit")
        for table in used.tables()
        if table.rows
    ]
    yield PagePart("results", "Ratings", f"{result.headline()}.", tables, (), [_ratings(result)])


@_parts.register
def _(result: ToneChange) -> Iterator[PagePart]:
    tone = result.change_db - result.level_db
    moves = not bool(np.abs(tone).max() < _TONE_DB)  # what cannot be compared (NaN) is shown
    shown, rest = (
        ([result.table("response")], result.tables_but("response")) if moves else ([], result.tables())
    )
    yield PagePart("results", "Level and tone", f"{result.headline()}.", shown, (), rest)


_TONE_DB = 0.5
"""Tone that moves by less is told in a sentence alone [dB]."""


@_parts.register
def _(result: Judgement) -> Iterator[PagePart]:
    figures = [Figure("Each reading and its normal range", plots.bands(result))]
    yield PagePart(
        "readings", "Readings and their normal ranges", result.headline(), result.tables(),
        figures if result.verdicts else [],
    )  # fmt: skip


@_parts.register
def _(result: Suspects) -> Iterator[PagePart]:
    tables = result.tables()
    figures = [Figure("Likelihood of each fault", plots.chances(result))]
    yield PagePart(
        "readings", "Which part explains the readings", result.headline(), tables,
        figures if result.accuses else [],
    )  # fmt: skip


@_parts.register
def _(result: Discharge) -> Iterator[PagePart]:
    heads = headed(
        "capacitor",
        "right after off [V]",
        "after 5 s [V]",
        "after 60 s [V]",
        "energy [J]",
        "time to 60 V [s]",
        "tubes",
        "measured",
    )
    rows = []
    for name in dict.fromkeys(one.capacitor for one in result.held):
        one = max((h for h in result.held if h.capacitor == name), key=lambda h: (h.volts[3], h.volts[0]))
        volts, until = (float(one.volts[k]) for k in (0, 3, 4)), one.to_limit_s
        text = until if np.isfinite(until) else "longer than calculated"
        rows.append((name, *volts, float(one.joules[0]), text, one.case, ""))
    table = Table("Voltage left on the filter caps after switch-off", heads, rows, note=MEASURE)
    yield PagePart(
        "bench", "Before you reach in", result.headline(), [table],
        [Figure("Filter caps after switch-off", plots.discharge(result))], result.tables(),
    )  # fmt: skip


@_parts.register
def _(result: LeftOut) -> Iterator[PagePart]:
    place, heading = LEFT_OUT[result.section]
    yield PagePart(place, heading, result.headline())


LEFT_OUT = {
    DISCHARGE: ("bench", "Before you reach in"), TONE: ("results", "Level and tone"),
    ORDERS: ("bench", "To buy"),
}  # fmt: skip
"""Where a section stands that could not be made: where it would have stood."""


@_parts.register
def _(result: OrderList) -> Iterator[PagePart]:
    yield PagePart("bench", "To buy", "", [replace(result.to_buy(), title="")])


def _readings(readings: Readings, judged: bool) -> PagePart:
    """What was read; where every reading has a verdict, the list of meters and notes is for looking up."""
    tables = readings.tables()
    if judged:
        return PagePart("readings", "", "", (), (), tables)
    return PagePart("readings", "Readings", readings.headline(), tables)


def _heading(result: Any) -> str:
    name = type(result).__name__
    return "".join(f" {c.lower()}" if c.isupper() and k else c for k, c in enumerate(name))


def _to_fill_in(table: Table) -> Table:
    columns = (*table.columns, Column("read"), Column("agrees"))
    return Table("", columns, [(*row, "", "") for row in table.rows])


def _moving(table: Table) -> Table:
    """Rows at nothing before and after are counted, not printed."""
    return _thinned(table, lambda row: all(_nought(cell) for cell in row[2:4]), "before and after")


def _without_nought(table: Table) -> Table:
    return _thinned(table, lambda row: len(row) == 4 and all(_nought(cell) for cell in row[1:]), "")


def _thinned(table: Table, empty: Callable[[Sequence[Any]], bool], when: str) -> Table:
    kept = [row for row in table.rows if not empty(row)]
    gone = len(table.rows) - len(kept)
    if not gone:
        return table
    words = f"{gone} {'row' if gone == 1 else 'rows'} at zero {when}".rstrip() + " left out."
    return replace(table, rows=kept, note="\n".join(part for part in (table.note, words) if part))


def _nought(cell: Any) -> bool:
    value = cell[0] if isinstance(cell, tuple) else cell
    return value is not None and not isinstance(value, str) and float(value) == 0.0


def _ratings(limits: Limits) -> Table:
    """Ratings of which a quarter or more is used; the rest are counted."""
    used = tuple(check for check in limits.checks if float(np.nanmax(check.share)) >= _USED)
    (table,) = replace(limits, checks=used).tables()
    gone = len(limits.checks) - len(used)
    words = f"{gone} {'rating' if gone == 1 else 'ratings'} below {100 * _USED:.0f} % left out."
    return replace(table, note=f"{table.note}\n{words}" if gone else table.note)


_USED = 0.25
