"""Condenser-input filters at the ends of the classical charts; every point of them is in test_accuracy.

Source: data/handbook/schade_computed.csv (the case of O. H. Schade, Proc. IRE 31, 1943; computed anew).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from tubekit.analyses.mains import mains_steady_state
from tubekit.textbook.accuracy import (
    CURVES,
    HZ,
    KINDS,
    PEAK,
    condenser_input,
    curve_points,
    curve_values,
    sudden,
)


@pytest.mark.parametrize("kind", KINDS)
def test_sudden_charging_needs_more_samples_for_the_peak(kind: str) -> None:
    few = sudden(kind)
    off = np.abs(curve_points(kind, 2048, few) / curve_values(kind, *CURVES)[:, few] - 1)
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
