"""A diode in series with a resistance: the inverse against the law itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.optimize import brentq
from scipy.special import wrightomega

from tubekit.devices import IdealDiode, SiliconDiode, TubeDiode, stack, tube
from tubekit.devices.rectifier import omega

DIODES = {
    "5Y3GT": tube("5Y3GT").law,
    "5AR4": tube("5AR4").law,
    "1N4007": SiliconDiode(),
    "silicon": tube("silicon").law,
    "two in series": SiliconDiode(junctions=2.0),
}
LEAK = {name: float(getattr(law, "saturation", 0.0)) for name, law in DIODES.items()}
resistances = st.sampled_from([0.0, 1e-6, 0.1, 10.0, 100.0, 1e3, 1e6, 1e9])
quick = settings(max_examples=200, deadline=None)


def test_omega_is_that_of_scipy():
    x = np.concatenate(
        (np.linspace(-600.0, 1000.0, 4001), np.linspace(-5.0, 20.0, 4001), np.geomspace(1.0, 1e9, 99))
    )
    np.testing.assert_allclose(omega(x), wrightomega(x), rtol=1e-13)


@pytest.mark.parametrize("name", DIODES)
@quick
@given(across=st.floats(-50.0, 1e4), resistance=resistances)
def test_through_undoes_the_law(name, across, resistance):
    law = DIODES[name]
    (current,), ((slope,),) = law.evaluate(np.array([across]))
    got, got_slope = law.through(np.array(across + current * resistance), resistance)
    # across + current·R is rounded: what the last bit of it does to the current is no error of the law.
    bit = np.spacing(abs(across) + abs(current) * resistance) * slope / (1.0 + slope * resistance)
    assert float(got) == pytest.approx(current, rel=1e-12, abs=1e-12 * LEAK[name] + 2.0 * bit)
    assert float(got_slope) == pytest.approx(slope / (1.0 + slope * resistance), rel=1e-9, abs=1e-18)


@pytest.mark.parametrize("name", DIODES)
@pytest.mark.parametrize("resistance", [1.0, 47.0, 3300.0])
def test_through_agrees_with_a_bracketing_root_finder(name, resistance):
    law = DIODES[name]
    for drive in (0.3, 1.0, 12.0, 300.0):

        def surplus(v: float, drive: float = drive) -> float:
            return v + resistance * float(law.evaluate(np.array([v]))[0][0]) - drive

        across = brentq(surplus, -1.0, drive, xtol=1e-15, rtol=1e-15)
        current = (drive - across) / resistance
        assert float(law.through(np.array(drive), resistance)[0]) == pytest.approx(current, rel=1e-8)


@pytest.mark.parametrize("name", DIODES)
@quick
@given(
    drive=st.lists(st.one_of(st.floats(-1e9, 1e9), st.floats(-2.0, 2.0)), min_size=2, max_size=20),
    resistance=resistances,
)
def test_through_is_finite_and_rising_for_any_drive(name, drive, resistance):
    law = DIODES[name]
    drives = np.sort(np.array(drive))
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        current, slope = law.through(drives, resistance)
    assert np.all(np.isfinite(current))
    assert np.all(np.diff(current) >= -1e-12 * (np.abs(current[1:]) + LEAK[name]))
    assert np.all(slope >= 0.0)
    assert np.all(slope * resistance <= 1.0)


@pytest.mark.parametrize("name", DIODES)
@pytest.mark.parametrize("resistance", [0.0, 1.0, 150.0])
def test_slope_of_through_is_its_difference_quotient(name, resistance):
    law = DIODES[name]
    drive = np.concatenate([np.linspace(0.05, 0.9, 40), np.linspace(1.0, 1000.0, 50)])
    h = 1e-6
    ahead, behind = law.through(drive + h, resistance)[0], law.through(drive - h, resistance)[0]
    quotient = (ahead - behind) / (2.0 * h)
    np.testing.assert_allclose(law.through(drive, resistance)[1], quotient, rtol=2e-4)


def test_ideal_diode_is_a_resistance_forward_and_open_backward():
    current, slope = IdealDiode().through(np.array([-5.0, 0.0, 5.0]), 50.0)
    np.testing.assert_array_equal(current, [0.0, 0.0, 0.1])
    np.testing.assert_array_equal(slope, [0.0, 0.0, 0.02])


def test_ideal_diode_is_what_a_tube_diode_of_great_perveance_becomes():
    drive = np.linspace(-10.0, 400.0, 42)
    near = TubeDiode(perveance=1e6).through(drive, 100.0)[0]
    np.testing.assert_allclose(near, IdealDiode().through(drive, 100.0)[0], rtol=1e-5, atol=1e-9)


def test_stacked_diodes_share_one_call():
    both = stack([DIODES["5Y3GT"], DIODES["5AR4"]])
    current, _ = both.through(np.array([[60.0, 60.0], [0.0, 400.0]]), np.array([100.0, 50.0]))
    assert current.shape == (2, 2)
    assert current[1, 1] == DIODES["5AR4"].through(np.array(400.0), 50.0)[0]
    assert current[1, 0] == 0.0


def test_silicon_defaults_give_the_typical_drops_they_claim():
    # Typical curve of a 1 A diode, from memory: 0.7 V at 10 mA, 0.93 V at 1 A.
    current, _ = SiliconDiode().evaluate(np.array([[0.70], [0.93]]))
    np.testing.assert_allclose(current[:, 0], [0.010, 1.0], rtol=0.02)
