"""Supplies written out by hand as differential equations and integrated tightly to their steady state.

The equations share the diode law with tubekit and nothing else: no assembly, no poles, no harmonics.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tubekit.devices.rectifier import RectifierLaw

Array = np.ndarray
Slope = Callable[[float, Array], Array]

SAMPLES = 4096


def settled(slope: Slope, start: Array, frequency_hz: float, rtol: float = 1e-8) -> Array:
    """States over one cycle in steady state (states, SAMPLES), by shooting: Newton on start = end.

    Newton's matrix comes from finite differences of whole cycles; any start leads to the same orbit. After a
    last step of 1e-5 of the state the next would be a thousandth of it.
    """
    period = 1.0 / frequency_hz
    size = np.maximum(np.abs(start), 1e-3)

    def cycle(y: Array, when: Array | None = None) -> Array:
        answer = solve_ivp(
            slope,
            (0.0, period),
            y,
            method="LSODA",
            rtol=rtol,
            atol=1e-10 * size,
            max_step=period / 150,
            t_eval=when,
        )
        return np.asarray(answer.y)

    state = np.array(start, float)
    for _ in range(12):
        end = cycle(state)[:, -1]
        steps = 1e-3 * size
        matrix = np.stack(
            [(cycle(state + step)[:, -1] - end) / step.max() for step in np.diag(steps)], axis=1
        )
        change = np.linalg.solve(np.eye(len(state)) - matrix, end - state)
        state = state + change
        if np.all(np.abs(change) < 1e-5 * size):
            return cycle(state, np.arange(SAMPLES) * period / SAMPLES)
    raise AssertionError("the reference itself did not settle")


def meter(wave: Array) -> tuple[float, float, float]:
    """Mean, ripple peak to peak and ripple rms of samples over one cycle [V]."""
    return float(wave.mean()), float(np.ptp(wave)), float(wave.std())


def filter_slopes(y: Array, into: float, farads: Array, series: Array, loads: Array) -> Array:
    """dv/dt along an R-C ladder fed with a current `into` its first capacitor."""
    flow = (y[:-1] - y[1:]) / series
    current = -y / loads
    current[0] += into
    current[:-1] -= flow
    current[1:] += flow
    return np.asarray(current / farads)


def centre_tap(
    law: RectifierLaw, volts: tuple[float, float], copper: tuple[float, float], frequency_hz: float
) -> Callable[[float, float], float]:
    """Current [A] of both plates into a node at v0 [V] at time t: (t, v0) -> A."""
    law_pair = np.array(copper)
    peaks = np.sqrt(2.0) * np.array([volts[0], -volts[1]])

    def current(t: float, v0: float) -> float:
        drive = peaks * np.cos(2 * np.pi * frequency_hz * t) - v0
        return float(law.through(drive, law_pair)[0].sum())

    return current


def node_without_capacitor(
    source: Callable[[float, float], float], t: float, drawn: float, ohms: float
) -> float:
    """Voltage at which the rectifiers deliver `drawn` amperes and what `ohms` to ground take [V]."""
    return float(brentq(lambda v: source(t, v) - drawn - v / ohms, -100.0, 1000.0, xtol=1e-9))
