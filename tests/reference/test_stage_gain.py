"""Stage gain against textbook formulas, with a triode that is nothing but mu and rp.

Source: data/handbook/worked_examples.csv W01 to W03 (second-hand), and the closed forms of any text.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.circuits import GROUND
from tests.say import say
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response, stage_gains
from tubekit.circuit.parts import Capacitor, Circuit, Device, Part, Resistor, VoltageSource
from tubekit.devices.law import Parameter, ParameterLaw

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Linear(ParameterLaw):
    """i = (v_p + mu v_g)/rp."""

    terminals = ("plate", "grid")
    mu: Parameter
    rp: Parameter

    def evaluate(self, v: Floats) -> tuple[Floats, Floats]:
        slope = np.zeros((*v.shape, 2))
        slope[..., 0, 0] = 1.0 / np.asarray(self.rp)
        slope[..., 0, 1] = np.asarray(self.mu) / self.rp
        return np.einsum("...jk,...k->...j", slope, v), slope


def stage(law: Linear, load: float, cathode: float | None = None, *more: Part) -> Circuit:
    k = GROUND if cathode is None else "k"
    parts: list[Part] = [
        VoltageSource("B", "b", GROUND, 300.0),
        Resistor("RL", "b", "p", load),
        Resistor("RG", "g", GROUND, 1e6),
        Device("V1", law, ("p", "g"), k),
    ]
    if cathode is not None:
        parts.append(Resistor("RK", "k", GROUND, cathode))
    return Circuit((*parts, *more))


def gains(circuit: Circuit) -> tuple[float, float]:
    answer = stage_gains(operating_point(circuit), 1000.0)
    return float(abs(answer.to_plate[0, 0])), float(abs(answer.to_cathode[0, 0]))


TYPES = [("12AT7", 60, 10900), ("12AU7", 17, 7700), ("12AV7", 41, 4800), ("12AX7", 100, 80000)]
AX7, LOAD = Linear(mu=100.0, rp=80e3), 220e3 * 470e3 / (220e3 + 470e3)


def test_w01_loaded_by_the_next_grid() -> None:
    following = (Capacitor("C1", "p", "n", 1.0), Resistor("R1", "n", GROUND, 470e3))
    result, _ = gains(stage(AX7, 220e3, None, *following))
    say(f"W01: printed 65.2, computed {result:.2f}")
    assert result == pytest.approx(65.2, rel=1e-3)
    assert result == pytest.approx(100 * LOAD / (LOAD + 80e3), rel=1e-6)


@pytest.mark.parametrize(
    ("name", "mu", "rp", "printed"), [(*t, g) for t, g in zip(TYPES, [12.9, 4.77, 15.8, 3.61], strict=True)]
)
def test_w02_four_types_on_one_load(name: str, mu: float, rp: float, printed: float) -> None:
    result, _ = gains(stage(Linear(mu=mu, rp=rp), 3e3))
    say(f"W02 {name}: printed {printed}, computed {result:.3f}")
    assert result == pytest.approx(printed, rel=5e-3)


def test_w03_without_a_bypass_capacitor() -> None:
    result, at_cathode = gains(stage(AX7, LOAD, 3300.0))
    say(f"W03: 26.6, computed {result:.2f}")
    assert result == pytest.approx(26.6, rel=1e-3)
    assert at_cathode == pytest.approx(100 * 3300 / (80e3 + LOAD + 101 * 3300), rel=1e-9)


def test_cathode_follower() -> None:
    plain = stage(Linear(mu=20.0, rp=7.7e3), 1e-3, 22e3)
    assert gains(plain)[1] == pytest.approx(20 * 22e3 / (7.7e3 + 21 * 22e3), rel=1e-6)


def test_split_load_gives_two_equal_opposite_outputs() -> None:
    point = operating_point(stage(Linear(mu=20.0, rp=7.7e3), 47e3, 47e3))
    answer = stage_gains(point)
    expected = 20 * 47e3 / (7.7e3 + 47e3 + 21 * 47e3)
    assert answer.to_cathode[0, 0] == pytest.approx(expected, rel=1e-9)
    assert answer.to_plate[0, 0] == pytest.approx(-expected, rel=1e-9)


def test_bypassed_cathode_over_frequency() -> None:
    """Gain with Zk = Rk || C: -mu RL/(RL + rp + (mu + 1) Zk)."""
    circuit = stage(AX7, LOAD, 3300.0, Capacitor("CK", "k", GROUND, 10e-6))
    hertz = np.geomspace(1.0, 1e4, 25)
    result = frequency_response(operating_point(circuit), "g", ["p"], hertz).gain[0, :, 0]
    impedance = 1 / (1 / 3300 + 2j * np.pi * hertz * 10e-6)
    np.testing.assert_allclose(result, -100 * LOAD / (LOAD + 80e3 + 101 * impedance), rtol=1e-9)


def test_coupling_network_over_frequency() -> None:
    """Plate resistance behind a coupling capacitor into a grid leak: one zero, one pole."""
    circuit = stage(AX7, 220e3, None, Capacitor("C1", "p", "n", 22e-9), Resistor("R1", "n", GROUND, 470e3))
    hertz = np.geomspace(1.0, 1e4, 25)
    result = frequency_response(operating_point(circuit), "g", ["n"], hertz).gain[0, :, 0]
    source = 80e3 * 220e3 / 300e3
    s = 2j * np.pi * hertz
    expected = -100 / 80e3 * source * 470e3 * s * 22e-9 / (1 + s * 22e-9 * (470e3 + source))
    np.testing.assert_allclose(result, expected, rtol=1e-9)


def test_long_tail_with_a_stiff_tail_halves_the_gain() -> None:
    law = Linear(mu=100.0, rp=80e3)
    parts: list[Part] = [
        VoltageSource("B", "b", GROUND, 300.0),
        Resistor("RT", "k", GROUND, 1e9), Resistor("RG", "g", GROUND, 1e6),
        *(Resistor(f"R{k}", "b", f"p{k}", 100e3) for k in (1, 2)),
        Device("V1", law, ("p1", "g"), "k"), Device("V2", law, ("p2", GROUND), "k"),
    ]  # fmt: skip
    answer = frequency_response(operating_point(Circuit(tuple(parts))), "g", ["p1", "p2"], [1000.0]).gain[
        0, 0
    ]
    half = 0.5 * 100 * 100e3 / (100e3 + 80e3)
    np.testing.assert_allclose(answer, [-half, half], rtol=1e-3)
