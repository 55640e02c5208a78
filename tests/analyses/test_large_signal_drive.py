"""Sweeps of drive: the end of class A, the shift of a cathode bias, the onset of clipping and its cause."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import large_signal, load_line, textbook
from tubekit.analyses.drive import DriveSweep, drive_sweep, full_drive, scaled
from tubekit.circuit.parts import Capacitor, Circuit, Device, Resistor, VoltageSource
from tubekit.devices import Triode
from tubekit.errors import CircuitError

STEPS = np.linspace(0.05, 1.5, 30)
TRIODE = Triode(perveance=1.2e-3, mu=96.0, exponent=1.45, offset=0.5, softness=0.25, grid_offset=0.2)


def swept(circuit: textbook.TextbookCircuit) -> DriveSweep:
    return drive_sweep(
        circuit, STEPS, output=circuit.output, load=circuit.load, frequency_hz=circuit.frequency_hz
    )


def test_cathode_current_of_an_ab_pair_rises_with_drive_and_its_bias_with_it() -> None:
    sweep = swept(textbook.push_pull("6L6", plate=360, screen=270, load=9000, cathode=250))
    total = sweep.cathode_a.sum(axis=1)
    assert total[-1] > 1.05 * total[0]
    np.testing.assert_allclose(sweep.bias_v[:, 0], -250 * total, rtol=1e-6)  # Ohm's law at the resistor
    assert sweep.class_a_v < sweep.drive_v[-1]
    assert np.all(sweep.conducts[sweep.drive_v <= sweep.class_a_v] == 1.0)
    assert sweep.conducts[-1].max() < 0.8


def test_each_member_is_the_circuit_at_that_drive() -> None:
    pair = textbook.push_pull("6V6GT", plate=250, screen=250, load=10000, grid=-15)
    sweep = swept(pair)
    for k in (0, 13, 29):
        one = large_signal(scaled(pair, float(STEPS[k])), frequency_hz=pair.frequency_hz)
        assert sweep.power_w[k] == pytest.approx(one.power_w("R1")[0], rel=1e-6)
        assert sweep.thd_pct[k] == pytest.approx(one.thd_percent("plate1", "plate2")[0], abs=1e-4)


@pytest.mark.parametrize(("values", "cause"), [
    ({"load": 15000, "grid": -12.5}, "knee"),
    ({"load": 1500, "grid": -20.0}, "cut-off"),
])  # fmt: skip
def test_the_first_end_to_flatten_is_named(values: dict[str, float], cause: str) -> None:
    sweep = swept(textbook.single_ended("6V6GT", plate=250, screen=250, **values))
    line = load_line("6V6GT", plate=250, screen=250, **values)
    assert sweep.clip_cause == cause
    assert line.limits.clipping[1] == cause
    assert sweep.clip_v < sweep.drive_v[-1]


def test_a_driver_with_resistance_clips_on_grid_current() -> None:
    fed = Circuit(
        (
            VoltageSource("B", "b", "ground", 400.0), Resistor("R1", "b", "p", 4.7e4),
            VoltageSource("E", "in", "ground", -1.0, 1.0), Resistor("R2", "in", "g", 2.2e5),
            Device("V1", TRIODE, ("p", "g"), "ground"),
        )
    )  # fmt: skip
    sweep = drive_sweep(fed, np.linspace(0.1, 3.0, 30), output=("p", "ground"))
    assert sweep.clip_cause == "grid current"
    assert 0.5 < sweep.clip_v <= 1.0  # about where the grid's peak nears the cathode
    assert np.isnan(sweep.power_w).all()


def test_full_drive_brings_the_grid_to_the_cathode() -> None:
    stage = textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, cathode=250, drive=1.0)
    factor, solved = full_drive(stage, frequency_hz=400)
    assert solved.volts("V1", "grid").max() == pytest.approx(0, abs=1e-3 * factor)
    # the driven cathode voltage, not that at rest
    assert factor == pytest.approx(solved.harmonics("cathode")[0, 0].real, rel=1e-3)


def test_full_drive_of_a_batch_is_each_members_own() -> None:
    ohms = np.array([200.0, 400.0])
    batch = textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, cathode=ohms, drive=1.0)
    factor, _ = full_drive(batch, frequency_hz=400)
    for k in range(2):
        one = textbook.single_ended(
            "6V6GT", plate=250, screen=250, load=5000, cathode=float(ohms[k]), drive=1.0
        )
        assert factor[k] == pytest.approx(full_drive(one, frequency_hz=400)[0], rel=1e-3)


def test_no_sweep_without_a_signal_or_a_rising_drive() -> None:
    stage = textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, grid=-12.5)
    with pytest.raises(CircuitError, match="must rise"):
        drive_sweep(stage, [1.0, 0.5, 0.2], output=stage.output)
    silent = Circuit(
        (
            VoltageSource("B", "p", "ground", 250.0),
            Resistor("R1", "p", "g", 1.0),
            Capacitor("C1", "g", "ground", 1e-6),
        )
    )
    with pytest.raises(CircuitError, match="no source carries a signal"):
        full_drive(silent)
    hot = textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, grid=1.0, drive=1.0)
    with pytest.raises(CircuitError, match="not below its cathode"):
        full_drive(hot)
    batch = textbook.single_ended(
        "6V6GT", plate=250, screen=250, load=np.array([4e3, 5e3]), grid=-12.5, drive=1.0
    )
    with pytest.raises(CircuitError, match="numbers of values"):
        drive_sweep(batch, STEPS, output=batch.output)


def test_a_sweep_prints() -> None:
    text = str(swept(textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, grid=-12.5)))
    assert "single-ended 6V6GT: class A up to" in text
    assert "distortion" in text
