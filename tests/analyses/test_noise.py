"""Noise against closed forms: 4kTRB, kT/C, a divider, a stage's equivalent resistance."""

from __future__ import annotations

import numpy as np
import pytest

from tests.circuits import GROUND
from tests.reference.test_stage_gain import Linear, stage
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import BOLTZMANN, FLICKER_HZ, KELVIN, equivalent_ohms, noise
from tubekit.circuit.parts import Capacitor, Circuit, Resistor, Windings
from tubekit.errors import CircuitError

KT = BOLTZMANN * KELVIN


def test_a_resistor_makes_4ktrb() -> None:
    """H. Nyquist, Phys. Rev. 32 (1928) (from memory)."""
    result = noise(
        operating_point(Circuit((Resistor("R1", "a", GROUND, 47e3),))), "a", np.linspace(20, 20e3, 9)
    )
    assert result.total_rms[0] == pytest.approx(np.sqrt(4 * KT * 47e3 * 19980), rel=1e-9)


@pytest.mark.parametrize("ohms", [1e3, 1e6])
def test_a_resistor_across_a_capacitor_makes_kt_over_c(ohms: float) -> None:
    """Whatever the resistor: equipartition."""
    circuit = Circuit((Resistor("R1", "a", GROUND, ohms), Capacitor("C1", "a", GROUND, 1e-9)))
    corner = 1 / (2 * np.pi * ohms * 1e-9)
    result = noise(operating_point(circuit), "a", np.geomspace(1e-4 * corner, 1e5 * corner, 4000))
    assert result.total_rms[0] ** 2 == pytest.approx(KT / 1e-9, rel=1e-3)


def test_two_resistors_make_the_noise_of_both_in_parallel() -> None:
    circuit = Circuit(
        (Resistor("R1", "a", GROUND, 30e3), Resistor("R2", "a", "b", 60e3), Resistor("R3", "b", GROUND, 1e-3))
    )
    result = noise(operating_point(circuit), "a", [100.0, 200.0])
    assert result.density[0, 0].sum() == pytest.approx(4 * KT * 20e3, rel=1e-6)


def test_copper_of_a_coil_counts() -> None:
    coil = Windings("L1", (("a", GROUND),), (100.0,), np.array([[1e-9]]))
    result = noise(operating_point(Circuit((coil, Resistor("R1", "a", GROUND, 1e9)))), "a", [100.0, 200.0])
    assert result.density[0, 0].sum() == pytest.approx(4 * KT * 100.0, rel=1e-4)


def test_a_stage_by_its_equivalent_resistance() -> None:
    """4kT (R_eq + R_g) through the gain squared, and the plate load's own: from the formula in the module."""
    tube = Linear(mu=100.0, rp=62.5e3)
    circuit = stage(tube, 100e3)
    point = operating_point(circuit)
    result = noise(point, "p", [99e3, 100e3])
    gain = 100 * 100e3 / 162.5e3
    plate_amps = float(np.asarray(point.current("V1")))
    ohms = float(equivalent_ohms(1.6e-3, plate_amps))
    assert ohms == pytest.approx(2.5 / 1.6e-3, rel=1e-9)
    white = 4 * KT * ohms * (1 + FLICKER_HZ / 99e3)
    source = 62.5e3 * 100e3 / 162.5e3
    expected = (white + 4 * KT * 1e6) * gain**2 + 4 * KT * source**2 / 100e3
    assert result.density[0, 0].sum() == pytest.approx(expected, rel=1e-6)


def test_a_screen_adds_partition_noise() -> None:
    """Ip/(Ip + Is)·(2.5/gm + 20 Is/gm²): W. A. Harris, RCA Review 5 (1941) (from memory)."""
    assert float(equivalent_ohms(9e-3, 10e-3, 2.5e-3)) == pytest.approx(
        0.8 * (2.5 / 9e-3 + 20 * 2.5e-3 / 81e-6)
    )


def test_bands_that_cannot_be() -> None:
    point = operating_point(Circuit((Resistor("R1", "a", GROUND, 1e3),)))
    for band in ([100.0], [200.0, 100.0], [0.0, 10.0]):
        with pytest.raises(CircuitError, match="rising frequencies"):
            noise(point, "a", band)
    with pytest.raises(CircuitError, match="no such node"):
        noise(point, "b", [1.0, 2.0])
