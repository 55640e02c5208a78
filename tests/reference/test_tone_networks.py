"""Tone networks drawn in an amp file: the handbook's table, and SymPy on the same parts list.

Sources: data/handbook/three_control_network.csv (computed from the symbolic transfer function, parts of
worked_examples W19), data/handbook/passive_bass_treble_curve.csv (second-hand; part values not seen).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import sympy

from tests.amps import variant
from tests.say import say
from tubekit import frequency_response, operating_point
from tubekit.amp.build import build
from tubekit.amp.signal import signal_path
from tubekit.analyses.elimination import respond
from tubekit.circuit.parts import Capacitor, Circuit, Resistor
from tubekit.tables import handbook

HZ = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]

# The network of worked example W19 in place of the demo amp's tone controls, linear tracks as in the table.
DRAWN = """
[R34]
value = "56k"
nodes = ["tone_in", "slope"]
[R36]
removed = true
[R35]
removed = true
[C8]
removed = true
[C7]
value = "250p"
nodes = ["tone_in", "treble_top"]
[R33]
value = "250k"
taper = "linear"
top = "treble_top"
wiper = "g2a"
bottom = "treble_bottom"
role = "treble"
[C5]
value = "20n"
nodes = ["slope", "treble_bottom"]
[R32]
value = "1M"
taper = "linear"
top = "treble_bottom"
wiper = "treble_bottom"
bottom = "middle_top"
role = "bass"
[C6]
value = "20n"
nodes = ["slope", "middle_wiper"]
[R37]
kind = "potentiometer"
value = "25k"
taper = "linear"
top = "middle_top"
wiper = "middle_wiper"
bottom = "ground"
role = "middle"
"""


@cache
def drawn():
    return variant("Three controls", DRAWN)


def network(treble: float, middle: float, bass: float) -> Circuit:
    """The tone parts alone, as the amp file gives them: ideal source, no load."""
    amp = drawn().changed({"R33.position": treble, "R37.position": middle, "R32.position": bass})
    mine = ("R34", "R33.", "R32.", "R37.", "C5", "C6", "C7")
    return Circuit(tuple(p for p in build(amp).circuit.parts if p.name.startswith(mine)))


def by_solver(circuit: Circuit, hz) -> np.ndarray:
    return frequency_response(operating_point(circuit), "tone_in", ["g2a"], hz).gain[0, :, 0]


@pytest.mark.parametrize(
    "row", handbook("three_control_network"), ids=lambda r: f"{r['treble']}, {r['mid']}, {r['bass']}"
)
def test_three_controls_from_an_amp_file(row) -> None:
    result = 20 * np.log10(np.abs(by_solver(network(row["treble"], row["mid"], row["bass"]), HZ)))
    off = result - [row[f"dB_{hz}Hz"] for hz in HZ]
    say(f"three controls at {row['treble']}, {row['mid']}, {row['bass']}: within {np.abs(off).max():.4f} dB")
    assert np.abs(off).max() < 0.01


def transfer_polynomials(circuit: Circuit, source: str, out: str):
    """Coefficients in s of numerator and denominator, by Cramer's rule on exact numbers.

    The parts list alone goes in. Coefficients are collected from the two determinants; nothing is
    cancelled, which would take SymPy for ever.
    """
    s = sympy.Symbol("s")
    nodes = [n for n in circuit.nodes if n != source]
    place = {node: k for k, node in enumerate(nodes)}
    matrix, right = sympy.zeros(len(nodes), len(nodes)), sympy.zeros(len(nodes), 1)
    for part in circuit.parts:
        if isinstance(part, Resistor):
            admittance = 1 / sympy.Rational(float(np.asarray(part.ohms)))
        else:
            assert isinstance(part, Capacitor)
            admittance = s * sympy.Rational(float(np.asarray(part.farads)))
        for here, there in ((part.a, part.b), (part.b, part.a)):
            if here in place:
                matrix[place[here], place[here]] += admittance
                if there in place:
                    matrix[place[here], place[there]] -= admittance
                elif there == source:
                    right[place[here]] += admittance
    replaced = matrix.copy()
    replaced[:, place[out]] = right
    return [
        [float(c) for c in sympy.Poly(sympy.expand(each.det(method="berkowitz")), s).all_coeffs()]
        for each in (replaced, matrix)
    ]


@pytest.mark.parametrize("settings", [(0.5, 0.5, 0.5), (0.83, 0.21, 0.64), (1.0, 0.0, 1.0), (0.02, 0.9, 0.1)])
def test_solver_and_sympy_agree_on_one_parts_list(settings: tuple[float, float, float]) -> None:
    circuit = network(*settings)
    above, below = transfer_polynomials(circuit, "tone_in", "g2a")
    hz = np.geomspace(5, 100e3, 60)
    s = 2j * np.pi * hz
    expected = np.polyval(above, s) / np.polyval(below, s)
    off = np.abs(by_solver(circuit, hz) / expected - 1).max()
    say(f"three controls at {settings} against SymPy: {off:.1e}")
    assert off < 1e-9


def test_loading_by_the_stages_around_it_is_in_the_whole_amp() -> None:
    """In the amp the network works into a grid of 100 pF: it loses treble."""
    amp = drawn().changed({"R33.position": 0.5, "R37.position": 0.5, "R32.position": 0.5})
    path = signal_path(amp, frequencies_hz=np.array(HZ, float))
    stages = path.view
    x = respond(stages.network, stages.matrix, stages.drive, 2j * np.pi * np.array(HZ, float))
    inside = x[0, :, stages.network.index["g2a"]] / x[0, :, stages.network.index["tone_in"]]
    alone = by_solver(network(0.5, 0.5, 0.5), HZ)
    off = 20 * np.log10(np.abs(inside / alone))
    say(f"loaded by the next grid: {', '.join(f'{each:+.2f}' for each in off)} dB")
    assert np.all(off < 0.05)
    assert off[-1] < -1.0


def test_two_controls_against_the_printed_curves() -> None:
    """How far the demo amp's network follows curves of another one whose parts were not seen.

    Flat within 1.5 dB with both half way, full boost within 6 dB, full cut within 3 dB from 200 Hz up and
    14 dB below. Nothing closer can be asked of unlike parts.
    """
    amp = variant("as drawn", "")
    mine = ("R34", "R35", "R36", "R32.", "R33.", "C5", "C6", "C7", "C8")

    def level(turn: float, hz) -> np.ndarray:
        changed = amp.changed({"R32.position": turn, "R33.position": turn})
        parts = tuple(p for p in build(changed).circuit.parts if p.name.startswith(mine))
        return 20 * np.log10(np.abs(by_solver(Circuit(parts), hz)))

    for setting, turn, worst in (("flat", 0.5, 1.5), ("max_boost", 1.0, 6.0), ("max_cut", 0.0, 14.0)):
        rows = [
            r for r in handbook("passive_bass_treble_curve", setting=setting) if isinstance(r["dB"], float)
        ]
        hz, printed = (np.array([r[name] for r in rows]) for name in ("f_Hz", "dB"))
        off = level(turn, hz) - printed
        text = ", ".join(f"{f:g} Hz {d:+.1f}" for f, d in zip(hz, off, strict=True))
        say(f"two controls, {setting}: {text} dB")
        assert np.abs(off).max() < worst
