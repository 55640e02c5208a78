"""The idle point by two independent paths, from many starts, in batches, and with parts far off value."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from tests.circuits import RESISTORS, amp, long_tail, push_pull, split_load, stage, wild
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.time_stepper import FROM_COLD
from tubekit.circuit import newton
from tubekit.circuit.parts import Circuit

CIRCUITS = {make.__name__: make() for make in (stage, split_load, long_tail, push_pull, amp)}
NANOAMPERE = 1e-9

each_circuit = pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS.keys())


@each_circuit
def test_port_path_and_nodal_path_agree(circuit: Circuit) -> None:
    ports, full = operating_point(circuit), operating_point(circuit, path="full")
    # One nanovolt: grids stand at microvolts, where a relative figure says nothing.
    np.testing.assert_allclose(ports.unknowns, full.unknowns, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ports.port_currents, full.port_currents, rtol=1e-9, atol=1e-15)
    assert ports.convergence.residual_a.max() < NANOAMPERE
    assert full.convergence.residual_a.max() < NANOAMPERE


@each_circuit
def test_ten_random_starts_lead_to_one_point(circuit: Circuit) -> None:
    cold = operating_point(circuit)
    random = np.random.default_rng(11)
    for _ in range(10):
        start = random.uniform(-300.0, 500.0, cold.port_volts.shape)
        again = operating_point(circuit, start=start)
        np.testing.assert_allclose(again.unknowns, cold.unknowns, rtol=1e-9, atol=1e-9)


def test_wild_resistors_all_converge() -> None:
    """Log-normal, sigma 1.5, on every resistor: nine tenths of them are off by more than a fifth."""
    point = operating_point(amp(wild(20_000, 1.5, seed=5)))
    assert point.convergence.converged.all()
    assert point.convergence.residual_a.max() < NANOAMPERE


def test_wild_circuits_agree_with_the_nodal_path() -> None:
    circuit = amp(wild(200, 1.5, seed=6))
    ports, full = operating_point(circuit), operating_point(circuit, path="full")
    np.testing.assert_allclose(ports.port_volts, full.port_volts, rtol=1e-7, atol=1e-6)


def test_newton_does_not_stall_where_parts_are_a_thousand_times_off() -> None:
    cold = operating_point(amp(wild(200, 6.0, seed=5)))
    start = np.random.default_rng(1).uniform(-3000.0, 5000.0, cold.port_volts.shape)
    for point in (cold, operating_point(amp(wild(200, 6.0, seed=5)), start=start)):
        assert point.convergence.converged.all()
        assert not point.convergence.ways_out[FROM_COLD]


def test_where_newton_stalls_it_settles_from_cold_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(newton, "HALVINGS", 0)
    circuit = amp(wild(100, 4.0, seed=5))
    start = np.random.default_rng(1).uniform(-3000.0, 5000.0, (100, 14))
    point = operating_point(circuit, start=start)
    assert point.convergence.converged.all()
    stalled = int((point.convergence.iterations > newton.MAX_ITERATIONS).sum())
    assert 0 < stalled == point.convergence.ways_out[FROM_COLD]
    assert f"{FROM_COLD}: {stalled} times" in str(point.convergence)
    assert point.convergence.residual_a.max() < NANOAMPERE


@pytest.mark.parametrize("sigma", [0.05, 1.5])
def test_a_batch_is_its_members_one_by_one(sigma: float) -> None:
    factors = wild(12, sigma, seed=8)
    batch = operating_point(amp(factors))
    for k in range(12):
        one = operating_point(amp(factors[k : k + 1]))
        np.testing.assert_allclose(batch.unknowns[k], one.unknowns[0], rtol=1e-9, atol=1e-9)


def test_a_warm_start_arrives_sooner() -> None:
    cold = operating_point(amp())
    warm = operating_point(amp(1.01 * np.ones((1, RESISTORS))), start=cold.port_volts)
    assert warm.convergence.iterations[0] <= 4 < cold.convergence.iterations[0]


@given(supply=st.floats(-400.0, 2000.0), cathode=st.floats(1.0, 1e7), load=st.floats(1.0, 1e8))
def test_a_stage_has_a_point_whatever_its_values(supply: float, cathode: float, load: float) -> None:
    point = operating_point(stage(supply, cathode, load))
    assert point.convergence.residual_a[0] < NANOAMPERE
    drop = supply - float(point.volts("p1"))
    assert drop == pytest.approx(float(point.current("V1")) * load, rel=1e-6, abs=1e-9 + 1e-6 * abs(supply))


def test_voltages_and_currents_by_name() -> None:
    point = operating_point(split_load())
    plate, cathode = float(point.current("V2")), float(point.current("V2", "cathode"))
    assert point.volts("k2") == pytest.approx(5.6e4 * cathode)
    assert point.volts("b", "p2") == pytest.approx(5.6e4 * plate)
    assert point.volts("b", "ground") == 300.0
    assert cathode == pytest.approx(plate + float(point.current("V2", "grid")))


def test_both_halves_of_a_balanced_pair_are_alike() -> None:
    point = operating_point(push_pull())
    plates = [float(point.current(name)) for name in ("V4", "V5")]
    assert plates[0] == pytest.approx(plates[1], rel=5e-3)  # ten ohms of copper apart
    assert float(point.volts("p4")) > float(point.volts("p5"))


def test_prints_as_text_and_html() -> None:
    point = operating_point(stage())
    assert "Operating point of one stage: converged" in str(point)
    assert "<table" in point._repr_html_()
    assert operating_point(amp(wild(3, 0.1, 1))).volts("p1").shape == (3,)  # type: ignore[union-attr]
