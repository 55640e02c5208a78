"""Condenser-input filters over the whole range of the classical charts, 72 circuits in one call.

Source: data/handbook/schade_computed.csv (the case of O. H. Schade, Proc. IRE 31, 1943; computed anew).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.say import say
from tubekit.analyses.mains import SAMPLES, MainsState, mains_steady_state
from tubekit.circuit.parts import Capacitor, Circuit, Part, Rectifier, Resistor, VoltageSource
from tubekit.devices import IdealDiode
from tubekit.tables import Row, handbook

HZ, PEAK, LOAD = 60.0, 100.0, 1e4
CIRCUITS = ["half", "full"]
READINGS = (
    "Edc_over_Epk",
    "ripple_rms_percent_of_Edc",
    "Ipeak_over_Idc_per_plate",
    "Irms_over_Idc_per_plate",
)
Array = np.ndarray


def condenser_input(kind: str, percent: Array, omega_c_r: Array) -> Circuit:
    ohms, farads = LOAD * percent / 100, omega_c_r / (2 * np.pi * HZ * LOAD)
    parts: list[Part] = [Capacitor("C", "b", "ground", farads), Resistor("RL", "b", "ground", LOAD)]
    for name, volts in [("1", PEAK), ("2", -PEAK)][: CIRCUITS.index(kind) + 1]:
        parts += [
            VoltageSource("T" + name, "s" + name, "ground", ac=volts),
            Resistor("R" + name, "s" + name, "a" + name, ohms),
            Rectifier("CR" + name, IdealDiode(), "a" + name, "b"),
        ]
    return Circuit(tuple(parts), f"{kind} wave")


@cache
def rows(kind: str) -> tuple[Row, ...]:
    return handbook("schade_computed", circuit=kind)


def columns(kind: str, *names: str) -> list[Array]:
    return [np.array([row.number(name) for row in rows(kind)]) for name in names]


def readings(state: MainsState) -> list[Array]:
    """Output, ripple, peak and effective plate current in the terms of the charts."""
    mean, current = state.mean("b"), state.rectifier_currents
    per_plate = mean / LOAD / current.shape[1]
    rms = np.sqrt((current**2).mean(axis=(1, 2)))
    return [
        mean / PEAK,
        100 * state.ripple_rms("b") / mean,
        current.max(axis=(1, 2)) / per_plate,
        rms / per_plate,
    ]


def errors(kind: str, samples: int, keep: Array | slice = slice(None)) -> Array:
    """Relative errors (4, rows) of output, ripple, peak and effective plate current."""
    percent, omega, *wanted = (x[keep] for x in columns(kind, "Rs_over_RL_percent", "omegaC_RL", *READINGS))
    state = mains_steady_state(condenser_input(kind, percent, omega), frequency_hz=HZ, samples=samples)
    return np.array(readings(state)) / np.array(wanted) - 1


def sudden(kind: str) -> Array:
    """Rows whose charging transient Rs C is over within one sample of the default: no amp is among them."""
    percent, omega = columns(kind, "Rs_over_RL_percent", "omegaC_RL")
    return np.asarray(percent / 100 * omega / (2 * np.pi) < 1 / SAMPLES)


@pytest.mark.parametrize("kind", CIRCUITS)
def test_all_chart_rows_at_the_default_sample_count(kind: str) -> None:
    off, few = np.abs(errors(kind, SAMPLES)), sudden(kind)
    output, ripple, peak, rms = 100 * off.max(axis=1)
    say(f"{kind}: output {output:.3f} %, ripple {ripple:.3f} %, rms current {rms:.2f} %, peak {peak:.1f} %")
    say(f"  without the {few.sum()} sudden rows: peak {100 * off[2, ~few].max():.2f} %")
    assert off.shape == (4, 72)
    assert np.all(off[:, ~few].max(axis=1) <= [0.01, 0.02, 0.01, 0.01])
    assert np.all(off[[0, 1, 3]].max(axis=1) <= [0.01, 0.02, 0.02])


@pytest.mark.parametrize("kind", CIRCUITS)
def test_sudden_charging_needs_more_samples_for_the_peak(kind: str) -> None:
    off = np.abs(errors(kind, 2048, sudden(kind)))
    assert off.shape == (4, 12)
    assert np.all(off.max(axis=1) <= [0.01, 0.02, 0.01, 0.01])


@pytest.mark.parametrize(("kind", "paths"), [("half", 1), ("full", 2)])
def test_infinite_capacitor(kind: str, paths: int) -> None:
    """W15 of data/handbook/worked_examples.csv: tan θ - θ = π Rs/(p RL), Edc/Epk = cos θ."""
    percent = np.array([0.1, 1.0, 4.0, 10.0, 30.0])
    theta = [brentq(lambda x, p=p: np.tan(x) - x - np.pi * p / 100 / paths, 1e-6, 1.57) for p in percent]
    state = mains_steady_state(condenser_input(kind, percent, np.full(5, 1e5)), frequency_hz=HZ)
    np.testing.assert_allclose(state.mean("b") / PEAK, np.cos(theta), rtol=1e-3)
    printed = {
        "half": [0.9780, 0.9035, 0.7805, 0.6455, 0.4364],
        "full": [0.9861, 0.9376, 0.8529, 0.7518, 0.5724],
    }
    np.testing.assert_allclose(state.mean("b") / PEAK, printed[kind], rtol=1e-3)
