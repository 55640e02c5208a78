"""Handbook rows that say what a tube does, each with the way to ask a law for the same."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from tubekit.devices import stages
from tubekit.devices.law import Law
from tubekit.devices.residual import Residual
from tubekit.devices.tube_files import Plan
from tubekit.tables import Row, handbook

Prediction: TypeAlias = Callable[[Law], Mapping[str, float]]

_GENTLE = 0.1  # weight of rows that only guide what the characteristics leave open

TOLERANCE: Mapping[str, float] = {
    "plate": 0.01,
    "screen": 0.01,
    "gm": 0.02,
    "rp": 0.05,
    "mu": 0.05,
    "gain": 0.08,
    "power": 0.06,
    "plate_full": 0.06,
    "screen_full": 0.20,
    "grid": 0.30,
}
"""How closely a row is to be met, relative: its weight in a fit is the inverse."""


@dataclass(frozen=True, eq=False)
class Published:
    """One row: what was published [SI], how far to trust it, and `predict(law)` for the same quantities.

    `trust` multiplies the weight in a fit; 0 keeps the row out and only shows it.
    """

    label: str
    values: Mapping[str, float]
    predict: Prediction
    status: str
    source: str
    trust: float = 1.0
    at: Mapping[str, float] = field(default_factory=dict)
    """Voltages to cathode at which the row stands, where it prints them."""

    def conflict(self) -> str:
        """What is at odds within the row: gm·rp is not mu ('' where it is, within 3 %)."""
        if not {"gm", "rp", "mu"} <= set(self.values):
            return ""
        product, mu = self.values["gm"] * self.values["rp"], self.values["mu"]
        return "" if abs(product / mu - 1.0) < 0.03 else f"{self.label}: gm·rp is {product:.3g}, mu is {mu:g}"


def residuals(law: Law, rows: Iterable[Published]) -> tuple[Residual, ...]:
    """What `law` gives beside every published figure."""
    found = []
    for row in rows:
        got = row.predict(law)
        found += [
            Residual(
                row.label,
                name,
                _UNITS.get(name, "A"),
                value,
                float(got[name]),
                row.trust > 0,
                row.status,
                row.source,
            )
            for name, value in row.values.items()
        ]
    return tuple(found)


_UNITS = {"gm": "S", "rp": "ohm", "mu": "", "gain": "", "power": "W"}  # the rest are currents
_FULL = {"Pout_W": ("power", 1.0), "Iamax_mA": ("plate_full", 1e-3), "Ig2max_mA": ("screen_full", 1e-3)}
_UNIT = {"Ia_mA": ("plate", 1e-3), "Ig2_mA": ("screen", 1e-3), "gm_uS": ("gm", 1e-6), "rp_ohm": ("rp", 1.0)}


def characteristics(type_: str) -> tuple[Published, ...]:
    """Rows of typical operation: currents, gm, rp, mu at given voltages."""
    return tuple(_characteristic(row) for row in handbook("tubes_characteristics", tube=type_))


def _characteristic(row: Row) -> Published:
    names = {**_UNIT, "mu": ("mu", 1.0)}
    values = {
        name: float(row[column]) * scale  # type: ignore[arg-type]
        for column, (name, scale) in names.items()
        if isinstance(row[column], float)
    }
    plate, screen, bias = row.number("Va_V"), row["Vg2_V"], row["Vg1_V_or_Rk"]
    strapped = row.text("section") == "triode-conn"
    at = {"plate": plate} | ({"screen": plate} if strapped else {})
    label = f"{row.text('tube')} {plate:g} V"
    if isinstance(screen, float):
        at["screen"] = screen
        label += f", screen {screen:g} V"
    label += ", screen tied to plate" if strapped else ""
    if isinstance(bias, float):
        at["grid"] = bias
        predict = _fixed(plate, bias, at.get("screen"), strapped)
        return _published(row, f"{label}, grid {bias:g} V", values, predict, at)
    ohms = float(str(bias).removeprefix("Rk"))
    predict = _cathode(plate, at.get("screen"), ohms, pair=False)
    return _published(row, f"{label}, cathode {ohms:g} ohm", values, predict, at)


def _fixed(plate: float, grid: float, screen: float | None, strapped: bool) -> Prediction:
    if strapped:
        return lambda law: stages.strapped(law, plate, grid)
    return lambda law: stages.point(law, plate, grid, screen)


def operation(type_: str) -> tuple[Published, ...]:
    """Rows of output stages: idle currents, and power and mean currents at full drive.

    A push-pull row states both tubes: its idle currents are halved here.
    """
    return tuple(_operation(row) for row in handbook("power_tube_operation", tube=type_))


def _operation(row: Row) -> Published:
    pair = row.text("config") == "PP"
    tubes = 2.0 if pair else 1.0
    values = {"plate": row.number("Ia0_mA") * 1e-3 / tubes, "screen": row.number("Ig20_mA") * 1e-3 / tubes}
    plate, screen = row.number("Va_V"), row.number("Vg2_V")
    at = {"plate": plate, "screen": screen}
    label = f"{row.text('tube')} {row.text('config')} {row.text('class')}, {plate:g} V, screen {screen:g} V"
    if row["Rk_ohm"] is not None:
        ohms = row.number("Rk_ohm")
        predict = _cathode(plate, screen, ohms, pair)
        return _published(row, f"{label}, cathode {ohms:g} ohm", values, predict, at)
    at["grid"] = grid = row.number("Vg1_V")
    if "2" not in row.text("class"):  # AB2 is driven past zero bias: only its idle can be compared
        full = {
            "Pout_W": ("power", 1.0),
            "Iamax_mA": ("plate_full", 1e-3),
            "Ig2max_mA": ("screen_full", 1e-3),
        }
        values |= {name: row.number(column) * scale for column, (name, scale) in full.items() if row[column]}
    predict = _driven(plate, screen, grid, row.number("RL_or_Raa_ohm"), pair)
    return _published(row, f"{label}, grid {grid:g} V", values, predict, at)


def _cathode(plate: float, screen: float | None, ohms: float, pair: bool) -> Prediction:
    return lambda law: stages.self_biased(law, plate, ohms, screen, tubes=2 if pair else 1)


def _driven(plate: float, screen: float, grid: float, load: float, pair: bool) -> Prediction:
    stage = stages.push_pull if pair else stages.single_ended
    return lambda law: stage(law, plate, screen, grid, load)


def coupled(type_: str) -> tuple[Published, ...]:
    """Rows of resistance-coupled triode stages: current (where printed) and gain."""
    rows = []
    for row in handbook("rc_coupled", tube=type_):
        supply, rk = row.number("Ebb_V"), row.number("Rk_ohm")
        rp, rg = row.number("Rp_Mohm") * 1e6, row.number("Rg_next_Mohm") * 1e6
        values = {"gain": row.number("gain")}
        if row["Ia_mA"] is not None:
            values["plate"] = row.number("Ia_mA") * 1e-3
        label = f"{type_} stage {supply:g} V, plate {rp / 1e3:g} k, cathode {rk:g} ohm, next {rg / 1e3:g} k"
        rows.append(_published(row, label, values, _stage(supply, rp, rk, rg), trust=_GENTLE))
    return tuple(rows)


def _stage(supply: float, rp: float, rk: float, rg: float) -> Prediction:
    return lambda law: stages.rc_coupled(law, supply, rp, rk, rg)


def plate_curves(type_: str) -> tuple[Published, ...]:
    """Points read off a maker's plate chart, from 0.5 mA up (below, the reading is too coarse)."""
    rows = []
    for row in handbook(f"plate_curves_{type_.removesuffix('GT')}"):
        plate, grid, current = row.number("Vp_V"), row.number("Vg_V"), row.number("Ip_mA") * 1e-3
        if current >= 0.5e-3:
            label, predict = f"{type_} chart, {plate:g} V, grid {grid:g} V", _fixed(plate, grid, None, False)
            at = {"plate": plate, "grid": grid}
            rows.append(_published(row, label, {"plate": current}, predict, at, _GENTLE))
    return tuple(rows)


_GRID_VOLTS = (-0.3, 0.0, 0.3, 0.6, 1.0)


def grid_currents(set_: str) -> tuple[Published, ...]:
    """Grid current of a published parameter set, fitted by its authors to measured tubes.

    ``i_g = G_g·(ln(1 + exp(C_g·v_g))/C_g)**ξ`` (Dempwolf and Zölzer 2011, equation for the grid).
    """
    (row,) = handbook("tube_models", device=set_)
    pairs = (pair.split("=") for pair in row.text("params").split(";"))
    p = {name: float(value) for name, value in pairs}
    rows = []
    for grid in _GRID_VOLTS:
        current = p["Gg"] * (math.log1p(math.exp(p["Cg"] * grid)) / p["Cg"]) ** p["xi"]
        label = f"grid current of set {set_}, grid {grid:g} V"
        rows.append(_published(row, label, {"grid": current}, _grid(grid)))
    return tuple(rows)


def _grid(grid: float) -> Prediction:
    return lambda law: {"grid": float(law.evaluate(stages.voltages(law, 200.0, grid))[0][-1])}


def rows_for(plan: Plan) -> tuple[Published, ...]:
    """Every row that a tube's plan names; those in `shown` are kept out of the fit."""
    readers = (
        (plan.characteristics, characteristics),
        (plan.operation, operation),
        (plan.coupled, coupled),
        (plan.curves, plate_curves),
        (plan.grid_sets, grid_currents),
    )
    rows = [row for names, read in readers for name in names for row in read(name)]
    return tuple(replace(row, trust=0.0) if row.label in plan.shown else row for row in rows)


def _published(
    row: Row,
    label: str,
    values: Mapping[str, float],
    predict: Prediction,
    at: Mapping[str, float] | None = None,
    trust: float = 1.0,
) -> Published:
    confidence = 0.5 if row.confidence is None else row.confidence
    return Published(label, values, predict, row.status, row.source, trust * confidence**2, at or {})
