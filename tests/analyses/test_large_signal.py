"""Driven circuits in steady state, held against small signals, time-domain integration and energy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.output_stages import push_pull, single_ended
from tubekit.analyses.large_signal import LargeSignal, large_signal
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import stage_gains
from tubekit.circuit.parts import Capacitor, Circuit, Device, Rectifier, Resistor, VoltageSource, Windings
from tubekit.devices import IdealDiode, Pentode, Triode
from tubekit.errors import BatchWarning, CircuitError

# Made-up parameters: two methods are held against each other on them.
TRIODE = Triode(perveance=1.2e-3, mu=96.0, exponent=1.45, offset=0.5, softness=0.25, grid_offset=0.2)
BEAM = Pentode(perveance=1.1e-3, mu_screen=9.5, mu_plate=220.0, exponent=1.4, softness=0.8)

SUPPLY, PLATE, CATHODE, NEXT = 250.0, 1e5, 1500.0, 3.3e5
BYPASS, COUPLING, HZ = 2e-6, 4e-9, 400.0


def stage(drive: float | np.ndarray) -> Circuit:
    """A stage whose capacitors all matter at the drive frequency."""
    return Circuit(
        (
            VoltageSource("B", "b", "ground", SUPPLY),
            Resistor("R1", "b", "p", PLATE),
            Resistor("R2", "k", "ground", CATHODE),
            Capacitor("C1", "k", "ground", BYPASS),
            Capacitor("C2", "p", "out", COUPLING),
            Resistor("R3", "out", "ground", NEXT),
            VoltageSource("E", "g", "ground", 0.0, drive),
            Device("V1", TRIODE, ("p", "g"), "k"),
        ),
        "stage",
    )


def test_a_small_drive_gives_the_small_signal_gain_in_size_and_phase() -> None:
    solved = large_signal(stage(1e-3), frequency_hz=HZ)
    linear = stage_gains(operating_point(stage(0.0)), HZ).to_plate[0, 0]
    driven = solved.harmonics("p")[0, 1] / solved.harmonics("g")[0, 1]
    assert driven == pytest.approx(linear, rel=1e-3)
    assert solved.thd_percent("p")[0] < 0.05


def integrate(drive: float, cycles: int) -> tuple[np.ndarray, np.ndarray]:
    """Plate and output voltage over the last cycle, by an implicit Runge-Kutta method from rest."""
    rest = operating_point(stage(0.0))

    def plate_of(bypass: float, coupling: float, grid: float) -> float:
        """Plate voltage at which the currents add up: Newton's rule."""
        plate = SUPPLY / 2
        for _ in range(50):
            i, g = TRIODE.evaluate(np.array([plate - bypass, grid - bypass]))
            error = (SUPPLY - plate) / PLATE - (plate - coupling) / NEXT - i[0]
            step = error / (1 / PLATE + 1 / NEXT + g[0, 0])
            plate += step
            if abs(step) < 1e-12:
                break
        return plate

    def flow(t: float, y: np.ndarray) -> list[float]:
        grid = drive * np.cos(2 * np.pi * HZ * t)
        plate = plate_of(y[0], y[1], grid)
        i, _ = TRIODE.evaluate(np.array([plate - y[0], grid - y[0]]))
        return [(i.sum() - y[0] / CATHODE) / BYPASS, (plate - y[1]) / NEXT / COUPLING]

    times = (cycles - 1 + np.arange(64) / 64) / HZ
    start = [rest.volts("k"), rest.volts("p")]
    run = solve_ivp(flow, (0, times[-1]), start, "Radau", times, rtol=1e-6, atol=1e-6, max_step=1 / HZ / 40)
    plates = np.array(
        [plate_of(k, c, drive * np.cos(2 * np.pi * HZ * t)) for t, (k, c) in zip(times, run.y.T, strict=True)]
    )
    return plates, plates - run.y[1]


@pytest.mark.parametrize("drive", [0.8, 2.0])
def test_the_steady_state_is_where_a_run_in_time_ends(drive: float) -> None:
    plate, out = integrate(drive, cycles=24)
    solved = large_signal(stage(drive), frequency_hz=HZ)
    assert np.abs(solved.waveform("p")[0] - plate).max() < 2e-3 * np.ptp(plate)
    assert np.abs(solved.waveform("out")[0] - out).max() < 2e-3 * np.ptp(out)
    assert abs(solved.waveform("out")[0].mean()) < 1e-6


def supplied(solved: LargeSignal) -> float:
    """Mean power out of all voltage sources [W]."""
    total = 0.0
    for source in solved.circuit.of(VoltageSource):
        current = solved.spectrum[0, :, solved.idle.network.unknowns.index(f"I({source.name})")]
        volts = solved.harmonics(source.a, source.b)[0]
        total -= (volts[0] * current[0]).real + 0.5 * (volts[1:] * current[1:].conj()).real.sum()
    return total


def burnt(solved: LargeSignal) -> float:
    """Mean power in resistors and electrodes [W]."""
    ports = (solved.port_volts * solved.port_currents).mean(axis=2).sum()
    resistors = sum(
        abs(solved.harmonics(r.a, r.b)[0, 0]) ** 2 / r.ohms + solved.power_w(r.name)[0]
        for r in solved.circuit.of(Resistor)
    )
    return float(ports + resistors)


CIRCUITS = {
    "stage": lambda: stage(2.0),
    "push-pull, cathode bias": lambda: push_pull(BEAM, plate=300, screen=280, load=7000, cathode=250),
    "ultralinear": lambda: push_pull(BEAM, plate=300, load=7000, grid=-20, tap=0.4),
    "single-ended": lambda: single_ended(BEAM, plate=250, screen=250, load=5000, grid=-15),
}


@pytest.mark.parametrize("name", CIRCUITS)
def test_what_the_supply_gives_is_turned_into_heat_and_output(name: str) -> None:
    circuit = CIRCUITS[name]()
    solved = large_signal(circuit, frequency_hz=HZ)
    assert supplied(solved) == pytest.approx(burnt(solved), rel=1e-6)


def test_more_samples_change_nothing_that_matters() -> None:
    circuit = CIRCUITS["push-pull, cathode bias"]()
    coarse, fine = (large_signal(circuit, frequency_hz=HZ, samples=n) for n in (64, 256))
    assert coarse.power_w("R1") == pytest.approx(fine.power_w("R1"), rel=1e-3)
    assert coarse.thd_percent("plate1", "plate2") == pytest.approx(
        fine.thd_percent("plate1", "plate2"), abs=0.02
    )


def test_a_balanced_pair_has_no_even_harmonics_and_an_unbalanced_one_has() -> None:
    def second(spread: tuple[float, float]) -> float:
        pair = push_pull(BEAM, plate=300, screen=280, load=7000, grid=-22, spread=spread)
        result = np.abs(large_signal(pair, frequency_hz=HZ).harmonics("plate1", "plate2")[0])
        return float(result[2] / result[1])

    assert second((1.0, 1.0)) < 1e-9
    assert second((0.8, 1.2)) > 0.01


def test_every_member_of_a_batch_is_the_single_circuit() -> None:
    drives = np.array([0.1, 0.9, 3.0])
    batch = large_signal(stage(drives), frequency_hz=HZ)
    for k, drive in enumerate(drives):
        one = large_signal(stage(float(drive)), frequency_hz=HZ)
        np.testing.assert_allclose(batch.waveform("p")[k], one.waveform("p")[0], atol=1e-6)
        assert batch.thd_percent("p")[k] == pytest.approx(one.thd_percent("p")[0], rel=1e-6)


def test_a_start_nearby_ends_at_the_same_place() -> None:
    cold = large_signal(stage(2.0), frequency_hz=HZ)
    warm = large_signal(stage(2.0), frequency_hz=HZ, near=large_signal(stage(1.8), frequency_hz=HZ))
    np.testing.assert_allclose(warm.port_volts, cold.port_volts, atol=1e-6)
    assert warm.convergence.iterations[0] < 10


def test_ports_meet_the_network_everywhere() -> None:
    solved = large_signal(CIRCUITS["ultralinear"](), frequency_hz=HZ)
    nodes = {"plate": "plate1", "screen": "tap1", "grid": "grid1"}
    for terminal, node in nodes.items():
        np.testing.assert_allclose(solved.volts("V1", terminal)[0], solved.waveform(node)[0], atol=1e-5)


def test_grid_current_charges_the_coupling_capacitor_and_biases_the_grid_down() -> None:
    def bias(drive: float) -> float:
        coupled = Circuit(
            (
                VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", 1e5),
                VoltageSource("E", "in", "ground", ac=drive), Resistor("R2", "in", "x", 1e4),
                Capacitor("C1", "x", "g", 1e-7),
                Resistor("R3", "g", "ground", 1e6), Device("V1", TRIODE, ("p", "g"), "ground"),
            )
        )  # fmt: skip
        return float(large_signal(coupled, frequency_hz=HZ).volts("V1", "grid").mean())

    assert bias(5.0) < bias(1.0) < bias(0.1) < 0.0
    assert bias(5.0) < -3.5


def test_a_circuit_without_tubes_follows_its_phasors() -> None:
    divider = Circuit(
        (
            VoltageSource("E", "a", "ground", 3.0, 2.0),
            Resistor("R1", "a", "c", 1e3),
            Capacitor("C1", "c", "ground", 1e-6),
        )
    )
    solved = large_signal(divider, frequency_hz=HZ)
    assert solved.harmonics("c")[0, 1] == pytest.approx(2.0 / (1 + 2j * np.pi * HZ * 1e-3), rel=1e-9)
    assert solved.harmonics("c")[0, 0].real == pytest.approx(3.0)


def test_a_held_tube_needs_no_newton() -> None:
    held = Circuit(
        (
            VoltageSource("B", "p", "ground", 200.0),
            VoltageSource("E", "g", "ground", -2.0, 1.0),
            Device("V1", TRIODE, ("p", "g"), "ground"),
        )
    )
    solved = large_signal(held, frequency_hz=HZ)
    grid = -2.0 + np.cos(2 * np.pi * np.arange(64) / 64)
    wanted = TRIODE.evaluate(np.stack((np.full(64, 200.0), grid), axis=-1))[0][:, 0]
    np.testing.assert_allclose(solved.current("V1")[0], wanted, rtol=1e-9)


def test_results_are_closed_to_writing_and_print() -> None:
    solved = large_signal(stage(1.0), frequency_hz=HZ)
    with pytest.raises(ValueError, match="read-only"):
        solved.port_volts[0, 0, 0] = 1.0
    assert "Driven at 400 Hz: stage: converged" in str(solved)
    assert "V1" in solved._repr_html_()


@pytest.mark.parametrize(("circuit", "options", "text"), [
    (stage(1.0), {"samples": 63}, "cannot take 63 samples"),
    (stage(1.0), {"frequency_hz": 0.0}, "of a 0.0 Hz cycle"),
    (Circuit((Rectifier("CR1", IdealDiode(), "a", "ground"), Resistor("R1", "a", "ground", 1.0))), {},
     "there is a rectifier in a driven"),
])  # fmt: skip
def test_what_cannot_be_solved_is_refused(circuit: Circuit, options: dict[str, float], text: str) -> None:
    with pytest.raises(CircuitError, match=text):
        large_signal(circuit, **options)


def test_unknown_names_are_met_with_near_ones() -> None:
    solved = large_signal(stage(1.0), frequency_hz=HZ)
    with pytest.raises(CircuitError, match=r"R11: no such resistor.*Near: R1"):
        solved.power_w("R11")
    with pytest.raises(CircuitError, match="V1: has no screen"):
        solved.current("V1", "screen")
    with pytest.raises(CircuitError, match="no such node"):
        solved.thd_percent("q")


def test_a_member_without_a_solution_is_nan_and_the_others_stay() -> None:
    loop = Circuit(
        (
            VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", np.array([1e5, 1e5])),
            VoltageSource("E", "g", "ground", -1.0, np.array([1.0, 1e250])),
            Device("V1", TRIODE, ("p", "g"), "ground"),
            Windings("L1", (("p", "ground"),), (1e7,), np.array([[1e3]])),
        )
    )  # fmt: skip
    with pytest.warns(BatchWarning, match="1 of 2 members"), np.errstate(all="ignore"):
        solved = large_signal(loop, frequency_hz=HZ)
    assert np.isfinite(solved.thd_percent("p")[0])
    assert np.isnan(solved.waveform("p")[1]).all()
