"""Networks at the harmonics of the line: what is interpolated is what a direct solve gives, or is solved."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import solved
from tests.circuits import GROUND
from tubekit.analyses import harmonics
from tubekit.analyses.harmonics import Harmonics
from tubekit.analyses.poles import direct_transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.network import assemble
from tubekit.circuit.parts import Capacitor, Circuit, Rectifier, Resistor, VoltageSource, Windings
from tubekit.devices.rectifier import IdealDiode

S = 2j * np.pi * 60.0 * np.arange(129)
HIGH = 1830.0
"""Between two harmonics that are eliminated [Hz]."""


def resonant(factors: np.ndarray) -> Circuit:
    """A rectifier that looks into a coil and a capacitor that ring between two harmonics."""
    henries = 0.1
    farads = factors / (henries * (2 * np.pi * HIGH) ** 2)
    return Circuit(
        (
            VoltageSource("T1", "s", GROUND, ac=100.0), Resistor("R1", "s", "a", 10.0),
            Rectifier("CR1", IdealDiode(), "a", "b"), Resistor("R2", "b", GROUND, 1e4),
            Windings("L1", (("b", "c"),), ohms=(5.0,), henries=np.array([[henries]])),
            Resistor("R3", "c", GROUND, 1e3), Capacitor("C1", "b", "c", farads),
        )
    )  # fmt: skip


def seen_directly(each: Harmonics) -> np.ndarray:
    """Impedance of the ports by one dense solve a harmonic."""
    edge = each.edge
    return direct_transfer(each.network, each.matrix, edge.T, edge, S[1:])


def test_a_resonance_between_the_knots_is_not_smoothed_away(monkeypatch: pytest.MonkeyPatch) -> None:
    network = assemble(resonant(np.linspace(0.97, 1.03, 8)))
    made = Harmonics(network, S, network.rectifier_incidence, network.conductance)
    exact = seen_directly(made)
    np.testing.assert_allclose(made.impedance()[:, 1:], exact, rtol=1e-7)
    monkeypatch.setattr(harmonics, "AT_PORTS", 1e9)  # what it would be without proof
    smooth = Harmonics(network, S, network.rectifier_incidence, network.conductance)
    assert np.abs(smooth.impedance()[:, 1:] / exact - 1).max() > 0.01


@pytest.mark.parametrize("name", ["teasel", "paraphase-field-coil", "four-output-tubes"])
def test_a_few_harmonics_of_a_whole_amp_give_all(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    point = solved(name).solved.state.operating_point
    matrix = linearised(point.network, list(point.slopes))
    network = point.network.members(np.zeros(5, int))
    matrix = np.repeat(matrix, 5, axis=0) * np.linspace(1.0, 1.2, 5)[:, None, None]
    monkeypatch.setattr(Harmonics, "_directly", lambda *_: pytest.fail("solved directly"))
    made = Harmonics(network, S, network.rectifier_incidence, matrix)
    exact = seen_directly(made)
    size = np.abs(exact).max(axis=(2, 3), keepdims=True)
    assert np.abs((made.impedance()[:, 1:] - exact) / size).max() < 1e-9
