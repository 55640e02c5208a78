"""DC output of rectifier tubes with capacitor input against maker sheets, one batch per mains frequency.

Source: data/handbook/rectifier_operation.csv (operation) and rectifier_ratings.csv (rated drop), most of
it from memory; see their status and confidence. The laws know the rated drop only.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.say import say
from tubekit.analyses.mains import mains_steady_state
from tubekit.circuit.parts import Capacitor, Circuit, CurrentSource, Rectifier, Resistor, VoltageSource
from tubekit.devices import TubeDiode
from tubekit.tables import Row, handbook

ALIASES = {"GZ34": "5AR4/GZ34", "5AR4": "5AR4/GZ34", "EZ81": "6CA4/EZ81"}
Array = np.ndarray


def perveance(row: Row) -> float:
    """From the rated drop of the type [A/V^1.5]."""
    name = ALIASES.get(row.text("tube"), row.text("tube"))
    rated = handbook("rectifier_ratings", tube=name)[0]
    return float(
        TubeDiode.from_drop(rated.number("drop_V"), rated.number("at_mA_per_plate") / 1000).perveance
    )


def capacitor_input_rows() -> list[Row]:
    return [row for row in handbook("rectifier_operation", input="C") if row["Rs_per_plate_ohm"] is not None]


@cache
def outputs(hertz: float) -> tuple[tuple[Row, float], ...]:
    """Each row of one mains frequency with the computed DC output [V]."""
    rows = [row for row in capacitor_input_rows() if row.number("f_Hz") == hertz]
    peak, ohms, farads, load = (
        np.array([row.number(name) for row in rows])
        for name in ("Vac_rms_per_plate", "Rs_per_plate_ohm", "C_uF_or_L_H", "Idc_mA")
    )
    law = TubeDiode(perveance=np.array([perveance(row) for row in rows]))
    sides = (("a", np.sqrt(2) * peak), ("b", -np.sqrt(2) * peak))
    circuit = Circuit(
        (
            *(VoltageSource(f"T{s}", f"s{s}", "ground", ac=volts) for s, volts in sides),
            *(Resistor(f"R{s}", f"s{s}", f"p{s}", ohms) for s, _ in sides),
            *(Rectifier(f"V{s}", law, f"p{s}", "out") for s, _ in sides),
            Capacitor("C1", "out", "ground", farads * 1e-6),
            CurrentSource("load", "out", "ground", load / 1000),
        )
    )
    return tuple(zip(rows, mains_steady_state(circuit, frequency_hz=hertz).mean("out"), strict=True))


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_capacitor_input(hertz: float) -> None:
    trusted = 0
    for row, volts in outputs(hertz):
        off = volts / row.number("Vdc_out") - 1
        sure = row.confidence is not None and row.confidence >= 0.75
        trusted += sure
        say(
            f"{row['tube']!s:6} {row['Vac_rms_per_plate']:.0f} V, {row['Idc_mA']:.1f} mA: "
            f"sheet {row['Vdc_out']:.0f} V, computed {volts:.1f} V, {off:+.1%} (trust {row.confidence:.0%})"
        )
        assert abs(off) < (0.03 if sure else 0.06), row.where
    assert trusted == {50.0: 0, 60.0: 10}[hertz]


def test_the_table_has_not_lost_a_row() -> None:
    assert sum(len(outputs(hertz)) for hertz in (50.0, 60.0)) == len(capacitor_input_rows()) == 18


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_an_earlier_computation_of_the_same_law_gave_the_same(hertz: float) -> None:
    """The column xcheck_3_2_law_model_V, whole volts."""
    for row, volts in outputs(hertz):
        if row["xcheck_3_2_law_model_V"] is not None:
            assert volts == pytest.approx(row.number("xcheck_3_2_law_model_V"), abs=0.8), row.where
