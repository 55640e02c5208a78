"""A small sine followed in time against the slopes: two ways that share no method."""

from __future__ import annotations

import numpy as np

from tests.circuits import GROUND, triode
from tests.say import say
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.analyses.transient import transient
from tubekit.circuit.parts import Capacitor, Circuit, Resistor, VoltageSource


def test_five_millivolts_in_time_agree_with_the_slopes() -> None:
    parts = (
        VoltageSource("B", "b", GROUND, 250.0), *triode("1", "b", 1e5, 1500.0),
        Capacitor("CK", "k1", GROUND, 1e-6), Capacitor("C1", "p1", "o", 22e-9),
        Resistor("RO", "o", GROUND, 470e3), Resistor("RS", "in", "g1", 10e3),
    )  # fmt: skip
    circuit = Circuit((*parts, VoltageSource("E", "in", GROUND, ac=5e-3)))
    run = transient(circuit, 0.02, start=operating_point(circuit), frequency_hz=1000.0, tolerance=1e-6)
    late = run.time > 0.01
    turn, slow = 2 * np.pi * 1000.0 * run.time[late], (run.time[late] - 0.01) * 100
    shapes = np.stack([np.cos(turn), np.sin(turn), *(slow**k for k in range(5))], axis=1)
    cosine, sine = np.linalg.lstsq(shapes, run.volts("o")[late], rcond=None)[0][:2]
    expected = 5e-3 * frequency_response(operating_point(Circuit(parts)), "in", ["o"], [1000.0]).gain[0, 0, 0]
    off = abs((cosine - 1j * sine) / expected - 1)
    say(f"in time against slopes: {100 * off:.4f} %")
    assert off < 1e-3
