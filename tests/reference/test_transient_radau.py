"""Runs in time against SciPy's Radau at rtol 1e-6 on the same equations, written out by hand.

Agreement asked for: 0.5 %. A slow run gives means over the line cycle: Radau's full waveform is averaged
over the cycle about the same instant before the two are compared.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.circuits import HIGH_MU, full_wave
from tests.reference.tight_integration import centre_tap, filter_slopes
from tests.say import say
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.transient import Transient, slow_transient, transient
from tubekit.circuit.parts import Capacitor, Circuit, Device, Resistor
from tubekit.devices import TubeDiode

Array = np.ndarray
HZ, RTOL = 60.0, 1e-6
TUBE = TubeDiode.from_drop(50.0, 0.125)  # rated drop of the 5Y3GT in data/handbook/rectifier_ratings.csv
VOLTS, COPPER = (325.0, 325.0), (62.0, 65.0)
FARADS, SERIES = np.array([40e-6, 20e-6]), np.array([470.0])
IDLE, HEAVY = np.array([6e3, 3e4]), np.array([2.2e3, 3e4])
NODES = ("b0", "b1")


def supply(loads: Array) -> Circuit:
    sections = ((float(SERIES[0]), float(FARADS[1])),)
    return full_wave(
        TUBE, volts=VOLTS, copper=COPPER, reservoir=float(FARADS[0]), sections=sections, loads=tuple(loads)
    )


def radau(loads: Array, start: Array, seconds: float, warm: Callable[[float], float] = lambda t: 1.0):
    """The two rail voltages over time, dense; `warm` is the rectifier's emission."""

    def slope(t: float, y: Array) -> Array:
        source = centre_tap(TUBE.worn(max(warm(t), 1e-7)), VOLTS, COPPER, HZ)
        return filter_slopes(y, source(t, y[0]), FARADS, SERIES, loads)

    return solve_ivp(
        slope,
        (0.0, seconds),
        start,
        method="Radau",
        rtol=RTOL,
        atol=1e-7,
        max_step=1 / (40 * HZ),
        dense_output=True,
    ).sol


def mean_over_cycle(sol, times: Array) -> Array:
    """Running means (states, times)."""
    offsets = (np.arange(200) + 0.5) / 200 / HZ - 0.5 / HZ
    return np.stack([sol(t + offsets).mean(axis=1) for t in times], axis=1)


def off_by(run: Transient, wanted: Array, times: Array) -> float:
    """Largest difference as a share of the rail's largest voltage."""
    result = np.stack([run.at(node, times) for node in NODES])
    return float((np.abs(result - wanted) / np.abs(wanted).max(axis=1, keepdims=True)).max())


def test_first_cycles_from_cold() -> None:
    circuit, seconds = supply(IDLE), 0.12
    run = transient(circuit, seconds, frequency_hz=HZ)
    times = np.linspace(0.001, seconds, 300)
    off = off_by(run, radau(IDLE, np.zeros(2), seconds)(times), times)
    say(f"first cycles, every instant: {off:.3%}")
    assert off <= 0.005


def warm_up(t: float) -> float:
    """A filament that warms ten times as fast as a real one, so that Radau need not run for minutes."""
    return float(1.0 - np.exp(-((t / 0.25) ** 3)))


def test_switch_on_with_a_rectifier_that_warms_up() -> None:
    seconds = 0.8
    run = slow_transient(supply(IDLE), seconds, frequency_hz=HZ, emission=lambda name, t: warm_up(t))
    times = np.linspace(1.5 / HZ, seconds - 1 / HZ, 60)
    sol = radau(IDLE, np.zeros(2), seconds, warm_up)
    off = off_by(run, mean_over_cycle(sol, times), times)
    say(f"switch-on, means: {off:.3%}")
    assert off <= 0.005
    fine = np.linspace(0.0, seconds, 20000)
    assert run.peak("b0")[0] == pytest.approx(sol(fine)[0].max(), rel=0.005)


@pytest.mark.parametrize(("before", "after"), [(IDLE, HEAVY), (HEAVY, IDLE)], ids=["sag", "recovery"])
def test_sag_and_recovery(before: Array, after: Array) -> None:
    seconds = 0.6
    idle = mains_steady_state(supply(before), frequency_hz=HZ)
    run = slow_transient(supply(after), seconds, frequency_hz=HZ, start=idle)
    start = np.array([idle.waveform(node)[0, 0] for node in NODES])
    times = np.linspace(0.6 / HZ, seconds - 1 / HZ, 60)
    off = off_by(run, mean_over_cycle(radau(after, start, seconds), times), times)
    say(f"load step, means: {off:.3%}")
    assert off <= 0.005
    assert abs(run.volts("b0")[-1] - run.volts("b0")[0]) > 20


def test_discharge_through_a_bleeder_and_a_triode() -> None:
    """A tube takes the rail down at first; what its bias leaves is the bleeder's."""
    parts = (
        Capacitor("C1", "b", "ground", 40e-6), Resistor("R1", "b", "ground", 220e3),
        Resistor("R2", "b", "p", 22e3), Device("V1", HIGH_MU, ("p", "ground"), "k"),
        Resistor("RK", "k", "ground", 1500.0), Capacitor("CK", "k", "ground", 25e-6),
    )  # fmt: skip
    run = transient(Circuit(parts), 60.0, start={"C1": 400.0})

    def slope(t: float, y: Array) -> Array:
        b, k = y
        low, high = min(b, k) - 1.0, max(b, k) + 1.0
        for _ in range(60):  # the plate: one unknown, current rises with its voltage
            p = 0.5 * (low + high)
            plate, grid = HIGH_MU.evaluate(np.array([p - k, -k]))[0]
            low, high = (p, high) if plate < (b - p) / 22e3 else (low, p)
        current = (b - p) / 22e3
        return np.array([-(b / 220e3 + current) / 40e-6, (current + grid - k / 1500.0) / 25e-6])

    times = np.array([0.1, 1.0, 5.0, 20.0, 60.0])
    sol = solve_ivp(slope, (0, 60), [400.0, 0.0], method="Radau", rtol=RTOL, atol=1e-8, t_eval=times)
    off = np.abs(run.at("b", times) / sol.y[0] - 1)
    text = (f"{volts:.3g} V off by {x:.3%}" for volts, x in zip(sol.y[0], off, strict=True))
    say(f"discharge: {', '.join(text)}")
    assert np.all(off[sol.y[0] > 1.0] <= 0.005)
    assert np.all(np.abs(run.at("b", times) - sol.y[0]) <= 0.05)
