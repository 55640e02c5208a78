"""Full drive: the signal that brings the highest grid to its cathode."""

from __future__ import annotations

import numpy as np
import pytest

from tests.output_stages import single_ended
from tubekit.analyses.large_signal import full_drive
from tubekit.circuit.parts import Capacitor, Circuit, Resistor, VoltageSource
from tubekit.errors import CircuitError


def test_full_drive_brings_the_grid_to_the_cathode() -> None:
    stage = single_ended("6V6GT", plate=250, screen=250, load=5000, cathode=250, drive=1.0)
    factor, solved = full_drive(stage, frequency_hz=400)
    assert solved.volts("V1", "grid").max() == pytest.approx(0, abs=1e-3 * factor)
    # the driven cathode voltage, not that at rest
    assert factor == pytest.approx(solved.harmonics("cathode")[0, 0].real, rel=1e-3)


def test_full_drive_of_a_batch_is_each_members_own() -> None:
    ohms = np.array([200.0, 400.0])
    batch = single_ended("6V6GT", plate=250, screen=250, load=5000, cathode=ohms, drive=1.0)
    factor, _ = full_drive(batch, frequency_hz=400)
    for k in range(2):
        one = single_ended("6V6GT", plate=250, screen=250, load=5000, cathode=float(ohms[k]), drive=1.0)
        assert factor[k] == pytest.approx(full_drive(one, frequency_hz=400)[0], rel=1e-3)


def test_no_full_drive_without_a_signal_or_a_bias() -> None:
    silent = Circuit(
        (
            VoltageSource("B", "p", "ground", 250.0),
            Resistor("R1", "p", "g", 1.0),
            Capacitor("C1", "g", "ground", 1e-6),
        )
    )
    with pytest.raises(CircuitError, match="no source carries a signal"):
        full_drive(silent)
    hot = single_ended("6V6GT", plate=250, screen=250, load=5000, grid=1.0, drive=1.0)
    with pytest.raises(CircuitError, match="not below its cathode"):
        full_drive(hot)
