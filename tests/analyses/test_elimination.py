"""The replayed elimination against one dense solve per frequency, and what it does where its plan fails."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import solved
from tests.circuits import amp, coupled, push_pull, wild
from tubekit.amp import load_amp
from tubekit.amp.signal_view import idle_signal
from tubekit.amp.solve import solve_amp
from tubekit.amp.stability import feedback_parts
from tubekit.amp.stages import CORNER_HZ
from tubekit.analyses import elimination
from tubekit.analyses.elimination import respond
from tubekit.analyses.feedback import loop_gain
from tubekit.analyses.operating_point import OperatingPoint, operating_point
from tubekit.analyses.part_sensitivity import picker
from tubekit.analyses.poles import direct_transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import Circuit, Resistor, Windings

BAND = 2j * np.pi * np.geomspace(1.0, 1e6, 41)


def directly(point: OperatingPoint, drive: np.ndarray) -> np.ndarray:
    matrix = linearised(point.network, list(point.slopes))
    storage = np.broadcast_to(point.network.storage, matrix.shape)
    return np.stack([np.linalg.solve(matrix + s * storage, drive) for s in BAND], axis=1)


def replayed(point: OperatingPoint, drive: np.ndarray) -> np.ndarray:
    return respond(point.network, linearised(point.network, list(point.slopes)), drive, BAND)


def agree(point: OperatingPoint, node: str) -> None:
    drive = picker(point.network, node)
    result, expected = replayed(point, drive), directly(point, drive)
    volts = slice(0, point.network.node_count)
    size = np.abs(expected[..., volts]).max(axis=2, keepdims=True)
    assert (np.abs(result - expected)[..., volts] / size).max() < 1e-9


def test_whole_demo_amp() -> None:
    agree(solve_amp(load_amp("teasel")).state.operating_point, "in_high")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_wild_batches(seed: int) -> None:
    agree(operating_point(amp(wild(5, 1.0, seed))), "g1")


def test_coils_and_floating_parts() -> None:
    agree(operating_point(push_pull()), "g4")
    coils = Windings("T1", (("a", "ground"), ("s", "t")), (90.0, 0.3), coupled([1.0, 0.04], 12.0, 0.0))
    ground = Resistor("R3", "t", "ground", 1e6)
    parts = (Resistor("R1", "in", "a", 2e3), coils, Resistor("R2", "s", "t", 16.0), ground)
    agree(operating_point(Circuit(parts)), "in")


def test_batched_capacitors_and_kept_unknowns() -> None:
    network = operating_point(amp()).network
    point = operating_point(amp(wild(3, 0.5, 5)))
    matrix = linearised(point.network, list(point.slopes))
    row = point.network.index["sp"]
    some = respond(point.network, matrix, picker(network, "g1"), BAND, [row])
    np.testing.assert_allclose(some[..., 0], replayed(point, picker(network, "g1"))[..., row], rtol=1e-12)


def test_a_plan_that_does_not_suit_is_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    """A poisoned plan (its replay gives nothing finite) is found out and made anew."""
    point = operating_point(amp())
    drive = picker(point.network, "g1")
    expected = replayed(point, drive)
    real, calls = elimination.Factors.answer, []

    def spoilt(*parts):
        calls.append(1)
        return real(*parts) * (np.nan if len(calls) <= 2 else 1.0)

    monkeypatch.setattr(elimination.Factors, "answer", spoilt)
    np.testing.assert_allclose(replayed(point, drive), expected, rtol=1e-8)
    assert len(calls) == 4, "each play answers, and refines once"


def test_members_that_miss_are_solved_directly(monkeypatch: pytest.MonkeyPatch) -> None:
    point = operating_point(amp(wild(3, 0.5, 7)))
    drive = picker(point.network, "g1")
    expected = directly(point, drive)
    real = elimination.Factors.answer
    monkeypatch.setattr(elimination.Factors, "answer", lambda *parts: real(*parts) * (1 + 1e-4))
    np.testing.assert_allclose(replayed(point, drive), expected, rtol=1e-9)


def test_what_nobody_asked_for_brings_no_direct_solve(monkeypatch) -> None:
    """At 2 MHz 1e-28 of the signal is left behind the bias winding, and rounding is a large share of that.

    Broken at its feedback resistor the loop leaves as little at the first grid, and its gain is right.
    """
    point, _, jack = idle_signal(solved("burdock").solved)
    part = next(feedback_parts(solved("burdock").amp))
    matrix, drive = linearised(point.network, list(point.slopes)), picker(point.network, jack.tip)
    with monkeypatch.context() as every:
        every.setattr(elimination, "TRUST", -1.0)  # each frequency is solved directly
        expected = loop_gain(point, part, CORNER_HZ).gain
    monkeypatch.setattr(elimination, "solve_linear", lambda *parts: pytest.fail("solved directly"))
    respond(point.network, matrix, drive, 2j * np.pi * CORNER_HZ)
    np.testing.assert_allclose(loop_gain(point, part, CORNER_HZ).gain, expected, rtol=1e-7)


@pytest.mark.parametrize("spoilt", [0.0, 1e-4, 0.5])
def test_a_sweep_is_the_direct_solve_or_names_whom_it_misses(monkeypatch, spoilt: float) -> None:
    """What drives a network is refined once, which heals a small error and not a large one."""
    point = operating_point(amp(wild(5, 0.5, 7)))
    network = point.network
    matrix, inputs = linearised(network, list(point.slopes)), picker(network, "g1")[:, None]
    s = 2j * np.pi * np.array([60.0, 600.0, 6e3])
    real = elimination.Factors.answer
    monkeypatch.setattr(elimination.Factors, "answer", lambda *parts: real(*parts) * (1 + spoilt))
    sparse, everywhere = elimination.Sparse.of(network, matrix), np.empty((5, 3, len(inputs)), complex)
    seen, lost = sparse.seen(inputs, inputs, s, 1e-7)
    missed = sparse.driven(inputs, np.ones((5, 3, 1)), s, 1e-5, everywhere)
    assert lost.all() == lost.any() == (spoilt > 0)
    assert missed.all() == missed.any() == (spoilt > 0.1)
    exact = direct_transfer(network, matrix, np.eye(len(inputs)), inputs, s)[..., 0]
    if not lost.any():
        np.testing.assert_allclose(seen[:, :, 0, 0], exact @ inputs[:, 0], rtol=1e-9)
    if not missed.any():
        np.testing.assert_allclose(everywhere, exact, rtol=1e-6, atol=1e-7 * np.abs(exact).max())
