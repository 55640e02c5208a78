"""A single failure raises with what is known; a batch goes on without its lost members and says so once."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from tests.circuits import GROUND, full_wave, half_wave, stage, triode
from tubekit.analyses import mains
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.analyses.operating_point import OperatingPoint, operating_point
from tubekit.circuit import newton
from tubekit.circuit.parts import Circuit, Windings
from tubekit.devices import SiliconDiode, TubeDiode
from tubekit.errors import BatchWarning, CircuitError, SolveError

TUBE = TubeDiode.from_drop(50.0, 0.125)


def coil(ohms: object) -> Windings:
    """Across the supply: no copper makes one member impossible."""
    return Windings("L9", (("b", GROUND),), (ohms,), np.array([[1.0]]))  # type: ignore[arg-type]


def supply_with_hopeless_member() -> Circuit:
    """The second member has a coil without copper across a source."""
    across = Windings("L9", (("sa", GROUND),), (np.array([900.0, 0.0, 1100.0]),), np.array([[100.0]]))
    return full_wave(TUBE).with_parts(across)


def test_a_hopeless_member_leaves_the_others_alone() -> None:
    with pytest.warns(BatchWarning, match="operating point: 1 of 3 members") as caught:
        point = operating_point(stage().with_parts(coil(np.array([5.0, 0.0, 7.0]))))
    assert len(caught) == 1
    assert point.convergence.mask.tolist() == [False, True, False]
    assert np.isnan(point.unknowns[1]).all()
    assert np.isnan(point.port_currents[1]).all()
    alone = operating_point(stage())
    np.testing.assert_allclose(np.asarray(point.volts("p1"))[[0, 2]], alone.volts("p1"), rtol=1e-9)


def test_a_hopeless_member_of_a_batch_of_supplies() -> None:
    with pytest.warns(BatchWarning, match="steady state on the line: 1 of 3 members") as caught:
        state = mains_steady_state(supply_with_hopeless_member(), frequency_hz=60.0)
    assert len(caught) == 1
    assert state.convergence.mask.tolist() == [False, True, False]
    for reading in (state.mean("b0"), state.ripple_pp("b1"), state.rectifier_currents.max(axis=(1, 2))):
        assert np.isnan(reading).tolist() == [False, True, False]
    alone = mains_steady_state(full_wave(TUBE), frequency_hz=60.0)
    np.testing.assert_allclose(state.mean("b0")[[0, 2]], alone.mean("b0")[0], rtol=1e-9)
    with warnings.catch_warnings(record=True):
        warnings.simplefilter("always")
        again = mains_steady_state(supply_with_hopeless_member(), frequency_hz=60.0, near=state)
    np.testing.assert_allclose(again.mean("b0")[[0, 2]], state.mean("b0")[[0, 2]], rtol=1e-7)


def test_the_same_member_alone_is_refused_by_name() -> None:
    with pytest.raises(CircuitError, match=r"I\((B|L9.0)\): the circuit leaves this undetermined"):
        operating_point(stage().with_parts(coil(0.0)))


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Newton is given one step, and the way out one moment, so that nothing arrives."""
    monkeypatch.setattr(newton, "MAX_ITERATIONS", 1)
    monkeypatch.setattr(newton, "MOMENTS", 1)


@pytest.mark.usefixtures("impatient")
def test_a_single_failure_keeps_its_best_iterate() -> None:
    circuit = Circuit((*stage().parts, *triode("2", "b", 1e5, 1e3)))
    with pytest.raises(SolveError, match="The operating point did not settle") as error:
        operating_point(circuit)
    assert isinstance(error.value.best, OperatingPoint)
    assert np.isfinite(error.value.best.unknowns).all()
    assert error.value.worst.split()[0] in {"V1", "V2"}
    assert error.value.residual > 0
    best = operating_point(circuit, strict=False)
    assert best.convergence.mask.tolist() == [True]
    assert "NOT converged" in str(best)


@pytest.mark.usefixtures("impatient")
def test_a_batch_that_fails_as_a_whole_warns_once() -> None:
    with pytest.warns(BatchWarning, match="2 of 2 members") as caught:
        point = operating_point(stage(np.array([200.0, 300.0])))
    assert len(caught) == 1
    assert np.isnan(np.asarray(point.volts("p1"))).all()


def test_a_supply_that_does_not_settle_names_a_rectifier(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tubekit.analyses.cycle.TOLERANCE", -1.0)
    with pytest.raises(SolveError, match="Supply and amp did not agree") as error:
        mains_steady_state(half_wave(SiliconDiode()), frequency_hz=60.0)
    assert error.value.worst == "CR1"
    assert isinstance(error.value.best, MainsState)
    assert mains_steady_state(half_wave(SiliconDiode()), frequency_hz=60.0, strict=False).convergence.mask[0]


def test_a_supply_that_tubes_disagree_with_names_a_tube(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mains, "ROUNDS", 1)
    loaded = full_wave(TUBE, loads=(0.0, 0.0, 0.0)).with_parts(*triode("1", "b2", 4.7e4, 470.0))
    with pytest.raises(SolveError) as error:
        mains_steady_state(loaded, frequency_hz=60.0)
    assert error.value.worst.startswith("V1 ")
    assert error.value.residual > mains.AGREED


def test_a_circuit_without_a_rectifier_has_no_cycle_but_an_answer() -> None:
    state = mains_steady_state(stage(), frequency_hz=60.0)
    assert state.rectifier_currents.shape[1] == 0
    assert state.ripple_pp("p1")[0] < 1e-9


@pytest.mark.parametrize("samples", [0, 8, 255, -16])
def test_bad_sample_counts_are_refused(samples: int) -> None:
    with pytest.raises(CircuitError, match=f"cannot take {samples} samples"):
        mains_steady_state(full_wave(TUBE), frequency_hz=60.0, samples=samples)


@pytest.mark.parametrize("hertz", [0.0, -60.0, 1e6, float("nan")])
def test_bad_frequencies_are_refused(hertz: float) -> None:
    with pytest.raises(CircuitError, match="Use 1 Hz to 100 kHz"):
        mains_steady_state(full_wave(TUBE), frequency_hz=hertz)


def test_an_unknown_node_of_a_supply_lists_near_matches() -> None:
    state = mains_steady_state(full_wave(TUBE), frequency_hz=60.0)
    for read in (state.mean, state.ripple_pp, state.ripple_rms, state.waveform):
        with pytest.raises(CircuitError, match=r"B0: no such node.* Near: b0"):
            read("B0")


def test_an_unknown_coil_lists_near_matches() -> None:
    choke = Windings("L1", (("b0", "b1"),), (250.0,), np.array([[10.0]]))
    state = mains_steady_state(full_wave(TUBE, choke=choke), frequency_hz=60.0)
    assert 0.01 < state.winding_rms("L1")[0] < 0.2
    with pytest.raises(CircuitError, match=r"l1: no such coil.* Near: L1"):
        state.winding_rms("l1")
    with pytest.raises(CircuitError, match=r"L1: has no coil 1"):
        state.winding_mean("L1", 1)


def test_an_unknown_path_is_refused() -> None:
    with pytest.raises(ValueError, match="'ports' or 'full'"):
        operating_point(stage(), path="both")


def test_results_cannot_be_written_to() -> None:
    point = operating_point(stage())
    state = mains_steady_state(full_wave(TUBE), frequency_hz=60.0)
    for array in (point.unknowns, point.port_volts, state.spectrum, state.rectifier_currents):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0.0
