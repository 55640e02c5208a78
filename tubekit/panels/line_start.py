"""Where a load line begins for a tube: a handbook's operating point where there is one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from tubekit.devices import Pentode, Triode, tube, tube_types
from tubekit.devices.tube_record import Tube
from tubekit.errors import TubekitError, UnknownTube
from tubekit.tables import Row, handbook

STAGES = (
    ("one tube, transformer", "single"),
    ("push-pull pair, transformer", "pair"),
    ("plate resistor", "resistor"),
)

POWER_W = 6.0
"""A tube rated for more heat than this is an output tube; common practice, no source."""


@dataclass(frozen=True)
class Start:
    """Volts, ohms and the source of a usual operating point; `cathode` [Ω] is for the other kind of bias."""

    plate: float
    screen: float
    grid: float
    load: float
    cathode: float
    next_grid: float
    source: str


@cache
def driven_tubes() -> tuple[str, ...]:
    """Types with a grid, in the order of the catalog, unlike sections each; a damaged record is left out."""
    found = []
    for each in tube_types():
        try:
            record = tube(each)
            found += [
                one.type for one in record.systems or (record,) if isinstance(one.law, (Triode, Pentode))
            ]
        except TubekitError:
            continue
    return tuple(found)


def usual_stage(type_: str) -> str:
    """How a tube of that type is mostly used: in a handbook's output stage, else on a plate resistor.

    Examples
    --------
    >>> usual_stage("6V6GT"), usual_stage("12AX7")
    ('single', 'resistor')
    """
    for config, stage in (("SE", "single"), ("PP", "pair")):
        if next(_output_rows(type_, config), None):
            return stage
    return "single" if (tube(type_).ratings.plate_w or 0.0) > POWER_W else "resistor"


@cache
def start_for(type_: str, stage: str) -> Start:
    """A usual operating point of a tube in that stage.

    Examples
    --------
    >>> start_for("6V6GT", "single").load, start_for("12AX7", "resistor").plate
    (5000.0, 250.0)
    """
    if stage == "resistor":
        return _resistor(type_)
    rows = _output_rows(type_, "PP" if stage == "pair" else "SE")
    row = next(rows, None) or next(_output_rows(type_, ""), None)
    return _transformer(row, 2 if stage == "pair" else 1) if row else _guess(type_, stage)


def _output_rows(type_: str, config: str) -> Iterator[Row]:
    """Handbook rows with their load, the surest first; those of a circuit apart from fixed bias last."""
    found = [r for r in handbook("power_tube_operation") if _same(r["tube"], type_) and r["RL_or_Raa_ohm"]]
    found = [r for r in found if not config or r["config"] == config]
    yield from sorted(found, key=lambda r: (r["Vg1_V"] is None, -_n(r, "confidence_pct"), _n(r, "Va_V")))


def _n(row: Row, column: str, without: float = 0.0) -> float:
    """A figure of a row, `without` where it has none."""
    value = row[column]
    return float(value) if isinstance(value, (int, float)) else without


def _same(name: Any, type_: str) -> bool:
    try:
        return tube(str(name)).type == type_
    except UnknownTube:
        return False


def _transformer(row: Row, tubes: int) -> Start:
    """The row as it stands, or its one tube doubled, its pair halved: load and cathode resistor follow."""
    of_row = 2 if row["config"] == "PP" else 1
    more = tubes / of_row
    plate, load = _n(row, "Va_V"), more * _n(row, "RL_or_Raa_ohm")
    amps = 1e-3 * (_n(row, "Ia0_mA", 50.0 * of_row) + _n(row, "Ig20_mA"))
    if row["Vg1_V"] is not None:
        grid = _n(row, "Vg1_V")
        cathode = -grid / amps
    else:
        cathode = _n(row, "Rk_ohm")
        grid = -cathode * amps
    screen, source = _n(row, "Vg2_V", plate), f"{row['source']} ({row['status']})"
    return Start(plate, screen, grid, load, _round(cathode / more), 470e3, source)


def _resistor(type_: str) -> Start:
    """A row of a resistance-coupled table, 100k and about 250 V where there is one."""
    rows = [r for r in handbook("rc_coupled") if _same(r["tube"], type_) and not r["Rg2_Mohm"]]
    if not rows:
        return _guess(type_, "resistor")
    usual = (("Rp_Mohm", 0.1), ("Ebb_V", 250.0), ("Rg_next_Mohm", 0.33))
    row = min(rows, key=lambda r: tuple(abs(_n(r, column) - value) for column, value in usual))
    supply, load, cathode = _n(row, "Ebb_V"), 1e6 * _n(row, "Rp_Mohm"), _n(row, "Rk_ohm")
    grid = -round(cathode * 0.35 * supply / load, 2)
    next_grid = 1e6 * _n(row, "Rg_next_Mohm")
    return Start(supply, supply, grid, load, cathode, next_grid, f"{row['source']} ({row['status']})")


def _guess(type_: str, stage: str) -> Start:
    """Most of the plate rating and of its watts, the screen within its own; common practice, no source."""
    record: Tube = tube(type_)
    plate = round(0.8 * (record.ratings.plate_v or 300.0), -1)
    watts = record.ratings.plate_w or 1.0
    amps = (0.08 if stage == "resistor" else 0.7) * watts / plate
    law = record.law
    assert isinstance(law, (Triode, Pentode))
    screen = min(plate, record.ratings.screen_v or plate) * (0.4 if stage == "resistor" else 1.0)
    low, high = -0.5 * plate, 0.0
    for _ in range(60):
        grid = 0.5 * (low + high)
        point = record.at(plate=plate if stage != "resistor" else 0.6 * plate, grid=grid,
                          screen=screen if isinstance(law, Pentode) else None)  # fmt: skip
        low, high = (low, grid) if float(point.plate_a) > amps else (grid, high)
    grid = round(grid, 1) or -0.5
    load = 0.4 * plate / amps if stage == "resistor" else plate / amps * (2.0 if stage == "pair" else 1.0)
    cathode = -grid / (amps * (2.0 if stage == "pair" else 1.0))
    return Start(plate, screen, grid, _round(load), _round(cathode), 470e3, "common practice, no source")


def _round(ohms: float) -> float:
    """Two figures."""
    return float(f"{ohms:.2g}")


def moves(was: tuple[str, str], now: tuple[str, str]) -> bool:
    """Whether another tube or stage (type, stage) needs other scales and bounds."""
    return was != now and (not was[0] or was[1] != now[1] or not alike(was[0], now[0]))


def alike(one: str, other: str) -> bool:
    """Tubes that work at the same volts: both with or without a screen, ratings within a factor of three."""
    a, b = tube(one), tube(other)
    watts = (a.ratings.plate_w or 1.0) / (b.ratings.plate_w or 1.0)
    return isinstance(a.law, Pentode) == isinstance(b.law, Pentode) and 1 / 3 < watts < 3
