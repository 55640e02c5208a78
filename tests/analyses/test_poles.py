"""The pole form against one dense solve per frequency, 5 Hz to 500 kHz; and where it must give way."""

from __future__ import annotations

import numpy as np
import pytest

from tests.circuits import GROUND, HIGH_MU, amp, coupled, full_wave, push_pull, wild
from tubekit.analyses import poles
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.poles import PoleForm, direct_transfer, pole_form, transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.parts import Capacitor, Circuit, Device, Part, Resistor, VoltageSource, Windings
from tubekit.devices import IdealDiode

BAND = 2j * np.pi * np.geomspace(5.0, 500e3, 41)
Array = np.ndarray


def transformer(leakage: float) -> Circuit:
    coils = Windings(
        "T1",
        (("a", GROUND), ("s", "m"), ("m", GROUND)),
        (90.0, 0.3, 0.3),
        coupled([1, 0.04, 0.02], 12.0, leakage),
    )
    return Circuit(
        (
            Resistor("R1", "in", "a", 2e3),
            coils,
            Resistor("R2", "s", GROUND, 16.0),
            Capacitor("C1", "a", GROUND, 300e-12),
            Capacitor("C2", "a", "s", 100e-12),
        )
    )


def capacitor_loop() -> Circuit:
    loop = (("a", "b", 1e-9), ("b", GROUND, 2e-9), ("a", GROUND, 3e-9), ("b", "c", 1e-9), ("c", GROUND, 1e-9))
    return Circuit(
        (
            Resistor("R1", "in", "a", 1e3),
            Resistor("R2", "b", GROUND, 1e5),
            Resistor("R3", "c", GROUND, 1e5),
            *(Capacitor(f"C{k}", *ends) for k, ends in enumerate(loop)),
        )
    )


def equal_time_constants() -> Circuit:
    branches: list[Part] = [Resistor("R0", "in", GROUND, 1e3)]
    for k in range(4):
        branches += [Resistor(f"R{k}a", "in", f"n{k}", 1e4), Capacitor(f"C{k}", f"n{k}", GROUND, 1e-8)]
    return Circuit(tuple(branches))


def like_stages(count: int) -> Circuit:
    """Stages in a row, each with the same time constants: the poles coincide and have one eigenvector."""
    parts: list[Part] = [VoltageSource("B", "b", GROUND, 300.0)]
    for k in range(count):
        parts += [
            Device(f"V{k}", HIGH_MU, (f"p{k}", f"g{k}"), f"k{k}"),
            Resistor(f"RL{k}", "b", f"p{k}", 1e5),
            Resistor(f"RK{k}", f"k{k}", GROUND, 1500.0),
            Resistor(f"RG{k}", f"g{k}", GROUND, 1e6),
            Capacitor(f"CP{k}", f"p{k}", GROUND, 1e-10),
        ]
        if k:
            parts.append(Capacitor(f"CC{k}", f"p{k - 1}", f"g{k}", 22e-9))
    return Circuit(tuple(parts))


def system(circuit: Circuit) -> tuple[Network, Array, Array, Array]:
    """Network, matrix, and every unknown as output and input."""
    point = operating_point(circuit)
    every = np.eye(len(point.network.unknowns))
    return point.network, linearised(point.network, list(point.slopes)), every, every


def difference(result: Array, exact: Array) -> float:
    """Largest, as a share of the largest entry at that frequency for that output."""
    size = np.abs(exact).max(axis=3)
    least = 1e-6 * size.max(axis=2, keepdims=True)
    return float((np.abs(result - exact).max(axis=3) / np.maximum(size, least)).max())


CIRCUITS = {
    "amp": amp(),
    "batch of amps": amp(wild(5, 0.3, 2)),
    "push-pull transformer": push_pull(),
    "leaky transformer": transformer(1e-3),
    "perfect transformer": transformer(0.0),
    "capacitor loop": capacitor_loop(),
    "equal time constants": equal_time_constants(),
    "choke filter": full_wave(
        IdealDiode(), choke=Windings("L1", (("b0", "b1"),), (250.0,), np.array([[10.0]]))
    ),
    "nothing stored": Circuit((Resistor("R1", "in", GROUND, 1e3),)),
}


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS.keys())
def test_pole_form_is_the_direct_solve(circuit: Circuit) -> None:
    form = pole_form(*system(circuit))
    assert form is not None
    assert difference(form.at(BAND), direct_transfer(*system(circuit), BAND)) < 1e-9


@pytest.mark.parametrize("count", [3, 5])
def test_like_stages_in_a_row_are_solved_directly(count: int) -> None:
    parts = system(like_stages(count))
    assert pole_form(*parts) is None
    np.testing.assert_array_equal(transfer(*parts, BAND), direct_transfer(*parts, BAND))


def test_the_proof_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(poles, "TRUST", np.inf)
    parts = system(like_stages(5))
    form = pole_form(*parts)
    assert form is not None
    assert difference(form.at(BAND), direct_transfer(*parts, BAND)) > 1e-6


def test_responses_to_a_mixture_of_inputs() -> None:
    parts = system(amp(wild(3, 0.2, 4)))
    form = pole_form(*parts)
    assert isinstance(form, PoleForm)
    drive = np.random.default_rng(3).normal(size=(3, len(BAND), form.direct.shape[2]))
    expected = np.einsum("nkji,nki->nkj", form.at(BAND), drive)
    np.testing.assert_allclose(
        form.respond(BAND, drive), expected, rtol=1e-9, atol=1e-9 * np.abs(expected).max()
    )


def test_poles_of_an_rc_and_of_a_tuned_circuit() -> None:
    form = pole_form(*system(Circuit((Resistor("R1", "a", GROUND, 1e4), Capacitor("C1", "a", GROUND, 1e-8)))))
    assert form is not None
    np.testing.assert_allclose(form.poles, [[-1e4]], rtol=1e-9)
    coil = Windings("L1", (("a", GROUND),), (100.0,), np.array([[1.0]]))
    form = pole_form(*system(Circuit((coil, Capacitor("C1", "a", GROUND, 1e-6)))))
    assert form is not None
    expected = np.roots([1.0, 100.0, 1e6])  # s² L C + s R C + 1 = 0
    np.testing.assert_allclose(np.sort_complex(form.poles[0]), np.sort_complex(expected), rtol=1e-9)


def test_a_stable_amp_has_its_poles_on_the_left() -> None:
    form = pole_form(*system(amp()))
    assert form is not None
    assert np.all(form.poles.real < 0)
