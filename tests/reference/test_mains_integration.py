"""The harmonic steady state against a tight SciPy integration of the same supplies (LSODA, rtol 1e-8).

Source of the reference: SciPy; the equations are written out by hand in `tight_integration`.
Agreement asked for: 0.1 % of mean, ripple peak to peak and ripple rms at every rail.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.circuits import GROUND, bridge, full_wave, half_wave
from tests.reference.tight_integration import centre_tap, filter_slopes, meter, settled
from tests.say import say
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import Windings
from tubekit.devices import SiliconDiode, TubeDiode
from tubekit.devices.rectifier import RectifierLaw

HZ = 60.0
TUBE = TubeDiode.from_drop(50.0, 0.125)  # rated drop of the 5Y3GT in data/handbook/rectifier_ratings.csv
SILICON = SiliconDiode()
EQUAL, UNEQUAL = ((325.0, 325.0), (62.0, 65.0)), ((325.0, 300.0), (62.0, 80.0))
FARADS, SERIES, LOADS = np.full(3, 20e-6), np.array([4700.0, 22000.0]), np.array([4e3, 3e4, 1e5])
CHOKE_H, CHOKE_OHMS = 10.0, 250.0

Array = np.ndarray


def agree(state: MainsState, waves: dict[str, Array]) -> None:
    for node, wave in waves.items():
        result = [float(x[0]) for x in (state.mean(node), state.ripple_pp(node), state.ripple_rms(node))]
        off = 100 * (np.array(result) / meter(wave) - 1)
        say(f"{node}: mean {off[0]:+.4f} %, p-p {off[1]:+.4f} %, rms {off[2]:+.4f} %")
        np.testing.assert_allclose(result, meter(wave), rtol=1e-3)


def solve(circuit, nodes: list[str], **options) -> tuple[MainsState, Array]:
    state = mains_steady_state(circuit, frequency_hz=HZ, **options)
    return state, np.array([state.waveform(node)[0, 0] for node in nodes])


@pytest.mark.parametrize(("volts", "copper"), [EQUAL, UNEQUAL], ids=["equal halves", "unequal halves"])
@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_full_wave_into_three_sections(law: RectifierLaw, volts, copper) -> None:
    state, start = solve(full_wave(law, volts=volts, copper=copper), ["b0", "b1", "b2"])
    source = centre_tap(law, volts, copper, HZ)
    waves = settled(lambda t, y: filter_slopes(y, source(t, y[0]), FARADS, SERIES, LOADS), start, HZ)
    agree(state, dict(zip(["b0", "b1", "b2"], waves, strict=True)))


def choke() -> Windings:
    return Windings("L1", (("b0", "b1"),), (CHOKE_OHMS,), np.array([[CHOKE_H]]))


@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_choke_between_two_capacitors(law: RectifierLaw) -> None:
    circuit = full_wave(law, choke=choke(), sections=((0.0, 20e-6),), loads=(0.0, 3000.0))
    state, start = solve(circuit, ["b0", "b1"])
    source = centre_tap(law, *EQUAL, HZ)

    def slope(t: float, y: Array) -> Array:
        return np.array([
            (source(t, y[0]) - y[2]) / 20e-6,
            (y[2] - y[1] / 3000.0) / 20e-6,
            (y[0] - y[1] - CHOKE_OHMS * y[2]) / CHOKE_H,
        ])  # fmt: skip

    waves = settled(slope, np.append(start, start[1] / 3000.0), HZ)
    agree(state, {"b0": waves[0], "b1": waves[1]})


def test_choke_input() -> None:
    bleeder = 40e3  # ahead of the choke, so that the node has a voltage of its own
    circuit = full_wave(TUBE, choke=choke(), reservoir=0.0, sections=((0.0, 20e-6),), loads=(bleeder, 3000.0))
    state, start = solve(circuit, ["b1"])
    source = centre_tap(TUBE, *EQUAL, HZ)

    def ahead(t: float, drawn: float) -> float:
        return float(brentq(lambda v: source(t, v) - drawn - v / bleeder, -500.0, 1000.0, xtol=1e-9))

    def slope(t: float, y: Array) -> Array:
        across = ahead(t, y[1]) - y[0] - CHOKE_OHMS * y[1]
        return np.array([(y[1] - y[0] / 3000.0) / 20e-6, across / CHOKE_H])

    waves = settled(slope, np.append(start, start[0] / 3000.0), HZ)
    agree(state, {"b1": waves[0]})
    unknowns = state.operating_point.network.unknowns
    assert unknowns[-1] == "I(L1.0)"
    assert state.winding_rms("L1")[0] == pytest.approx(np.sqrt((waves[1] ** 2).mean()), rel=1e-3)


def test_bridge_of_four_silicon_diodes() -> None:
    law = SILICON
    state, start = solve(bridge(law), ["b0", "b1"])

    def into(t: float, v0: float) -> float:
        # Two diodes in series with the winding, either way round: each mesh has the same current.
        both = SiliconDiode(junctions=2.0)
        peak = 300.0 * np.cos(2 * np.pi * HZ * t)
        return float(both.through(np.array([peak, -peak]) - v0, 30.0)[0].sum())

    ladder = (np.full(2, 47e-6), np.array([470.0]), np.array([np.inf, 3300.0]))
    waves = settled(lambda t, y: filter_slopes(y, into(t, y[0]), *ladder), start, HZ)
    agree(state, {"b0": waves[0], "b1": waves[1]})


@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_half_wave_bias_supply_below_ground(law: RectifierLaw) -> None:
    state, start = solve(half_wave(law), ["b0", "b1"])

    def out_of(t: float, v0: float) -> float:
        drive = v0 - 70.0 * np.cos(2 * np.pi * HZ * t)
        return -float(law.through(np.array([drive]), 1000.0)[0][0])

    ladder = (np.full(2, 10e-6), np.array([15e3]), np.array([np.inf, 47e3]))
    waves = settled(lambda t, y: filter_slopes(y, out_of(t, y[0]), *ladder), start, HZ)
    agree(state, {"b0": waves[0], "b1": waves[1]})
    assert state.mean("b1", GROUND)[0] < 0


def test_bridge_leaves_the_winding_at_half_of_the_rail_on_average() -> None:
    state, _ = solve(bridge(SILICON), ["b0"])
    middle = 0.5 * (state.mean("s") + state.mean("y"))
    np.testing.assert_allclose(middle, 0.5 * state.mean("b0"), rtol=0.01)
