"""Natural frequencies: against SciPy's generalised eigenvalues, and circuits whose fate is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg

from tests.circuits import GROUND, amp, push_pull, wild
from tests.reference.test_stage_gain import Linear
from tubekit.analyses.natural_modes import natural_frequencies, transfer_zeros
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.part_sensitivity import picker
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import Capacitor, Circuit, Device, Part, Resistor, VoltageSource
from tubekit.errors import BatchWarning, SolveError


def by_scipy(point, member: int = 0) -> np.ndarray:
    matrix = linearised(point.network, list(point.slopes))[member]
    storage = np.broadcast_to(point.network.storage, (member + 1, *point.network.storage.shape[1:]))[member]
    poles = scipy.linalg.eigvals(matrix, -storage)
    return np.sort_complex(poles[np.isfinite(poles) & (np.abs(poles) < 2 * np.pi * 2e6)])


@pytest.mark.parametrize("circuit", [amp(), push_pull()], ids=lambda c: c.title)
def test_poles_are_those_of_the_matrix_pencil(circuit: Circuit) -> None:
    point = operating_point(circuit)
    result = natural_frequencies(point).poles[0]
    result = np.sort_complex(result[np.isfinite(result)])
    np.testing.assert_allclose(result, by_scipy(point), rtol=1e-4)


def shift_oscillator(gain: float) -> Circuit:
    """Inverting stage of a given gain from a low source resistance, through three like R-C sections."""
    parts: list[Part] = [
        VoltageSource("B", "b", GROUND, 300.0), Resistor("RL", "b", "p", 1.0),
        Device("V1", Linear(mu=gain * 1e3, rp=1e3), ("p", "g"), GROUND),
    ]  # fmt: skip
    nodes = ["p", "x", "y", "g"]
    for k in range(3):
        parts += [
            Capacitor(f"C{k}", nodes[k], nodes[k + 1], 1e-9),
            Resistor(f"R{k}", nodes[k + 1], GROUND, 1e5),
        ]
    return Circuit(tuple(parts), "phase-shift oscillator")


@pytest.mark.parametrize(("gain", "stable"), [(28.9, True), (29.1, False)])
def test_phase_shift_oscillator_needs_a_gain_of_29(gain: float, stable: bool) -> None:
    """Starts at 29, at 1/(2π √6 RC): any text on oscillators, from memory (Ginzton & Hollingsworth 1941)."""
    result = natural_frequencies(operating_point(shift_oscillator(gain)))
    assert bool(result.stable[0]) is stable
    if not stable:
        assert result.oscillates_hz[0] == pytest.approx(1 / (2 * np.pi * np.sqrt(6) * 1e-4), rel=5e-3)
        assert "UNSTABLE: it oscillates near 6" in str(result)


def test_an_unstable_circuit_has_no_response() -> None:
    """The same oscillator, driven where the drive does not hold it still."""
    bridged = shift_oscillator(35.0).with_parts(Resistor("RS", "in", "y", 1e6))
    with pytest.raises(SolveError, match=r"phase-shift oscillator: UNSTABLE.*It has no response"):
        frequency_response(operating_point(bridged), "in", ["p"], [1000.0])
    held = frequency_response(operating_point(bridged), "g", ["p"], [1000.0])  # the drive holds the loop
    assert abs(held.gain[0, 0, 0]) > 10


def test_a_batch_blanks_what_oscillates_and_warns_once() -> None:
    point = operating_point(amp(wild(4, 0.3, 9)))
    with pytest.warns(BatchWarning, match="frequency response: 2 of 4"):
        result = frequency_response(point, "g1", ["sp"], [1000.0])
    lost = np.isnan(result.gain[:, 0, 0])
    for k in range(4):
        assert lost[k] == bool((by_scipy(point, k).real > 1e-2).any())


def test_zeros_of_a_coupling_and_a_bridged_network() -> None:
    """A coupling capacitor has its zero at 0; a lead network R ∥ C in series at -1/RC: any text."""
    parts = (
        Resistor("RS", "in", "a", 1e3), Resistor("R1", "a", "b", 1e5), Capacitor("C1", "a", "b", 1e-9),
        Capacitor("C2", "b", "o", 1e-7), Resistor("R2", "o", GROUND, 1e4), Resistor("R3", "in", GROUND, 50.0),
    )  # fmt: skip
    point = operating_point(Circuit(parts))
    network = point.network
    matrix = linearised(network, list(point.slopes))
    zeros = transfer_zeros(network, matrix, picker(network, "in"), picker(network, "o"))[0]
    np.testing.assert_allclose(zeros, [0.0, -1e4], atol=1e-4)
