"""Supplies from the books: closed forms, handbook constants and maker rows."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import mains_steady_state, textbook, tube
from tubekit.circuit.parts import Circuit
from tubekit.devices import IdealDiode
from tubekit.errors import InputError
from tubekit.tables import Row, handbook


def dc_v(circuit: Circuit, hertz: float = 60) -> float:
    return float(mains_steady_state(circuit, frequency_hz=hertz).mean("b_plus")[0])


@pytest.mark.parametrize("current", [0.02, 0.08, np.array([0.02, 0.08])])
def test_the_load_draws_what_was_asked_for(current: float | np.ndarray) -> None:
    supply = textbook.capacitor_input(
        "5Y3GT",
        secondary_rms=350,
        source_resistance=50,
        reservoir=20e-6,
        load_current=current,
        frequency_hz=60,
    )
    state = mains_steady_state(supply, frequency_hz=60)
    np.testing.assert_allclose(state.rectifier_currents.mean(axis=2).sum(axis=1), current, rtol=1e-3)


def test_an_ideal_rectifier_on_a_great_capacitor() -> None:
    # W15 of data/handbook/worked_examples.csv: full wave, Rs/RL = 4 %: Edc/Epk = 0.8529.
    peak, ohms = 100.0, 40.0
    amps = 0.8529 * peak / 1000.0
    supply = textbook.capacitor_input(
        IdealDiode(),
        secondary_rms=peak / np.sqrt(2),
        source_resistance=ohms,
        reservoir=0.05,
        load_current=amps,
        frequency_hz=60,
    )
    assert dc_v(supply) / peak == pytest.approx(0.8529, rel=1e-3)


def test_ripple_of_a_reservoir() -> None:
    # W16 (computed; books print 2410): 60 Hz full wave, ripple over DC = 2406/(C[µF] R[Ω]) while small.
    supply = textbook.capacitor_input(
        IdealDiode(),
        secondary_rms=250,
        source_resistance=0.1,
        reservoir=200e-6,
        load_current=0.03,
        frequency_hz=60,
    )
    state = mains_steady_state(supply, frequency_hz=60)
    ohms = state.mean("b_plus")[0] / 0.03
    assert state.ripple_rms("b_plus") / state.mean("b_plus") == pytest.approx(2406 / (200 * ohms), rel=0.05)


def rows() -> list[Row]:
    return [r for r in handbook("rectifier_operation", input="C") if r["Rs_per_plate_ohm"] is not None]


@pytest.mark.parametrize(
    "row", rows(), ids=lambda r: f"{r['tube']} {r['Vac_rms_per_plate']:g} V {r['Idc_mA']:g} mA"
)
def test_maker_rows_of_capacitor_input(row: Row) -> None:
    # data/handbook/rectifier_operation.csv, most from memory; the laws know the rated drop only.
    supply = textbook.capacitor_input(
        row.text("tube"), secondary_rms=row.number("Vac_rms_per_plate"),
        source_resistance=row.number("Rs_per_plate_ohm"),
        reservoir=row.number("C_uF_or_L_H") * 1e-6, load_current=row.number("Idc_mA") * 1e-3,
        frequency_hz=row.number("f_Hz"),
    )  # fmt: skip
    assert dc_v(supply, row.number("f_Hz")) == pytest.approx(row.number("Vdc_out"), rel=0.045)


def test_a_law_serves_as_well_as_a_name() -> None:
    values = {
        "secondary_rms": 300,
        "source_resistance": 50,
        "reservoir": 20e-6,
        "load_current": 0.05,
        "frequency_hz": 50,
    }
    named, by_law = (dc_v(textbook.capacitor_input(r, **values), 50) for r in ("5AR4", tube("5AR4").law))
    assert named == by_law


@pytest.mark.parametrize(("rectifier", "amps", "text"), [
    ("12AX7", 0.1, "12AX7: is no rectifier"),
    ("5Y3GT", 0.0, "a load current of 0.0"),
    ("5Y3GT", 20.0, "cannot give this current"),
])  # fmt: skip
def test_what_makes_no_supply_is_refused(rectifier: str, amps: float, text: str) -> None:
    with pytest.raises(InputError, match=text):
        textbook.capacitor_input(
            rectifier,
            secondary_rms=350,
            source_resistance=50,
            reservoir=20e-6,
            load_current=amps,
            frequency_hz=60,
        )
