"""A circuit played at a fixed audio step, against SciPy, against steady states and against itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import scipy

from tests.circuits import GROUND
from tests.say import say
from tubekit.analyses import audio_kernel
from tubekit.analyses.audio import Played, play
from tubekit.analyses.large_signal import large_signal
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import Capacitor, Circuit, Device, Rectifier, Resistor, VoltageSource
from tubekit.devices.catalogue import tube, tube_types
from tubekit.devices.rectifier import GasDiode, IdealDiode, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode
from tubekit.errors import CircuitError, SolveError

Array = np.ndarray
RATE = 96e3
LAW = Triode(perveance=1.5e-3, mu=100.0, exponent=1.4, softness=0.2, unevenness=0.1, grid_perveance=5e-4)
SECOND = Triode(perveance=2e-3, mu=20.0, exponent=1.4, softness=0.3, grid_perveance=1e-3)
B, RP, RK, RS, RO = 250.0, 100e3, 1500.0, 10e3, 470e3
CK, CP, CC, CO, CG = 1e-6, 100e-12, 22e-9, 100e-12, 100e-12


def stage(*more: Resistor | Rectifier | VoltageSource | Capacitor) -> Circuit:
    """A triode into the grid of another, which conducts and blocks when it is loud."""
    return Circuit((
        VoltageSource("B", "b", GROUND, B), VoltageSource("E", "e", GROUND), Resistor("RS", "e", "g", RS),
        Capacitor("CG", "g", GROUND, CG), Device("V1", LAW, ("p", "g"), "k"), Resistor("RP", "b", "p", RP),
        Capacitor("CP", "p", GROUND, CP), Resistor("RK", "k", GROUND, RK), Capacitor("CK", "k", GROUND, CK),
        Capacitor("CC", "p", "o", CC), Resistor("RO", "o", GROUND, RO), Capacitor("CO", "o", GROUND, CO),
        Device("V2", SECOND, ("b", "o"), GROUND), *more,
    ))  # fmt: skip


@cache
def start(circuit: Circuit | None = None):
    return mains_steady_state(circuit or CIRCUIT, frequency_hz=60.0)


CIRCUIT = stage()


def played(drive: Array, rate: float = RATE, circuit: Circuit = CIRCUIT, **settings: object) -> Played:
    return play(circuit, drive, rate, source="E", outputs=[("o", GROUND)], start=start(circuit), **settings)


def sine(volts: float, hertz: float, seconds: float, rate: float = RATE) -> Array:
    return volts * np.sin(2 * np.pi * hertz * np.arange(1, round(seconds * rate) + 1) / rate)


def by_scipy(volts: float, hertz: float, seconds: float, rtol: float = 1e-9) -> Array:
    """The same stage as differential equations, written by hand."""

    def slopes(t: float, x: Array) -> Array:
        g, p, k, o = x
        plate, grid = LAW.evaluate(np.array([p - k, g - k]))[0]
        taken = SECOND.evaluate(np.array([B, o]))[0][1]
        into_p, into_o = (B - p) / RP - plate, -o / RO - taken
        both = CP * CO + CC * (CP + CO)
        return np.array([
            ((volts * np.sin(2 * np.pi * hertz * t) - g) / RS - grid) / CG,
            ((CO + CC) * into_p + CC * into_o) / both,
            (plate + grid - k / RK) / CK,
            ((CP + CC) * into_o + CC * into_p) / both,
        ])  # fmt: skip

    point = start().operating_point
    begin = [float(np.ravel(point.volts(node))[0]) for node in ("g", "p", "k", "o")]
    when = np.arange(1, round(seconds * RATE) + 1) / RATE
    return scipy.integrate.solve_ivp(
        slopes, (0.0, seconds), begin, "LSODA", when, rtol=rtol, atol=1e-9, max_step=1e-4
    ).y[3]


def db(off: Array, of: Array) -> float:
    return float(20 * np.log10(np.std(off) / np.std(of)))


def test_swapped_pins_are_played() -> None:
    swapped = np.array([[[0.0, 1.0], [1.0, 0.0]]])
    parts = [replace(part, pins=swapped) if part.name == "V1" else part for part in CIRCUIT.parts]
    wired = [
        Device("V1", LAW, ("g", "p"), "k") if part.name == "V1" else part for part in CIRCUIT.parts
    ]  # the same with the wires exchanged
    drive = sine(3.0, 2e3, 0.002)
    found, expected = (played(drive, circuit=Circuit(tuple(each)), every=2) for each in (parts, wired))
    assert np.ptp(expected.outputs) > 0.01
    assert found.outputs == pytest.approx(expected.outputs, abs=1e-6)
    for one, other in (("plate", "grid"), ("grid", "plate"), ("cathode", "cathode")):
        assert found.run.current("V1", one) == pytest.approx(expected.run.current("V1", other), abs=1e-9)


def test_loud_it_is_what_scipy_finds() -> None:
    expected = by_scipy(3.0, 440.0, 0.012, 1e-6)  # -102 dB, as with 1e-8
    rate = 8 * RATE
    found = played(sine(3.0, 440.0, 0.012, rate), rate).outputs[7::8, 0]
    off = db(found - expected, expected)
    say(f"3 V into a stage that blocks, against LSODA: {off:.0f} dB")
    assert off < -80


def test_an_error_falls_with_the_square_of_the_step() -> None:
    runs = [played(sine(0.5, 3e3, 0.004, k * RATE), k * RATE).outputs[k - 1 :: k, 0] for k in (1, 2, 4, 16)]
    off = [float(np.std(run - runs[3])) for run in runs[:3]]
    say(f"errors of steps of 5.2, 2.6, 1.3 µs: {off[0]:.2g}, {off[1]:.2g}, {off[2]:.2g} V")
    assert 3.2 < off[0] / off[1] < 5.0
    assert 3.2 < off[1] / off[2] < 5.0


def test_plain_steps_are_the_compiled_ones() -> None:
    drive = sine(3.0, 2e3, 0.0006)
    both = [played(drive, compiled=each, every=3, enough=1e-7) for each in (True, False)]
    assert both[0].outputs == pytest.approx(both[1].outputs, abs=1e-7)
    assert both[0].run.unknowns == pytest.approx(both[1].run.unknowns, rel=1e-7, abs=1e-7)
    assert both[0].run.current("V1") == pytest.approx(both[1].run.current("V1"), abs=1e-10)


@pytest.mark.parametrize("law", [TubeDiode(perveance=3e-4), SiliconDiode(), IdealDiode()])
def test_rectifiers_run_with_the_line(law: TubeDiode | SiliconDiode | IdealDiode) -> None:
    circuit = Circuit((
        VoltageSource("T", "t", GROUND, ac=300.0), Resistor("RT", "t", "a", 200.0),
        Rectifier("CR", law, "a", "r"), Capacitor("C", "r", GROUND, 10e-6), Resistor("R", "r", GROUND, 1e4),
        VoltageSource("E", "o", GROUND),
    ))  # fmt: skip
    steady = mains_steady_state(circuit, frequency_hz=60.0, samples=1024)
    run = play(circuit, np.zeros(3200), RATE, source="E", outputs=[("r", GROUND)], start=steady)
    swing = float(np.ptp(run.outputs[1600:]))
    assert swing == pytest.approx(float(steady.ripple_pp("r")[0]), rel=2e-3)
    assert run.outputs[1600:].mean() == pytest.approx(float(steady.mean("r")[0]), rel=1e-4)


def test_a_steady_sine_is_that_of_harmonic_balance() -> None:
    hertz, volts = 500.0, 1.0
    run = played(sine(volts, hertz, 0.12)).outputs[-1920:, 0]
    found = np.abs(np.fft.rfft(run))[10:60:10]
    parts = [part for part in CIRCUIT.parts if part.name != "E"]
    steady = large_signal(
        Circuit((*parts, VoltageSource("E", "e", GROUND, ac=volts))), frequency_hz=hertz, samples=256
    )
    sizes = np.abs(steady.harmonics("o")[0, 1:6])
    off = 20 * np.log10(found / 960 / sizes)
    say("first five harmonics against harmonic balance: " + ", ".join(f"{each:+.3f} dB" for each in off))
    assert np.abs(off[sizes > sizes[0] * 10 ** (-70 / 20)]).max() < 0.5
    assert 10 ** (off[0] / 10) == pytest.approx(1.0, abs=0.01)


def test_a_small_sine_is_that_of_the_slopes() -> None:
    run = played(sine(1e-4, 1e3, 0.05), enough=1e-7).outputs[-960:, 0]
    gain = 2 * abs(np.fft.rfft(run)[10]) / 960 / 1e-4
    parts = (*(part for part in CIRCUIT.parts if part.name != "E"), Resistor("E", "e", GROUND, 1.0))
    exact = abs(frequency_response(operating_point(Circuit(parts)), "e", ["o"], [1e3]).gain[0, 0, 0])
    assert 20 * np.log10(gain / exact) == pytest.approx(0.0, abs=0.05)


def test_energy_is_neither_made_nor_lost() -> None:
    run = played(sine(2.0, 440.0, 0.05), 4 * RATE, every=1).run
    volts = {node: run.volts(node) for node in ("b", "e", "g", "p", "k", "o")}
    given = -(volts["b"] * run.coil("B") + volts["e"] * run.coil("E"))
    heat = sum(
        (volts[a] - volts.get(b, 0.0)) ** 2 / ohms
        for a, b, ohms in (("e", "g", RS), ("b", "p", RP), ("k", "", RK), ("o", "", RO))
    )
    first, second = (run.current("V1", port) for port in ("plate", "grid"))
    heat = heat + (volts["p"] - volts["k"]) * first + (volts["g"] - volts["k"]) * second
    heat = heat + volts["b"] * run.current("V2") + volts["o"] * run.current("V2", "grid")
    stored = 0.5 * sum(
        farads * (volts[a] - volts.get(b, 0.0)) ** 2
        for a, b, farads in (("g", "", CG), ("p", "", CP), ("k", "", CK), ("p", "o", CC), ("o", "", CO))
    )
    whole = np.trapezoid(given, run.time)
    left = whole - np.trapezoid(heat, run.time) - (stored[-1] - stored[0])
    say(f"energy left over: {100 * left / whole:.2g} %")
    assert abs(left) < 1e-3 * whole


def test_what_is_no_signal_is_refused_in_words() -> None:
    with pytest.raises(CircuitError, match=r"not a number at sample 3"):
        played(np.array([0.0, 0.0, np.nan]))
    with pytest.raises(CircuitError, match=r"1e\+06 V peak"):
        played(np.array([0.0, 1e6]))


@pytest.mark.parametrize("drive", [np.zeros(0), np.zeros(400), np.full(400, 100.0), np.full(400, -100.0)])
def test_silence_and_direct_voltage_have_an_answer(drive: Array) -> None:
    run = played(drive, every=7)
    assert len(run.outputs) == -(-len(drive) // 7) * 7
    assert np.isfinite(run.outputs).all()
    assert np.isfinite(run.run.unknowns).all()


def test_ctrl_c_keeps_what_is_done() -> None:
    def stop(share: float) -> None:
        if share > 0.3:
            raise KeyboardInterrupt

    run = played(np.zeros(38400), progress=stop)
    assert run.seconds == pytest.approx(0.15)


def test_a_step_without_an_answer_says_where(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audio_kernel, "compiled", lambda: lambda *arguments: 7)
    with pytest.raises(SolveError, match=r"stopped at 7\.292e-05 s") as caught:
        played(np.zeros(100))
    assert caught.value.best.seconds == pytest.approx(7 / RATE)


def test_compiled_laws_are_those_of_the_devices() -> None:
    numba = pytest.importorskip("numba")
    audio_kernel.compiled()
    currents = numba.njit(error_model="numpy")(audio_kernel.tube_currents)
    rng = np.random.default_rng(7)
    types = [tube(name) for name in tube_types()]
    laws = [
        each.law for one in types for each in (one.systems or (one,)) if type(each.law) in audio_kernel.TUBES
    ]
    worst, none = 0.0, np.zeros(3)
    for law in (*laws, LAW, GasDiode.running(150.0, 0.0175, 80.0)):
        width, numbers = len(law.terminals), np.zeros((1, 16))
        numbers[0, : len(law.parameters())] = list(law.parameters().values())
        kind, start = np.array([audio_kernel.TUBES.index(type(law))]), np.array([0])
        plan = audio_kernel.Plan(
            *[np.zeros((1, 1))] * 3, none, none, kind, start, start, start, numbers, none
        )
        volts = rng.uniform(-50.0, 500.0, (60, width))
        volts[:, -1] = rng.uniform(-60.0, 20.0 if width > 1 else 300.0, 60)
        for row, i, g in zip(volts, *law.evaluate(volts), strict=True):
            found, slopes = np.zeros(width), np.zeros((width, 3))
            currents(plan, row, found, slopes)
            worst = max(worst, np.abs(found - i).max() / (np.abs(i).max() + 1e-30))
            worst = max(worst, np.abs(slopes[:, :width] - g).max() / (np.abs(g).max() + 1e-30))
    say(f"compiled against arrays, {len(laws)} laws: {worst:.1e}")
    assert len(laws) > 50
    assert worst < 1e-12
