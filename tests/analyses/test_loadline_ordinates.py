"""Handbook points against the whole cycle: the same where the characteristic is what they assume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, strategies as st

from tubekit import load_line
from tubekit.analyses.plate_stage import (
    ELEVEN,
    FIVE,
    ROOT_HALF,
    eleven_ordinates,
    five_ordinates,
    fourier,
    ordinates,
    root_half,
)


@dataclass
class Polynomial:
    """A characteristic i(x), lowest power first, x in units of the drive."""

    powers: tuple[float, ...]
    load: float = 5000.0
    drive: float = 10.0

    def current_at(self, signal: float) -> np.ndarray:
        return np.polynomial.polynomial.polyval(np.asarray(signal) / self.drive, self.powers)


def powers(order: int) -> st.SearchStrategy[tuple[float, ...]]:
    return st.tuples(*[st.floats(-0.05, 0.05)] * (order + 1))


@given(powers(4))
def test_five_ordinates_are_exact_on_a_quartic(coefficients: tuple[float, ...]) -> None:
    # W17 of data/handbook/worked_examples.csv
    line = Polynomial(coefficients)
    np.testing.assert_allclose(
        five_ordinates(line.current_at(line.drive * FIVE)), fourier(line, 4), atol=1e-15
    )


@given(powers(10))
def test_eleven_ordinates_are_exact_to_the_tenth_power(coefficients: tuple[float, ...]) -> None:
    line = Polynomial(coefficients)
    np.testing.assert_allclose(
        eleven_ordinates(line.current_at(line.drive * ELEVEN)), fourier(line), atol=1e-14
    )


@given(powers(4).filter(lambda p: abs(p[1]) > 1e-3))
def test_the_root_half_formula_is_exact_on_a_quartic(coefficients: tuple[float, ...]) -> None:
    # W18 of data/handbook/worked_examples.csv
    line = Polynomial(coefficients)
    result, whole = root_half(line.current_at(line.drive * ROOT_HALF), line.load), fourier(line, 4)
    if abs(whole[0]) < 1e-4:
        return
    assert result.power_w == pytest.approx(0.5 * line.load * whole[0] ** 2, rel=1e-9)
    assert result.second_pct == pytest.approx(100 * abs(whole[1] / whole[0]), abs=1e-7)
    assert result.third_pct == pytest.approx(100 * abs(whole[2] / whole[0]), abs=1e-7)


def test_the_eleven_do_not_see_beyond_their_order() -> None:
    line = Polynomial((0.0,) * 12 + (0.05,))
    off = np.abs(eleven_ordinates(line.current_at(line.drive * ELEVEN)) - fourier(line)).max()
    assert 1e-6 < off < 1e-3


def test_w17_signs_by_hand() -> None:
    # A knee that flattens the positive peak: second and third harmonic as the formula's terms say.
    assert five_ordinates([90, 75, 45, 20, 8]) == pytest.approx([45.666667, 2.0, -4.666667, -1.0])


@pytest.mark.parametrize("load", [2500.0, 5000.0])
def test_on_a_real_load_line_the_methods_agree_as_far_as_they_can(load: float) -> None:
    result = ordinates(load_line("6V6GT", plate=250, screen=250, grid=-12.5, load=load))
    assert result.methods[0] == "whole cycle"
    np.testing.assert_allclose(result.power_w, result.power_w[0], rtol=0.05)
    np.testing.assert_allclose(result.harmonics_pct[2], result.harmonics_pct[0], atol=0.4)
    np.testing.assert_allclose(result.harmonics_pct[1, :2], result.harmonics_pct[0, :2], atol=1.0)
    assert "eleven ordinates" in str(result)


def test_of_a_pair_the_composite_current_is_read() -> None:
    line = load_line("6V6GT", plate=250, screen=250, grid=-15, load=10000, pair=True)
    result = ordinates(line)
    assert result.harmonics_pct[0, 0] == pytest.approx(0, abs=1e-9)
    assert result.power_w[0] == pytest.approx(line.power_w, rel=0.02)
