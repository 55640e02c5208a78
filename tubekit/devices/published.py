"""What was published about a tube, row by row, beside what a law gives for the same stage."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tubekit.devices.law import Law, Parameter
from tubekit.devices.output_stage import Answer, At, Coupled, OutputStage, Stage, answers
from tubekit.devices.tube_files import FIT, FitPlan
from tubekit.tables import Cell, Row, handbook


@dataclass(frozen=True)
class Residual:
    """How far a law is from one published figure [SI]; `used` is False where the row was kept out."""

    row: str
    quantity: str
    unit: str
    published: float
    law: float
    used: bool
    status: str
    source: str

    @property
    def error(self) -> float:
        """Relative error of the law; of a distortion the difference (0.02 is two percentage points)."""
        if self.quantity == "distortion":
            return self.law - self.published
        return self.law / self.published - 1.0


FIGURES: Mapping[str, Mapping[str, Any]] = FIT["figures"]
TOLERANCE: Mapping[str, float] = {name: figure["tolerance"] for name, figure in FIGURES.items()}
"""How closely each figure is to be met: relative, of a distortion as a difference (0.02: two points)."""
SAME_AS = {"stage_plate": "plate", "chart_plate": "plate"}  # by another name where the tolerance differs


@dataclass(frozen=True, eq=False)
class Published:
    """One row: what was published [SI], and the stage to ask a law about.

    `trust` multiplies the weight in a fit; 0 keeps the row out and only shows it.
    """

    label: str
    values: Mapping[str, float]
    stage: Stage
    status: str
    source: str
    trust: float = 1.0
    at: Mapping[str, float] = field(default_factory=dict)
    """Voltages to cathode at which the row stands, where it prints them."""
    confidence: float = 1.0

    @property
    def tubes(self) -> int:
        """Tubes whose currents the row prints as a sum."""
        return self.stage.tubes if isinstance(self.stage, OutputStage) else 1

    def tolerance(self, quantity: str) -> float:
        """How closely a figure is to be met; of a screen current its print's rounding comes to that."""
        target, value = TOLERANCE[quantity], self.values[quantity]
        if "screen" not in quantity:
            return target
        digits = len(f"{1e3 * value * self.tubes:.6g}".partition(".")[2])
        return float(np.hypot(target, 0.5e-3 * 10.0**-digits / (value * self.tubes)))


def asked_of(got: Answer, quantity: str) -> Parameter:
    """The figure of an answer by the name a row has for it."""
    return got[SAME_AS.get(quantity, quantity)]


def residuals(law: Law, rows: Sequence[Published]) -> tuple[Residual, ...]:
    """What `law` gives beside every published figure."""
    result = []
    for row, got in zip(rows, answers(law, [row.stage for row in rows]), strict=True):
        result += [
            Residual(
                row.label,
                name,
                FIGURES[name].get("unit", "A"),
                value,
                float(asked_of(got, name)),
                row.trust > 0,
                row.status,
                row.source,
            )
            for name, value in row.values.items()
        ]
    return tuple(result)


_GENTLE = 0.5  # weight of rows that only guide what the characteristics leave open

_CHARACTERISTIC = {
    "Ia_mA": ("plate", 1e-3), "Ig2_mA": ("screen", 1e-3), "gm_uS": ("gm", 1e-6),
    "rp_ohm": ("rp", 1.0), "mu": ("mu", 1.0),
}  # fmt: skip
_OUTPUT = {
    "Ia0_mA": ("idle_plate", 1e-3), "Ig20_mA": ("idle_screen", 1e-3), "Iamax_mA": ("full_plate", 1e-3),
    "Ig2max_mA": ("full_screen", 1e-3), "Pout_W": ("power", 1.0), "THD_pct": ("distortion", 0.01),
}  # fmt: skip
_OF_BOTH = ("idle_plate", "idle_screen")  # a row of a pair prints the sum, an answer is of one tube
_ONSET = "Vrms at onset of grid current 0.3 uA"
_GRID_VOLTS = (-0.3, 0.0, 0.3, 0.6, 1.0)


def characteristics(type_: str) -> tuple[Published, ...]:
    """Rows of typical operation: currents, gm, rp, mu at given voltages."""
    return tuple(characteristic(row) for row in handbook("tubes_characteristics", tube=type_))


def characteristic(row: Row) -> Published:
    """One such row."""
    plate, screen, bias = row.number("Va_V"), row["Vg2_V"], row["Vg1_V_or_Rk"]
    strapped = row.text("section").startswith("triode-conn")
    at = {"plate": plate}
    label = f"{row.text('tube')} {plate:g} V"
    if isinstance(screen, float):
        at["screen"] = screen
        label += f", screen {screen:g} V"
    label += ", screen tied to plate" if strapped else ""
    asked = At(plate, None, at.get("screen"), strapped=strapped)
    if isinstance(bias, float):
        at["grid"] = bias
        stage, label = replace(asked, grid=bias), f"{label}, grid {bias:g} V"
    else:
        ohms = float(str(bias).removeprefix("Rk"))
        stage, label = replace(asked, cathode_ohms=ohms), f"{label}, cathode {ohms:g} ohm"
    return _published(row, label, _values(row, _CHARACTERISTIC), stage, at)


def operation(type_: str, drives: Mapping[str, float] | None = None) -> tuple[Published, ...]:
    """Rows of output stages: idle currents of one tube, and full drive; `drives` in volts, by label."""
    return tuple(output(row, drives or {}) for row in handbook("power_tube_operation", tube=type_))


def output(row: Row, drives: Mapping[str, float]) -> Published:
    """One such row; of an AB2 row without a drive only the idle currents."""
    pair = row.text("config") == "PP"
    plate, screen, grid = row.number("Va_V"), row["Vg2_V"], row["Vg1_V"]
    at = {"plate": plate} | {n: v for n, v in (("screen", screen), ("grid", grid)) if isinstance(v, float)}
    held = "".join(f", {name} {at[name]:g} V" for name in ("screen", "grid") if name in at)
    ohms = 0.0 if row["Rk_ohm"] is None else row.number("Rk_ohm")
    held += f", cathode {ohms:g} ohm" if ohms else ""
    label = f"{row.text('tube')} {row.text('config')} {row.text('class')}, {plate:g} V{held}"
    values = _values(row, _OUTPUT)
    for name in _OF_BOTH:
        if pair and name in values:
            values[name] /= 2.0
    if "2" in row.text("class") and label not in drives:
        values = {name: value for name, value in values.items() if name in _OF_BOTH}
    stage = OutputStage(
        plate=plate,
        load_ohms=row.number("RL_or_Raa_ohm"),
        screen=at.get("screen"),
        grid=at.get("grid"),
        cathode_ohms=ohms,
        screen_ohms=_screen_ohms(row.text("bias")),
        pair=pair,
        drive=drives.get(label),
    )
    return _published(row, label, values, stage, at)


def _screen_ohms(bias: str) -> float:
    """The screen resistor that a row names in words: 'Rg2 470', 'Rg2 1k'."""
    match = re.search(r"Rg2 ([0-9.]+)(k?)", bias)
    return float(match[1]) * (1e3 if match[2] else 1.0) if match else 0.0


def coupled(type_: str) -> tuple[Published, ...]:
    """Rows of resistance-coupled stages: current (where printed) and gain."""
    rows = []
    for row in handbook("rc_coupled", tube=type_):
        screen = row["Rg2_Mohm"]
        asked = Coupled(
            row.number("Ebb_V"),
            row.number("Rp_Mohm") * 1e6,
            row.number("Rk_ohm"),
            row.number("Rg_next_Mohm") * 1e6,
            screen * 1e6 if isinstance(screen, float) else 0.0,
        )
        values = _values(row, {"gain": ("gain", 1.0), "Ia_mA": ("stage_plate", 1e-3)})
        if row.text("Vout_meaning").startswith(_ONSET):
            values["onset"] = row.number("Vout")
        label = (
            f"{type_} stage {asked.supply:g} V, plate {asked.plate_ohms / 1e3:g} k, "
            f"cathode {asked.cathode_ohms:g} ohm, next {asked.next_grid_ohms / 1e3:g} k"
        )
        rows.append(_published(row, label, values, asked, trust=_GENTLE))
    return tuple(rows)


def plate_curves(type_: str) -> tuple[Published, ...]:
    """Points read off a maker's plate chart, from 0.5 mA up (below, the reading is too coarse)."""
    rows = []
    for row in handbook(f"plate_curves_{type_.removesuffix('GT')}"):
        plate, grid, current = row.number("Vp_V"), row.number("Vg_V"), row.number("Ip_mA") * 1e-3
        if current >= 0.5e-3:
            label, at = f"{type_} chart, {plate:g} V, grid {grid:g} V", {"plate": plate, "grid": grid}
            rows.append(_published(row, label, {"chart_plate": current}, At(plate, grid), at, _GENTLE))
    return tuple(rows)


def grid_currents(set_: str) -> tuple[Published, ...]:
    """Grid current of a published parameter set, fitted by its authors to measured tubes.

    ``i_g = G_g·(ln(1 + exp(C_g·v_g))/C_g)**ξ`` (Dempwolf and Zölzer 2011, equation for the grid).
    """
    (row,) = handbook("tube_models", device=set_)
    p = {name: float(value) for name, value in (pair.split("=") for pair in row.text("params").split(";"))}
    rows = []
    for grid in _GRID_VOLTS:
        current = p["Gg"] * (math.log1p(math.exp(p["Cg"] * grid)) / p["Cg"]) ** p["xi"]
        label = f"grid current of set {set_}, grid {grid:g} V"
        rows.append(_published(row, label, {"grid": current}, At(200.0, grid)))
    return tuple(rows)


def recalled(
    type_: str, rows: tuple[Mapping[str, Cell], ...], drives: Mapping[str, float]
) -> list[Published]:
    """Rows that the tube's own file recalls, with the columns of the handbook tables."""
    publisheds = []
    for number, cells in enumerate(rows, start=1):
        table = "power_tube_operation" if "config" in cells else "tubes_characteristics"
        whole = dict.fromkeys(handbook(table)[0]) | {"tube": type_, "status": "memory"} | dict(cells)
        numbers = {name: float(v) if isinstance(v, int) else v for name, v in whole.items()}
        row = Row(numbers, f"data/tubes/{type_}.toml, recalled row {number}")
        publisheds.append(output(row, drives) if "config" in cells else characteristic(row))
    return publisheds


def rows_for(plan: FitPlan) -> tuple[Published, ...]:
    """Every row that a tube's plan names, with the trust the plan has in it (none in those only shown)."""
    rows = [row for name in plan.characteristics for row in characteristics(name)]
    rows += [row for name in plan.operation for row in operation(name, plan.drive)]
    rows += recalled(plan.type, plan.recalled, plan.drive)
    readers = ((plan.coupled, coupled), (plan.curves, plate_curves), (plan.grid_sets, grid_currents))
    rows += [row for names, read in readers for name in names for row in read(name)]
    return tuple(replace(row, trust=row.trust * _weight(plan, row.label)) for row in rows)


def _weight(plan: FitPlan, label: str) -> float:
    if label.startswith(plan.shown):
        return 0.0
    return next((factor for start, factor in plan.weight.items() if label.startswith(start)), 1.0)


def _values(row: Row, columns: Mapping[str, tuple[str, float]]) -> dict[str, float]:
    return {
        name: row.number(column) * scale
        for column, (name, scale) in columns.items()
        if isinstance(row[column], float)
    }


def _published(
    row: Row,
    label: str,
    values: Mapping[str, float],
    stage: Stage,
    at: Mapping[str, float] | None = None,
    trust: float = 1.0,
) -> Published:
    """Rows of confidence 85 % and more count whole, one of 70 % a fifth."""
    confidence = row.confidence or (0.5 if row.status == "memory" else 0.85)
    trust *= min(1.0, (confidence / 0.85) ** 8)
    return Published(label, values, stage, row.status, row.source, trust, at or {}, confidence)
