"""Small-signal gain against differences of the idle point, through transformers, and its refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.circuits import GROUND, amp, coupled, long_tail, push_pull, split_load, stage, wild
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response, stage_gains
from tubekit.circuit.parts import Capacitor, Circuit, CurrentSource, Device, Resistor, VoltageSource, Windings
from tubekit.errors import CircuitError

Array = np.ndarray


def by_differences(circuit: Circuit, drive: str, output: str, ampere: float = 2e-11) -> float:
    """dV(output)/dV(drive) from two idle points, a small current into the driven node either way."""
    pushed = circuit.with_parts(CurrentSource("push", GROUND, drive, np.array([-ampere, ampere])))
    point = operating_point(pushed)
    out, into = np.diff(np.asarray(point.volts(output))), np.diff(np.asarray(point.volts(drive)))
    return float((out / into)[0])


@pytest.mark.parametrize(
    ("circuit", "drive", "output"),
    [
        (stage(), "g1", "p1"),
        (stage(), "g1", "k1"),
        (split_load(), "g1", "p2"),
        (split_load(), "g1", "k2"),
        (long_tail(), "g3a", "p3a"),
        (long_tail(), "g3a", "p3b"),
        (push_pull(), "g4", "k4"),
    ],
)
def test_gain_is_the_slope_of_the_idle_point(circuit: Circuit, drive: str, output: str) -> None:
    result = frequency_response(operating_point(circuit), drive, [output], [1e-3]).gain[0, 0, 0]
    # A grid leak of 1 MΩ turns 20 pA into 20 µV.
    assert result.real == pytest.approx(by_differences(circuit, drive, output), rel=1e-3)


def pushed_in_its_lead(circuit: Circuit, section: str) -> Circuit:
    """The same with a millivolt either way between a section's grid and what feeds it; its grid is 'lead'."""
    tube = next(part for part in circuit.of(Device) if part.name == section)
    at = tube.law.terminals.index("grid")
    nodes = (*tube.terminals[:at], "lead", *tube.terminals[at + 1 :])
    push = VoltageSource("push", "lead", tube.terminals[at], np.array([-1e-3, 1e-3]))
    return circuit.without(section).with_parts(replace(tube, terminals=nodes), push)


@pytest.mark.parametrize("circuit", [split_load(), long_tail(), push_pull()], ids=lambda c: c.title)
def test_stage_gains_are_slopes_of_the_idle_point(circuit: Circuit) -> None:
    answer = stage_gains(operating_point(circuit), 1e-3)
    for k, tube in enumerate(circuit.of(Device)):
        point = operating_point(pushed_in_its_lead(circuit, tube.name))
        moved = {
            node: np.diff(np.asarray(point.volts(node)))[0]
            for node in ("lead", tube.terminals[0], tube.cathode)
        }
        expected = moved[tube.terminals[0]] / moved["lead"], moved[tube.cathode] / moved["lead"]
        assert answer.to_plate[0, k].real == pytest.approx(expected[0], rel=1e-3)
        assert answer.to_cathode[0, k].real == pytest.approx(expected[1], rel=1e-3)
    assert "Gain of each section" in str(answer)


def test_a_batch_is_its_members_one_by_one() -> None:
    factors = wild(4, 0.3, 27)  # all four stable: the others have no response
    hertz = [20.0, 1e3, 2e4]
    together = frequency_response(operating_point(amp(factors)), "g1", ["p5", "sp"], hertz)
    assert together.gain.shape == (4, 3, 2)
    for k in range(4):
        one = frequency_response(operating_point(amp(factors[k : k + 1])), "g1", ["p5", "sp"], hertz)
        np.testing.assert_allclose(together.gain[k], one.gain[0], rtol=1e-7)


def test_an_output_transformer_reflects_its_load() -> None:
    """Ideal coupling, turns 20:1: 8 Ω look like 3200 Ω, and a twentieth of the voltage arrives."""
    coils = Windings("T1", (("a", GROUND), ("s", GROUND)), (0.0, 0.0), coupled([20.0, 1.0], 1e4, 0.0))
    circuit = Circuit((Resistor("R1", "in", "a", 3200.0), coils, Resistor("R2", "s", GROUND, 8.0)))
    gain = frequency_response(operating_point(circuit), "in", ["a", "s"], [1000.0]).gain[0, 0]
    np.testing.assert_allclose(gain, [0.5, 0.025], rtol=1e-4)  # 10 kH are in parallel


def test_decibels_and_print() -> None:
    low = Circuit((Resistor("R1", "in", "out", 1e4), Capacitor("C1", "out", GROUND, 1e-8)), "a low-pass")
    corner = 1 / (2 * np.pi * 1e-4)
    answer = frequency_response(operating_point(low), "in", ["out"], np.geomspace(corner, 100 * corner, 21))
    np.testing.assert_allclose(answer.gain_db[0, [0, -1], 0], [-3.0103, -40.0004], atol=1e-3)
    assert "Voltage gain from in of a low-pass" in str(answer)
    assert "<table" in answer._repr_html_()


def test_refusals_name_the_node() -> None:
    point = operating_point(stage().with_parts(VoltageSource("E1", "g1", GROUND)))
    for drive, output, hertz, words in (
        ("g1", "p1", 1e3, "g1: a source fixes the voltage here"),
        ("ground", "p1", 1e3, "ground: this node is ground"),
        ("p1", "G1", 1e3, "G1: no such node.* Near: g1"),
        ("p1", "k1", 0.0, "a frequency must be above zero"),
        ("p1", "k1", float("nan"), "a frequency must be above zero"),
    ):
        with pytest.raises(CircuitError, match=words):
            frequency_response(point, drive, [output], [hertz])
