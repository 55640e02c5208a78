"""Topologies and textbook constants of power supplies.

Sources: SciPy (LSODA at rtol 1e-8 by shooting, `tight_integration`) for the doublers and the half wave;
W16 of data/handbook/worked_examples.csv (Millman, Terman; computed) for the ripple constants and the
critical inductance; data/handbook/rectifier_operation.csv for choke input.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.circuits import GROUND
from tests.reference.tight_integration import centre_tap, meter, settled
from tests.say import say
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    CurrentSource,
    Part,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
)
from tubekit.devices import IdealDiode, SiliconDiode, TubeDiode
from tubekit.devices.rectifier import RectifierLaw
from tubekit.tables import handbook
from tubekit.textbook.accuracy import perveance

Array = np.ndarray
HZ, PEAK, COPPER = 60.0, 170.0, 25.0
TUBE, SILICON = TubeDiode.from_drop(22.0, 0.07), SiliconDiode()


def current(law: RectifierLaw, drive: float, ohms: float) -> float:
    return float(law.through(np.array([drive]), ohms)[0][0])


def agree(state: MainsState, waves: dict[str, Array]) -> None:
    for node, wave in waves.items():
        result = np.array(
            [float(x[0]) for x in (state.mean(node), state.ripple_pp(node), state.ripple_rms(node))]
        )
        off = 100 * (result / np.array(meter(wave)) - 1)
        say(f"{node}: mean {off[0]:+.4f} %, p-p {off[1]:+.4f} %, rms {off[2]:+.4f} %")
        np.testing.assert_allclose(result, meter(wave), rtol=1e-3)


def source() -> list[Part]:
    return [VoltageSource("T", "s", GROUND, ac=PEAK), Resistor("RS", "s", "x", COPPER)]


@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_full_wave_doubler(law: RectifierLaw) -> None:
    """Each half cycle charges one of two capacitors in series."""
    parts = [
        *source(),
        Rectifier("CR1", law, "x", "top"), Rectifier("CR2", law, "low", "x"),
        Capacitor("C1", "top", GROUND, 40e-6), Capacitor("C2", GROUND, "low", 40e-6),
        Resistor("RL", "top", "low", 4000.0),
    ]  # fmt: skip
    state = mains_steady_state(Circuit(tuple(parts)), frequency_hz=HZ)

    def slope(t: float, y: Array) -> Array:
        u = PEAK * np.cos(2 * np.pi * HZ * t)
        load = (y[0] + y[1]) / 4000.0
        return (
            np.array([current(law, u - y[0], COPPER) - load, current(law, -u - y[1], COPPER) - load]) / 40e-6
        )

    start = np.array([state.waveform("top")[0, 0], -state.waveform("low")[0, 0]])
    waves = settled(slope, start, HZ)
    agree(state, {"top": waves[0], "low": -waves[1]})
    whole = [float(x[0]) for x in (state.mean("top", "low"), state.ripple_pp("top", "low"))]
    np.testing.assert_allclose(whole, meter(waves[0] + waves[1])[:2], rtol=1e-3)


@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_half_wave_doubler(law: RectifierLaw) -> None:
    """A coupling capacitor is charged on one half cycle and lifts the other."""
    parts = [
        *source(), Capacitor("C1", "x", "m", 40e-6), Resistor("R1", "m", "a", 5.0),
        Rectifier("CR1", law, GROUND, "m"), Rectifier("CR2", law, "a", "b"),
        Capacitor("C2", "b", GROUND, 40e-6), Resistor("RL", "b", GROUND, 6000.0),
    ]  # fmt: skip
    state = mains_steady_state(Circuit(tuple(parts)), frequency_hz=HZ)

    def meshes(t: float, y: Array) -> tuple[float, float]:
        """Currents of both diodes: one unknown, the voltage of m."""
        u = PEAK * np.cos(2 * np.pi * HZ * t)

        def left(m: float) -> float:
            through = (u - y[0] - m) / COPPER  # into m through the coupling capacitor
            return through + current(law, -m, 1e-3) - current(law, m - y[1], 5.0)

        m = brentq(left, -400.0, 800.0, xtol=1e-11)
        return current(law, -m, 1e-3), current(law, m - y[1], 5.0)

    def slope(t: float, y: Array) -> Array:
        clamp, lift = meshes(t, y)
        return np.array([(lift - clamp) / 40e-6, (lift - y[1] / 6000.0) / 40e-6])

    start = np.array([(state.waveform("x") - state.waveform("m"))[0, 0], state.waveform("b")[0, 0]])
    waves = settled(slope, start, HZ)
    agree(state, {"b": waves[1]})
    assert state.mean("b")[0] > 1.3 * PEAK


@pytest.mark.parametrize("law", [TUBE, SILICON], ids=["tube", "silicon"])
def test_half_wave_rail(law: RectifierLaw) -> None:
    parts = [*source(), Rectifier("CR1", law, "x", "b"), Capacitor("C1", "b", GROUND, 40e-6),
             Resistor("RL", "b", GROUND, 3000.0)]  # fmt: skip
    state = mains_steady_state(Circuit(tuple(parts)), frequency_hz=HZ)

    def slope(t: float, y: Array) -> Array:
        u = PEAK * np.cos(2 * np.pi * HZ * t)
        return np.array([(current(law, u - y[0], COPPER) - y[0] / 3000.0) / 40e-6])

    waves = settled(slope, state.waveform("b")[0, :1], HZ)
    agree(state, {"b": waves[0]})


# ---- textbook constants, W16


def ideal_full_wave(*rest: Part, ohms: float = 0.05) -> Circuit:
    parts: list[Part] = []
    for name, volts in (("1", 100.0), ("2", -100.0)):
        parts += [VoltageSource("T" + name, "s" + name, GROUND, ac=volts),
                  Resistor("R" + name, "s" + name, "a" + name, ohms),
                  Rectifier("CR" + name, IdealDiode(), "a" + name, "in")]  # fmt: skip
    return Circuit((*parts, *rest))


def constants() -> dict[str, float]:
    """The figures of W16, read from its line."""
    text = next(row for row in handbook("worked_examples") if row.text("id") == "W16").text("expected")
    names = {
        "C": r"r\(C\)=([\d.]+)",
        "LC": r"r\(L-C\)=([\d.]+)",
        "pi": r"r\(pi\)=([\d.]+)",
        "L": r"R/([\d.]+)",
    }
    return {key: float(re.search(pattern, text)[1]) for key, pattern in names.items()}


def choke(henries: float, node: str = "in") -> Windings:
    return Windings("L1", ((node, "out"),), (1e-3,), np.array([[henries]]))


def choke_input(henries: float, farads: float, load: float) -> Circuit:
    return ideal_full_wave(
        choke(henries), Capacitor("C", "out", GROUND, farads), Resistor("RL", "out", GROUND, load)
    )


def ripple_factor(state: MainsState, node: str) -> float:
    return float((state.ripple_rms(node) / state.mean(node))[0])


def test_ripple_of_a_reservoir() -> None:
    """r = 2406/(C R), µF and Ω: a saw-tooth, so the nearer the smaller the ripple."""
    offs = []
    for load in (4e3, 40e3):
        state = mains_steady_state(
            ideal_full_wave(
                Capacitor("C", "in", GROUND, 40e-6), Resistor("RL", "in", GROUND, load), ohms=1.0
            ),
            frequency_hz=HZ, samples=512,
        )  # fmt: skip
        offs.append(ripple_factor(state, "in") / (constants()["C"] / (40 * load)) - 1)
    say(f"reservoir: {offs[0]:+.2%} at 1.5 % ripple, {offs[1]:+.2%} at 0.15 %")
    assert abs(offs[1]) < abs(offs[0]) < 0.12
    assert abs(offs[1]) < 0.04


def test_ripple_behind_a_choke_input() -> None:
    """r = 0.829/(L C), H and µF: the first harmonic alone, beyond the critical inductance."""
    state = mains_steady_state(
        choke_input(15.0, 20e-6, 5e3), frequency_hz=HZ, samples=512,
    )  # fmt: skip
    off = ripple_factor(state, "out") / (constants()["LC"] / (15 * 20)) - 1
    say(f"choke input: {off:+.2%}")
    assert abs(off) < 0.01
    assert state.mean("out")[0] == pytest.approx(2 * 100 / np.pi, rel=1e-3)


def test_ripple_behind_a_pi_filter() -> None:
    """r = 3299/(C1 C2 L R), µF, H and Ω: the saw-tooth's first harmonic through the choke."""
    state = mains_steady_state(
        ideal_full_wave(
            Capacitor("C1", "in", GROUND, 40e-6), choke(10.0), Capacitor("C2", "out", GROUND, 40e-6),
            Resistor("RL", "out", GROUND, 20e3),
        ),
        frequency_hz=HZ, samples=1024,
    )  # fmt: skip
    off = ripple_factor(state, "out") / (constants()["pi"] / (40 * 40 * 10 * 20e3)) - 1
    say(f"pi filter: {off:+.2%}")
    assert abs(off) < 0.05


def test_critical_inductance_is_found_from_the_solution() -> None:
    """The least inductance at which the choke's current never stops: R/1131 at 60 Hz."""
    load = 5000.0

    def least(henries: float) -> float:
        state = mains_steady_state(
            choke_input(henries, 200e-6, load), frequency_hz=HZ, samples=512,
        )  # fmt: skip
        amps = state.rectifier_currents.sum(axis=1)[0]
        return float(amps.min() / amps.mean())

    critical = load / constants()["L"]
    result = brentq(lambda h: least(h) - 2e-3, 0.7 * critical, 1.5 * critical, xtol=1e-3)
    say(f"critical inductance: {result:.3f} H, {critical:.3f} H by R/1131 ({result / critical - 1:+.2%})")
    assert result == pytest.approx(critical, rel=0.03)


def test_below_the_critical_inductance_the_output_climbs() -> None:
    outputs = []
    for share in (2.0, 0.5, 0.1):
        state = mains_steady_state(choke_input(share * 5000 / 1131, 100e-6, 5e3), frequency_hz=HZ)
        outputs.append(float(state.mean("out")[0]))
    assert outputs[0] == pytest.approx(200 / np.pi, rel=2e-3)
    assert outputs == sorted(outputs)
    assert outputs[2] > 1.2 * outputs[0]


# ---- choke input by the makers' sheets


def choke_input_rows() -> list[tuple[str, float, float]]:
    """Computed and printed DC output of every choke-input row [V]."""
    result = []
    for row in handbook("rectifier_operation", input="L"):
        if row["C_uF_or_L_H"] is None:
            continue
        henries = row.number("C_uF_or_L_H")
        law = TubeDiode(perveance=perveance(row))
        volts = np.sqrt(2) * row.number("Vac_rms_per_plate")
        parts: list[Part] = []
        for name, peak in (("1", volts), ("2", -volts)):
            parts += [VoltageSource("T" + name, "s" + name, GROUND, ac=peak),
                      Resistor("R" + name, "s" + name, "a" + name, 1.0),
                      Rectifier("V" + name, law, "a" + name, "in")]  # fmt: skip
        parts += [choke(henries), Capacitor("C", "out", GROUND, 40e-6),
                  CurrentSource("I", "out", GROUND, row.number("Idc_mA") / 1000)]  # fmt: skip
        state = mains_steady_state(Circuit(tuple(parts)), frequency_hz=row.number("f_Hz"))
        result.append((row.text("tube"), float(state.mean("out")[0]), row.number("Vdc_out")))
    return result


def test_choke_input_rows_are_tabled() -> None:
    """Both rows are from memory at 50 to 60 % confidence, choke and winding resistance not given: 10 %."""
    rows = choke_input_rows()
    assert len(rows) == 2
    for tube, volts, printed in rows:
        off = volts / printed - 1
        say(f"{tube}, choke input: {volts:.0f} V computed, {printed:.0f} V on the sheet ({off:+.1%})")
        assert volts == pytest.approx(printed, rel=0.10)


def test_centre_tap_reference_is_the_same_circuit_in_both() -> None:
    """The hand-written source of the reference and the ideal center tap agree at an instant."""
    into = centre_tap(IdealDiode(), (100 / np.sqrt(2), 100 / np.sqrt(2)), (10.0, 10.0), HZ)
    assert into(0.0, 40.0) == pytest.approx(6.0)
