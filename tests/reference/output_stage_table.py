"""Output stages of the handbook worked as printed: every row, every figure, worst first.

``python -m tests.reference.output_stage_table`` prints it. Source: data/handbook/power_tube_operation.csv,
each row with its own status; most are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from tests.say import say
from tubekit import textbook, tube
from tubekit.errors import UnknownTube
from tubekit.tables import Row, handbook
from tubekit.text import Column, Table

TARGETS = {"plate": 5.0, "screen": 5.0, "plate, driven": 8.0, "power": 8.0, "distortion": 2.0}
"""Percent; distortion in percentage points. The screen's current under drive is shown without a target."""
CONFIDENT = 0.85


@dataclass(frozen=True)
class Figure:
    """One printed figure beside what the catalogue's law gives."""

    row: str
    quantity: str
    printed: float
    computed: float
    off: float
    confidence: float
    fitted: bool

    @property
    def target(self) -> float:
        return TARGETS.get(self.quantity, float("inf"))

    @property
    def severity(self) -> float:
        return abs(self.off) / self.target


def label(row: Row) -> str:
    """Tube, circuit, class, volts and bias of a row."""
    screen = "" if row["Vg2_V"] is None else f"/{row['Vg2_V']:g}"
    bias = f"{row['Rk_ohm']:g} ohm" if row["Vg1_V"] is None else f"{row['Vg1_V']:g} V"
    return f"{row['tube']} {row['config']} {row['class']} {row['Va_V']:g}{screen} V, {bias}"


def stage(row: Row) -> textbook.TextbookCircuit:
    """The row as a textbook circuit; class AB2 is driven past zero bias and cannot be driven to it."""
    make = textbook.push_pull if row["config"] == "PP" else textbook.single_ended
    bias = {"grid": row["Vg1_V"]} if row["Vg1_V"] is not None else {"cathode": row["Rk_ohm"]}
    return make(row["tube"], plate=row["Va_V"], screen=row["Vg2_V"], load=row["RL_or_Raa_ohm"], **bias)


def rows() -> tuple[Row, ...]:
    """Rows of tubes that are in the catalogue."""
    return tuple(row for row in handbook("power_tube_operation") if known(row["tube"]))


def known(type_: str) -> bool:
    try:
        tube(type_)
    except UnknownTube:
        return False
    return True


def missing() -> tuple[str, ...]:
    """Tubes of the handbook that the catalogue has not."""
    return tuple(dict.fromkeys(r["tube"] for r in handbook("power_tube_operation") if not known(r["tube"])))


@cache
def figures() -> tuple[Figure, ...]:
    """Every figure of every row that can be worked, worst first."""
    return tuple(sorted((f for row in rows() for f in of_row(row)), key=lambda f: -f.severity))


def of_row(row: Row) -> Iterator[Figure]:
    result = textbook.solve(stage(row))
    driven = "2" not in row["class"]
    wanted = [
        ("plate", row["Ia0_mA"], 1e3 * result.plate_a), ("screen", row["Ig20_mA"], 1e3 * result.screen_a),
        ("plate, driven", row["Iamax_mA"] if driven else None, 1e3 * result.plate_full_a),
        ("screen, driven", row["Ig2max_mA"] if driven else None, 1e3 * result.screen_full_a),
        ("power", row["Pout_W"] if driven else None, result.power_w),
        ("distortion", row["THD_pct"] if driven else None, result.thd_pct),
    ]  # fmt: skip
    used = fitted_rows(row["tube"])
    for quantity, printed, got in wanted:
        if printed is not None:
            off = got - printed if quantity == "distortion" else 100.0 * (got / printed - 1.0)
            yield Figure(
                label(row), quantity, printed, float(got), float(off), row.confidence, in_fit(row, used)
            )


def fitted_rows(type_: str) -> frozenset[str]:
    return frozenset(residual.row for residual in tube(type_).fit if residual.used)


def in_fit(row: Row, used: frozenset[str]) -> bool:
    """Whether the fit of the tube used this row, by the words in which its record names it."""
    start = f"{row['tube']} {row['config']} {row['class']}, {row['Va_V']:g} V"
    end = f"{row['Rk_ohm']:g} ohm" if row["Vg1_V"] is None else f"grid {row['Vg1_V']:g} V"
    return any(name.startswith(start) and name.endswith(end) for name in used)


def table() -> Table:
    """All figures, worst against its target first."""
    columns = (
        Column("row"), Column("figure"), Column("printed"), Column("found"), Column("off", format="+.1f"),
        Column("target"), Column("confidence"), Column("in fit"),
    )  # fmt: skip
    lines = [
        (
            f.row, f.quantity, f"{f.printed:g}", f"{f.computed:.3g}", f.off,
            "" if f.target == float("inf") else f"{f.target:g}", f"{f.confidence:.0%}", f.fitted,
        )
        for f in figures()
    ]  # fmt: skip
    count = len({f.row for f in figures()})
    used = len({f.row for f in figures() if f.fitted})
    note = (
        f"Currents [mA], power [W] and their differences [%]; distortion and its difference [%]. "
        f"{used} of {count} rows were used in fitting. No record of: {', '.join(missing()) or 'none'}."
    )
    return Table("Output stages as printed", columns, lines, note)


if __name__ == "__main__":
    say(table().text())
