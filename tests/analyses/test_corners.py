"""Corners and what sets them: closed forms, differences, and the sum over all C and L."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.circuits import GROUND, amp
from tests.reference.test_stage_gain import AX7, stage
from tubekit.analyses.corners import Corner, Stretch, corners
from tubekit.analyses.elimination import respond
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.part_sensitivity import picker
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import Capacitor, Circuit, Resistor, Windings

HZ = np.geomspace(0.1, 1e7, 300)


def both(circuit: Circuit, drive: str, out: str, reference: float = 1000.0) -> tuple[Corner, Corner]:
    point = operating_point(circuit)
    network, matrix = point.network, linearised(point.network, list(point.slopes))
    into, top = picker(network, drive), picker(network, out)
    x = respond(network, matrix, into, 2j * np.pi * HZ)
    return corners(Stretch(network, matrix, into, top, into), HZ, (x @ top) / (x @ into), reference)


def test_coupling_and_shunt_capacitor() -> None:
    """Low corner 1/(2π C (Rs + Rg)), high corner 1/(2π Cs Rs∥Rg): any text."""
    circuit = Circuit(
        (
            Resistor("R1", "in", "p", 50e3), Capacitor("C1", "p", "g", 22e-9),
            Resistor("R2", "g", GROUND, 470e3), Capacitor("C2", "g", GROUND, 100e-12),
        )
    )  # fmt: skip
    low, high = both(circuit, "in", "g")
    assert low.hz[0] == pytest.approx(1 / (2 * np.pi * 22e-9 * 520e3), rel=5e-3)  # C2 loads C1
    assert high.hz[0] == pytest.approx((50e3 + 470e3) / (2 * np.pi * 100e-12 * 50e3 * 470e3), rel=6e-3)
    assert low.setters() == [("C1", pytest.approx(-1.0, abs=0.01))]
    assert high.setters() == [("C2", pytest.approx(-1.0, abs=0.01))]
    assert dict(low.setters(kinds="R"))["R2"] == pytest.approx(-470 / 520, abs=0.01)


def test_bypass_shelf_corners() -> None:
    """Gain with Rk ∥ C: zero at 1/(2π Rk C), pole higher by 1 + (mu + 1) Rk/(rp + RL): any text."""
    rk, ck, rl = 1500.0, 1e-6, 100e3
    circuit = stage(AX7, rl, rk, Capacitor("CK", "k", GROUND, ck))
    point = operating_point(circuit)
    network, matrix = point.network, linearised(point.network, list(point.slopes))
    x = respond(network, matrix, picker(network, "g"), 2j * np.pi * HZ)
    gain = x[0, :, network.index["p"]] / x[0, :, network.index["g"]]
    zero = 1 / (2 * np.pi * rk * ck)
    step = 1 + 101 * rk / (80e3 + rl)
    expected = gain[0] * (1 + 1j * HZ / zero) / (1 + 1j * HZ / (zero * step))
    np.testing.assert_allclose(gain, expected, rtol=5e-3)
    assert abs(gain[-1] / gain[0]) == pytest.approx(step, rel=5e-3)


def stretched(circuit: Circuit, name: str, by: float) -> Circuit:
    def larger(part):
        if isinstance(part, Resistor):
            return dataclasses.replace(part, ohms=part.ohms * by)
        return dataclasses.replace(part, farads=part.farads * by)

    return Circuit(tuple(larger(p) if p.name == name else p for p in circuit.parts))


def test_moves_are_differences_of_the_corner() -> None:
    """A capacitor changes no idle point, so its move must be the difference of two whole solves."""
    low, high = both(amp(), "g1", "p2")
    for name in ("C1", "C7"):
        for corner, k in ((low, 0), (high, 1)):
            if not np.isfinite(corner.hz[0]):
                continue
            up, down = (both(stretched(amp(), name, by), "g1", "p2")[k].hz[0] for by in (1.001, 0.999))
            move = np.log(up / down) / np.log(1.001 / 0.999)
            assert corner.moves[0, corner.parts.index(name)] == pytest.approx(move, abs=2e-4)


def test_all_reactive_parts_together_move_a_corner_by_minus_one() -> None:
    """Scaling every C and L by a scales frequency by 1/a: Euler's theorem; flat at the reference."""
    coil = Windings("L1", (("p", GROUND),), (1.0,), np.array([[5.0]]))
    circuit = Circuit(
        (
            Resistor("R1", "in", "p", 1e4),
            coil,
            Resistor("R2", "p", GROUND, 1e5),
            Capacitor("C1", "p", GROUND, 1e-9),
        )
    )
    for corner in both(circuit, "in", "p", 2000.0):
        reactive = [kind in "CL" for kind in corner.kinds]
        assert corner.moves[0, reactive].sum() == pytest.approx(-1.0, abs=0.02)


def test_no_corner_is_nan() -> None:
    low, high = both(Circuit((Resistor("R1", "in", "p", 1e3), Resistor("R2", "p", GROUND, 1e3))), "in", "p")
    assert np.isnan(low.hz[0])
    assert np.isnan(high.hz[0])
    assert low.setters() == []
