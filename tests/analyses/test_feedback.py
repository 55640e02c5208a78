"""Loop gain: against the gain with and without the loop, the closed form, and Nyquist's count."""

from __future__ import annotations

import numpy as np
import pytest

from tests.circuits import GROUND
from tests.reference.test_stage_gain import Linear
from tubekit.analyses.feedback import loop_gain
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import Capacitor, Circuit, Device, Part, Resistor, VoltageSource
from tubekit.errors import CircuitError


def three_stages(feedback: float = 100e3, lag: float = 1e-12, sign: int = 1) -> Circuit:
    """Two inverting stages and a follower; feedback from the output to the first cathode is negative.

    `sign` -1 takes it to the first grid's side instead, which makes it positive.
    """
    tube = Linear(mu=40.0, rp=10e3)
    parts: list[Part] = [VoltageSource("B", "b", GROUND, 300.0), Resistor("RG", "g", GROUND, 1e6)]
    for k, (grid, cathode) in enumerate((("g", "k"), ("p1", GROUND)), 1):
        parts += [
            Device(f"V{k}", tube, (f"p{k}", grid), cathode),
            Resistor(f"RL{k}", "b", f"p{k}", 47e3),
            Capacitor(f"CS{k}", f"p{k}", GROUND, lag),
        ]
    into = "k" if sign > 0 else "g"
    parts += [
        Resistor("RK", "k", GROUND, 1e3),
        Device("V3", tube, ("b", "p2"), "out"), Resistor("RO", "out", GROUND, 10e3),
        Capacitor("CF", "out", "f", 1.0), Resistor("RF", "f", into, feedback),
        Resistor("RS", "in", "g", 10e3),
    ]  # fmt: skip
    return Circuit(tuple(parts), "three stages")


def gain(circuit: Circuit, hertz: float = 1000.0) -> complex:
    return complex(frequency_response(operating_point(circuit), "in", ["out"], [hertz]).gain[0, 0, 0])


def sourced(circuit: Circuit) -> Circuit:
    """With its signal source in place, as a loop gain needs it."""
    return circuit.with_parts(VoltageSource("E", "in", GROUND))


@pytest.mark.parametrize("feedback", [10e3, 100e3, 1e6])
def test_gain_with_feedback_is_gain_without_over_one_plus_t(feedback: float) -> None:
    """A/(1 + βA): H. S. Black, Bell Syst. Tech. J. 13 (1934) (from memory).

    Without: the resistor's far end is taken from the output and laid to ground, so that it still loads
    the cathode. What then is left out is the feedback resistor's own way forward, from cathode to output.
    """
    closed = three_stages(feedback)
    loaded = [part for part in closed.parts if part.name != "CF"]
    opened = Circuit((*loaded, Capacitor("CF", GROUND, "f", 1.0), Resistor("RFO", "out", GROUND, feedback)))
    t = complex(loop_gain(operating_point(sourced(closed)), "RF", [1000.0]).gain[0, 0])
    assert gain(closed) == pytest.approx(gain(opened) / (1 + t), rel=5e-3)
    beta = 1e3 / (1e3 + feedback)  # less what the cathode itself takes
    assert abs(gain(closed)) < 1 / beta


def test_breaking_at_either_part_of_the_way_gives_one_loop_gain() -> None:
    point = operating_point(sourced(three_stages()))
    by_resistor, by_capacitor = (loop_gain(point, part, [30.0, 1e3, 1e5]).gain for part in ("RF", "CF"))
    np.testing.assert_allclose(by_resistor, by_capacitor, rtol=1e-6)


@pytest.mark.parametrize(("feedback", "lag", "sign"), [
    (100e3, 1e-10, 1), (3e3, 1e-9, 1), (100e3, 1e-10, -1), (3e6, 1e-10, -1),
])  # fmt: skip
def test_nyquist_counts_what_the_poles_say(feedback: float, lag: float, sign: int) -> None:
    """Turns of 1 + T round the origin are growing poles; the loop without feedback has none.

    Source: H. Nyquist, Bell Syst. Tech. J. 11 (1932) (from memory).
    """
    circuit = sourced(three_stages(feedback, lag, sign))
    result = loop_gain(operating_point(circuit), "RF", np.geomspace(1e-9, 1e10, 6000))
    turns = 2 * np.diff(np.unwrap(np.angle(1 + result.gain[0])))[:].sum() / (2 * np.pi)
    growing = round(-turns)
    assert bool(result.stable[0]) is (growing == 0)


def test_margins_of_three_equal_lags() -> None:
    """Loop of T0/(1 + jf/f0)³: gain margin 20 log 8/T0 at √3 f0, any text on feedback."""
    f0, t0 = 1000.0, 4.0
    parts: list[Part] = [VoltageSource("B", "b", GROUND, 300.0)]
    grid = "g"
    for k in range(3):  # three stages of gain gm·R with R ∥ C
        ohms = 1e3 * t0 ** (1 / 3)
        parts += [
            Device(f"V{k}", Linear(mu=1e6, rp=1e9), (f"p{k}", grid), GROUND),
            Resistor(f"R{k}", "b", f"p{k}", ohms),
            Capacitor(f"C{k}", f"p{k}", GROUND, 1 / (2 * np.pi * f0 * ohms)),
        ]  # fmt: skip
        grid = f"p{k}"
    parts.append(Resistor("RF", "p2", "g", 1.0))
    result = loop_gain(operating_point(Circuit(tuple(parts))), "RF", np.geomspace(10, 1e5, 800))
    assert result.stable[0]
    margin = result.gain_margins()
    assert len(margin) == 1
    assert margin[0].hz == pytest.approx(np.sqrt(3) * f0, rel=1e-3)
    assert margin[0].margin == pytest.approx(20 * np.log10(8 / t0), abs=0.02)
    crossing = f0 * np.sqrt(t0 ** (2 / 3) - 1)
    phase = result.phase_margins()[0]
    assert phase.hz == pytest.approx(crossing, rel=1e-3)
    assert phase.margin == pytest.approx(180 - 3 * np.degrees(np.arctan(crossing / f0)), abs=0.1)


def test_a_loop_that_has_taken_off_prints_no_margins() -> None:
    result = loop_gain(operating_point(sourced(three_stages(sign=-1))), "RF")
    assert not result.stable[0]
    text = str(result)
    assert "UNSTABLE" in text
    assert "Margins" not in text
    assert "Loop gain" not in text


def test_no_such_part_lists_near_ones() -> None:
    with pytest.raises(CircuitError, match=r"rf: no resistor or capacitor to break the loop at.*Near: RF"):
        loop_gain(operating_point(three_stages()), "rf")
