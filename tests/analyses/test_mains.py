"""The mains steady state: batches, warm starts, closed forms of the choke-input filter, conservation."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import solved
from tests.circuits import GROUND, bridge, full_wave, half_wave, one_of, triode, varied
from tubekit.analyses import mains
from tubekit.analyses.large_signal import large_signal
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.supply import Supply
from tubekit.analyses.waves import Iterate, WaveProblem
from tubekit.circuit.parts import Capacitor, Circuit, Device, Resistor, VoltageSource, Windings
from tubekit.circuit.stamps import INSULATION
from tubekit.devices import IdealDiode, SiliconDiode, TubeDiode
from tubekit.devices.rectifier import GasDiode, RectifierLaw
from tubekit.errors import CircuitError

HZ = 60.0
TUBE = TubeDiode.from_drop(50.0, 0.125)
IDEAL = IdealDiode()
VOLTS = np.array([250.0, 300.0, 350.0, 400.0])


def loaded(volts: object = 325.0) -> Circuit:
    """A supply whose last rail feeds two stages."""
    supply = full_wave(TUBE, volts=(volts, volts), loads=(4000.0, 0.0, 0.0))  # type: ignore[arg-type]
    return supply.with_parts(*triode("1", "b2", 1e5, 1500.0), *triode("2", "b1", 4.7e4, 820.0))


def test_a_batch_is_its_members_one_by_one() -> None:
    batch = mains_steady_state(loaded(VOLTS), frequency_hz=HZ)
    for k, volts in enumerate(VOLTS):
        one = mains_steady_state(loaded(float(volts)), frequency_hz=HZ)
        for node in ("b0", "b1", "b2", "p1"):
            assert batch.mean(node)[k] == pytest.approx(one.mean(node)[0], rel=1e-9)
            assert batch.ripple_pp(node)[k] == pytest.approx(one.ripple_pp(node)[0], rel=1e-6)


@pytest.mark.parametrize("name", ["teasel", "reverb-tremolo", "paraphase-field-coil"])
def test_whole_amps_in_shares_are_whole_amps_one_by_one(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Means to six digits, ripple to four, and to three where halves of an output stage cancel it."""
    nominal, count, floats = solved(name).solved.state, 9, solved(name).amp.line_side.nodes
    whole, hz = varied(nominal.circuit, count, 0.05, 3), nominal.frequency_hz
    monkeypatch.setattr(mains, "SHARE", 5)  # the last share has fewer than are eliminated together
    batch = mains_steady_state(whole, frequency_hz=hz, near=nominal)
    for k in (0, 4, count - 1):
        one = mains_steady_state(one_of(whole, k), frequency_hz=hz)
        means = np.abs(one.spectrum[0, 0])
        assert np.abs(batch.spectrum[k, 0] - one.spectrum[0, 0]).max() < 1e-6 * means.max()
        ripple = np.abs(one.spectrum[0, 1:]).max(axis=0)
        grounded = [unknown not in floats for unknown in one.operating_point.network.unknowns]
        off = np.abs(batch.spectrum[k, 1:] - one.spectrum[0, 1:]).max(axis=0)
        near = off <= np.where(ripple > 0.1, 5e-5, 1e-3) * ripple
        assert near[grounded & (ripple > 1e-9 * ripple.max())].all()


def test_where_a_share_has_no_solution_the_batch_is_solved_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    expected, rounds = mains_steady_state(loaded(VOLTS), frequency_hz=HZ), mains._rounds

    def solve(supply: Supply, *near: None) -> object:
        if supply.network.size < len(VOLTS):
            raise CircuitError("the circuit has no unique solution")
        return rounds(supply, *near)

    monkeypatch.setattr(mains, "SHARE", 2)
    monkeypatch.setattr(mains, "_rounds", solve)
    np.testing.assert_array_equal(
        mains_steady_state(loaded(VOLTS), frequency_hz=HZ).spectrum, expected.spectrum
    )


def test_mixed_shapes_of_conduction_in_one_batch() -> None:
    """Members that conduct for long and for short must not disturb each other."""
    ohms = np.geomspace(1.0, 3000.0, 9)
    batch = mains_steady_state(full_wave(SiliconDiode(), copper=(ohms, ohms)), frequency_hz=HZ)  # type: ignore[arg-type]
    for k in (0, 4, 8):
        one = mains_steady_state(full_wave(SiliconDiode(), copper=(ohms[k], ohms[k])), frequency_hz=HZ)
        assert batch.mean("b0")[k] == pytest.approx(one.mean("b0")[0], rel=1e-8)
        assert batch.ripple_pp("b2")[k] == pytest.approx(one.ripple_pp("b2")[0], rel=1e-5)
    assert np.all(np.diff(batch.mean("b0")) < 0)


@pytest.mark.parametrize("samples", [128, 256, 512])
def test_a_warm_start_gives_the_same_and_sooner(samples: int) -> None:
    near = mains_steady_state(loaded(320.0), frequency_hz=HZ)
    warm = mains_steady_state(loaded(), frequency_hz=HZ, near=near, samples=samples)
    cold = mains_steady_state(loaded(), frequency_hz=HZ, samples=samples)
    np.testing.assert_allclose(warm.mean("b2"), cold.mean("b2"), rtol=1e-8)
    np.testing.assert_allclose(warm.ripple_pp("b0"), cold.ripple_pp("b0"), rtol=1e-6)
    assert warm.rounds <= cold.rounds


def test_one_solution_may_start_a_whole_batch() -> None:
    near = mains_steady_state(loaded(), frequency_hz=HZ)
    batch = mains_steady_state(loaded(VOLTS), frequency_hz=HZ, near=near)
    np.testing.assert_allclose(
        batch.mean("b2"), mains_steady_state(loaded(VOLTS), frequency_hz=HZ).mean("b2"), rtol=1e-8
    )


def test_tubes_idle_where_the_mean_of_the_rails_puts_them() -> None:
    state = mains_steady_state(loaded(), frequency_hz=HZ)
    means = state.rectifier_currents.mean(axis=2)
    point = operating_point(loaded(), rectifier_currents=means)
    for node in ("b0", "b1", "b2", "p1", "k2"):
        assert state.mean(node)[0] == pytest.approx(float(point.volts(node)), abs=2e-5)


@pytest.mark.parametrize(
    "circuit", [loaded(), bridge(SiliconDiode()), half_wave(TUBE)], ids=lambda c: c.title
)
def test_currents_balance_at_every_node_and_harmonic(circuit: Circuit) -> None:
    state = mains_steady_state(circuit, frequency_hz=HZ)
    network = state.operating_point.network
    order = np.arange(state.spectrum.shape[1])
    s = 2j * np.pi * HZ * order
    currents = np.fft.rfft(state.rectifier_currents[0]) * (2.0 / state.rectifier_currents.shape[2])
    left = (
        np.einsum("ij,kj->ki", network.conductance[0], state.spectrum[0])
        + s[:, None] * np.einsum("ij,kj->ki", network.storage[0], state.spectrum[0])
        + (network.rectifier_incidence @ currents).T
    )
    tubes = [k for k in range(network.node_count) if network.incidence[k].any()]
    left[:, tubes] = 0.0  # their slopes take part: see the test above
    assert np.abs(left[1:-1, : network.node_count]).max() < 1e-7


def test_rectifiers_conduct_as_their_law_says() -> None:
    state = mains_steady_state(full_wave(SiliconDiode()), frequency_hz=HZ)
    law_says = SiliconDiode().evaluate(state.rectifier_volts[..., None])[0][..., 0]
    on = state.rectifier_currents > 1e-3
    np.testing.assert_allclose(law_says[on], state.rectifier_currents[on], rtol=1e-6)
    assert state.rectifier_currents.min() > -1e-8


def test_node_and_rectifier_waveforms_tell_one_story() -> None:
    state = mains_steady_state(full_wave(TUBE), frequency_hz=HZ)
    across = state.waveform("a", "b0")[0]
    np.testing.assert_allclose(across, state.rectifier_volts[0, 0], atol=1e-3)
    drop = state.waveform("sa", "a")[0]
    np.testing.assert_allclose(drop, 62.0 * state.rectifier_currents[0, 0], atol=1e-3)


def choke_input(henries: float, load: float, law: RectifierLaw = IDEAL) -> Circuit:
    choke = Windings("L1", (("b0", "b1"),), (1e-3,), np.array([[henries]]))
    return full_wave(
        law,
        copper=(0.01, 0.01),
        choke=choke,
        reservoir=0.0,
        sections=((0.0, 40e-6),),
        loads=(0.0, load),
    )


def test_ripple_of_a_choke_input_filter() -> None:
    """W16 of data/handbook/worked_examples.csv: r = 0.829/(L C), C in µF, 60 Hz full wave."""
    state = mains_steady_state(choke_input(20.0, 3000.0), frequency_hz=HZ)
    assert state.ripple_rms("b1")[0] / state.mean("b1")[0] == pytest.approx(0.829 / (20 * 40), rel=5e-3)
    assert state.mean("b1")[0] == pytest.approx(2 * np.sqrt(2) / np.pi * 325.0, rel=1e-3)


def test_the_critical_choke() -> None:
    """W16: L = R/1131 at 60 Hz; below it the output rises above 0.9 of the rms voltage."""
    load, average = 5000.0, 2 * np.sqrt(2) / np.pi * 325.0
    above = mains_steady_state(choke_input(1.1 * load / 1131, load), frequency_hz=HZ)
    below = mains_steady_state(choke_input(0.5 * load / 1131, load), frequency_hz=HZ)
    assert above.mean("b1")[0] == pytest.approx(average, rel=2e-3)
    assert below.mean("b1")[0] > 1.05 * average
    least = [state.rectifier_currents[0].sum(axis=0).min() for state in (below, above)]
    assert least[0] < 1e-6 < least[1]


@pytest.mark.parametrize("law", [IDEAL, SiliconDiode(), TUBE], ids=lambda law: type(law).__name__)
@pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
@pytest.mark.parametrize("stray", [None, 1e-9])
def test_a_choke_that_falls_out_of_conduction_is_solved(
    law: RectifierLaw, share: float, stray: float | None
) -> None:
    """The hard case: a node that only a choke holds, free to ring while no diode conducts."""
    circuit = choke_input(share * 5000.0 / 1131, 5000.0, law)
    if stray:
        circuit = circuit.with_parts(Capacitor("CS", "b0", GROUND, stray))
    state = mains_steady_state(circuit, frequency_hz=HZ)
    assert 260.0 < state.mean("b1")[0] < 325.0 * np.sqrt(2)


CHOKE = Windings("L1", (("b0", "b1"),), (250.0,), np.array([[10.0]]))
KINDS = {
    "resistors and capacitors": full_wave(TUBE),
    "pi choke": full_wave(SiliconDiode(), choke=CHOKE),
    "choke input": full_wave(SiliconDiode(), choke=CHOKE, reservoir=0.0, loads=(0.0, 3000.0, 0.0)),
    "bridge": bridge(SiliconDiode()),
    "bridge and choke": bridge(SiliconDiode(), CHOKE),
    "half wave": half_wave(TUBE),
    "with tubes": loaded(),
}


@pytest.mark.parametrize("circuit", KINDS.values(), ids=KINDS.keys())
def test_wild_supplies_all_settle(circuit: Circuit) -> None:
    """Log-normal, sigma 1.5, on every resistance, capacitance and inductance."""
    state = mains_steady_state(varied(circuit, 40, 1.5, seed=13), frequency_hz=HZ)
    assert state.convergence.converged.all()
    assert state.convergence.residual_a.max() < 1e-9


@pytest.mark.parametrize("load", [500.0, 3e3, 1e4, 1e5])
def test_a_bridge_into_a_choke_costs_little_more_than_into_a_capacitor(
    load: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In trials of the currents over a cycle: Newton alone tried for hundreds before it was given up."""
    tried, at = [], WaveProblem.at

    def counting(problem: WaveProblem, drive: np.ndarray) -> Iterate:
        tried.append(drive.shape[-1])
        return at(problem, drive)

    monkeypatch.setattr(WaveProblem, "at", counting)
    mains_steady_state(bridge(SiliconDiode(), CHOKE, load), frequency_hz=HZ)
    assert len(tried) < 450


def test_readings_and_print() -> None:
    state = mains_steady_state(half_wave(TUBE), frequency_hz=50.0)
    assert state.time[-1] == pytest.approx(0.02 * 255 / 256)
    assert state.waveform("b1", GROUND).shape == (1, 256)
    by_hand = np.fft.rfft(state.waveform("b0")[0]) * (2 / 256)
    assert state.harmonic("b0", 1)[0] == pytest.approx(by_hand[1], rel=1e-9)
    assert state.ripple_pp("b0")[0] >= np.ptp(state.waveform("b0")[0])
    assert "Steady state on the line at 50 Hz: converged" in str(state)
    assert "peak inverse" in state._repr_html_()


GLOW = GasDiode.running(150.0, 0.0175, 80.0)


def glowing(amps: np.ndarray) -> np.ndarray:
    """Voltage of such a tube at a current, its law turned round [V]."""
    return np.asarray(GLOW.glow + GLOW.softness * np.log(np.expm1(amps * GLOW.ohms / GLOW.softness)))


def regulated(supply: Circuit) -> Circuit:
    """Two 150-volt regulator tubes in series feed a stage: nothing but the tubes holds the node between."""
    return supply.with_parts(
        Resistor("RS", "b0", "reg", 4700.0), Device("VR1", GLOW, ("reg",), "mid"),
        Device("VR2", GLOW, ("mid",), GROUND), *triode("9", "reg", 1e5, 1500.0),
    )  # fmt: skip


def test_regulator_tubes_in_series_settle_at_any_line_voltage() -> None:
    volts = np.linspace(320.0, 420.0, 41)
    state = mains_steady_state(regulated(full_wave(TUBE, volts=(volts, volts))), frequency_hz=HZ)
    assert state.convergence.converged.all()
    point = state.operating_point
    assert point.convergence.iterations.max() < 15
    # the current that Kirchhoff leaves for the tubes, and what their law asks at it
    amps = (state.mean("b0") - state.mean("reg")) / 4700.0 - point.current("V9")
    np.testing.assert_allclose(point.current("VR1"), amps, atol=200 * INSULATION)
    np.testing.assert_allclose(point.current("VR2"), point.current("VR1"), atol=200 * INSULATION)
    np.testing.assert_allclose(state.mean("mid"), glowing(point.current("VR2")), atol=1e-6)


def test_both_paths_agree_where_only_tubes_hold_a_node() -> None:
    feed = regulated(Circuit((VoltageSource("B", "b0", GROUND, 400.0),)))
    ports, full = operating_point(feed), operating_point(feed, path="full")
    np.testing.assert_allclose(ports.unknowns, full.unknowns, atol=1e-7)
    np.testing.assert_allclose(ports.port_currents, full.port_currents, rtol=1e-8, atol=1e-13)
    assert ports.convergence.iterations[0] < 15


def test_a_stage_on_regulator_tubes_in_series_can_be_driven() -> None:
    feed = regulated(
        Circuit(
            (
                VoltageSource("B", "b0", GROUND, 400.0),
                VoltageSource("IN", "in", GROUND, ac=1.0),
                Capacitor("CI", "in", "g9", 1e-6),
            )
        )
    )
    driven = large_signal(feed, frequency_hz=1000.0)
    assert driven.convergence.converged.all()
    amps = driven.mean_current("VR1")
    np.testing.assert_allclose(driven.mean_current("VR2"), amps, atol=200 * INSULATION)
    np.testing.assert_allclose(
        driven.waveform("mid").mean(axis=1), glowing(driven.mean_current("VR2")), atol=1e-6
    )
