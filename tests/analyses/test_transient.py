"""Runs in time against closed forms, against each other and against the steady state they end in."""

from __future__ import annotations

import numpy as np
import pytest

from tests.circuits import GROUND, amp, bridge, full_wave, half_wave, triode
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.transient import slow_transient, transient
from tubekit.circuit.parts import Capacitor, Circuit, CurrentSource, Resistor, VoltageSource, Windings
from tubekit.devices import SiliconDiode, TubeDiode
from tubekit.errors import CircuitError

TUBE = TubeDiode.from_drop(50.0, 0.125)


def test_a_ringing_filter_follows_the_closed_form() -> None:
    """Series R-L-C switched on to 100 V: damped sine about 100 V (any circuit theory text)."""
    ohms, henries, farads = 100.0, 10.0, 20e-6
    circuit = Circuit(
        (
            VoltageSource("B", "b", GROUND, 100.0),
            Windings("L1", (("b", "c"),), (ohms,), np.array([[henries]])),
            Capacitor("C1", "c", GROUND, farads),
        )
    )
    run = transient(circuit, 0.5, tolerance=1e-6)
    decay, rate = ohms / (2 * henries), np.sqrt(1 / (henries * farads) - (ohms / (2 * henries)) ** 2)
    t = np.linspace(0, 0.5, 50)
    wanted = 100 - 100 * np.exp(-decay * t) * (np.cos(rate * t) + decay / rate * np.sin(rate * t))
    np.testing.assert_allclose(run.at("c", t), wanted, atol=0.05)
    assert run.coil("L1")[-1] == pytest.approx(
        float(farads * np.gradient(run.volts("c"), run.time)[-1]), rel=0.1
    )


def test_a_smaller_tolerance_comes_closer() -> None:
    circuit = Circuit((Capacitor("C1", "a", GROUND, 1e-6), Resistor("R1", "a", GROUND, 1e6)))
    errors = [
        abs(transient(circuit, 3.0, start={"C1": 100.0}, tolerance=tol).volts("a")[-1] - 100 * np.exp(-3))
        for tol in (1e-3, 1e-6)
    ]
    assert errors[1] < 0.1 * errors[0]


def test_what_jumps_keeps_its_charge() -> None:
    """Two capacitors that a switch joins share their charge at once."""
    parts = (Capacitor("C1", "a", GROUND, 3e-6), Capacitor("C2", "a", GROUND, 1e-6),
             Resistor("R1", "a", GROUND, 1e6))  # fmt: skip
    run = transient(Circuit(parts), 1e-3, start={"C1": 100.0})
    assert run.volts("a")[0] == pytest.approx(75.0, rel=1e-6)


def test_an_amp_left_alone_stays_at_its_operating_point() -> None:
    circuit = amp()
    point = operating_point(circuit)
    run = transient(circuit, 0.1, start=point)
    for node in ("p1", "p3a", "k4", "b2"):
        np.testing.assert_allclose(run.volts(node), point.volts(node), atol=2e-3)
    assert run.current("V4", "cathode")[-1] == pytest.approx(point.current("V4", "cathode"), rel=1e-4)


@pytest.mark.parametrize("circuit", [full_wave(TUBE), half_wave(SiliconDiode())], ids=["full", "half"])
def test_both_views_end_in_the_steady_state(circuit: Circuit) -> None:
    state = mains_steady_state(circuit, frequency_hz=60.0, samples=512)
    slow = slow_transient(circuit, 20.0, frequency_hz=60.0)
    every = transient(circuit, 3 / 60, frequency_hz=60.0, start=state, tolerance=1e-5)
    last = np.linspace(2 / 60, 3 / 60, 400, endpoint=False)
    for node in ("b0", "b1"):
        mean, pp = float(state.mean(node)[0]), float(state.ripple_pp(node)[0])
        assert slow.volts(node)[-1] == pytest.approx(mean, rel=2e-4)
        assert np.ptp(every.at(node, last)) == pytest.approx(pp, rel=0.01, abs=1e-3 * abs(mean))
        assert every.at(node, last).mean() == pytest.approx(mean, rel=5e-4)
        ripple = slow.highest[-1] - slow.lowest[-1]
        assert slow.network.pick(ripple, node) == pytest.approx(pp, rel=0.01)


def test_a_choke_behind_a_bridge_takes_few_steps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The node between them stores nothing: its volts follow from the others, and their error says all."""
    monkeypatch.setattr("tubekit.analyses.time_stepper.MOST_STEPS", 2000)
    law = SiliconDiode()
    choke = Windings("L1", (("b0", "b1"),), (90.0,), np.array([[10.0]]))
    slow = slow_transient(bridge(law, choke), 5.0, frequency_hz=60.0, tolerance=3e-4, longest_step=1.0)
    steady = mains_steady_state(bridge(law, choke), frequency_hz=60.0)
    assert slow.volts("b1")[-1] == pytest.approx(float(steady.mean("b1")[0]), rel=1e-3)
    fast = [transient(bridge(law, choke), 0.25, frequency_hz=60.0, tolerance=t) for t in (1e-3, 1e-4)]
    assert fast[0].peak("b1")[0] == pytest.approx(fast[1].peak("b1")[0], rel=1e-3)


def test_going_on_in_another_circuit_carries_what_is_stored() -> None:
    charged = slow_transient(full_wave(TUBE), 2.0, frequency_hz=60.0)
    off = Circuit(tuple(p for p in full_wave(TUBE).parts if p.name not in ("TA", "TB", "RA", "RB")))
    run = transient(off, 0.5, start=charged)
    assert run.volts("b0")[0] == pytest.approx(float(charged.volts("b0")[-1]), rel=1e-6)
    assert run.volts("b0")[-1] < 0.2 * run.volts("b0")[0]


def test_a_swing_held_at_the_grids_moves_the_mean_currents() -> None:
    """A tube driven about its bias passes the mean over the drive: evaluated here sample by sample."""
    tube = triode("x", "b1", 1e5, 1500.0)
    circuit = full_wave(TUBE).with_parts(*tube)
    angle = 2 * np.pi * np.arange(32) / 32
    swing = np.array([np.zeros(32), 0.8 * np.cos(angle)])
    run = slow_transient(circuit, 10.0, frequency_hz=60.0, swing=swing)
    law = tube[0].law
    plate, cathode = (run.volts(node)[-1] for node in ("px", "kx"))
    at = np.stack([np.full(32, plate - cathode), swing[1] - cathode], axis=1)
    assert run.current("Vx")[-1] == pytest.approx(float(law.evaluate(at)[0][:, 0].mean()), rel=2e-3)


def test_what_cannot_be_run_is_told() -> None:
    rc = Circuit((Capacitor("C1", "a", GROUND, 1e-6), Resistor("R1", "a", GROUND, np.array([1e5, 1e6]))))
    with pytest.raises(CircuitError, match="only one amp"):
        transient(rc, 1.0)
    one = Circuit((Capacitor("C1", "a", GROUND, 1e-6), Resistor("R1", "a", GROUND, 1e5)))
    with pytest.raises(CircuitError, match="cannot run for -1"):
        transient(one, -1.0)
    with pytest.raises(CircuitError, match="no rectifier"):
        slow_transient(one, 1.0, frequency_hz=60.0)
    with pytest.raises(CircuitError, match="no stated frequency"):
        transient(full_wave(TUBE), 1.0)
    with pytest.raises(CircuitError, match="no such node"):
        transient(one, 1.0).volts("b")
    with pytest.raises(CircuitError, match="no such tube section"):
        transient(one, 1.0).current("V9")
    driven = Circuit((*one.parts, CurrentSource("I1", GROUND, "a", 1e-3)))
    assert transient(driven, 2.0).volts("a")[-1] == pytest.approx(100.0, rel=1e-3)
