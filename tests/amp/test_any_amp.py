"""Any amp is solved at once: strangers' amps, and amps with a part out that others lean on."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from tests.amps import DEMO, EVERY, OTHERS, amp, solved
from tests.benchmarks.commands import asked, tried
from tests.hard_changes import Case, cases
from tubekit import analyze
from tubekit.amp import mains_solve
from tubekit.circuit import newton

CASES, EACH = 100, 25
"""Random changes in the suite; `python -m tests.hard_changes` runs any number of them."""
FEW_ROUNDS, FEW_STEPS = 4, 120
"""Rounds between supply and amp, and Newton steps in all: demo amps need 2 and 15, a starved string 103."""


def bleeder(name: str) -> str:
    """The designator of an amp's bleeder."""
    return next(p.designator for p in amp(name).parts.values() if p.role == "bleeder")


QUICK = {"report", "supply", "parts", "trace", "line-band", "cable"}
"""Commands of tenths of a second; `python -m tests.benchmarks.commands` runs all of them on every amp."""


@pytest.mark.parametrize("name", OTHERS)
def test_a_strangers_amp_gets_an_answer_and_no_warning(name: str, tmp_path: Path) -> None:
    for words in asked(name, tmp_path):
        if words[0] in QUICK:
            text = tried(words)
            assert "CRASH" not in text, text
            assert "ODD" not in text, text


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """One entry for each Newton step at the tubes."""
    seen: list[int] = []
    descend = newton._descend
    mains_solve._ANSWERS.clear()

    def counted(*args: object) -> object:
        seen.append(1)
        return descend(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(newton, "_descend", counted)
    return seen


@pytest.mark.parametrize("name", EVERY)
def test_no_amp_needs_more_than_a_few_rounds(name: str, steps: list[int]) -> None:
    report = analyze(amp(name).changed({}))
    assert report.convergence.converged.all()
    assert report.solved.state.rounds <= FEW_ROUNDS
    assert 0 < len(steps) <= FEW_STEPS


@pytest.mark.parametrize("name", DEMO)
def test_a_missing_bleeder_makes_no_amp_harder(name: str, steps: list[int]) -> None:
    gone = bleeder(name)
    report = analyze(amp(name).changed({gone: "removed"}))
    assert 0 < len(steps) <= FEW_STEPS
    far = analyze(amp(name).changed({gone: "1000M"}))  # a resistor that is as good as none
    for node in report.nodes:
        assert_allclose(node.dc_v, far.node(node.node).dc_v, rtol=1e-4, atol=1e-3)


@pytest.mark.parametrize("name", EVERY)
def test_what_rectifiers_deliver_is_what_the_amp_draws(name: str) -> None:
    state = solved(name).solved.state
    delivered = state.cycle.currents.mean(axis=2)
    assert_allclose(state.operating_point.rectifier_currents, delivered, rtol=1e-4, atol=1e-7)


@pytest.mark.parametrize("rectifier", ["5Y3GT", "silicon"])
def test_a_supply_without_a_load_stands_at_the_peak_and_says_so(rectifier: str) -> None:
    tubes = dict.fromkeys(("V1", "V2", "V3", "V4", bleeder("teasel")), "removed")
    report = analyze(amp("teasel").changed({**tubes, "V5": rectifier}))
    peak = report.solved.state.waveform("hv_a").max()
    assert report.node("B1").dc_v == pytest.approx(peak, rel=0.01)
    (text,) = [line for line in report.assumptions if "nothing loads" in line]
    assert text.startswith("B1: nothing loads V5, so expect the peak")
    assert "1000 MΩ across each rectifier" in text
    assert f"{report.node('B1').dc_v:.3g} V" in text
    assert not [line for line in solved("teasel").assumptions if "nothing loads" in line]


@pytest.mark.parametrize("first", range(0, CASES, EACH))
def test_random_changes_are_solved_or_named(first: int) -> None:
    for case in islice(cases(CASES, seed=12), first, first + EACH):
        assert case.outcome() in ("converged", "named") or case.outcome().startswith("refused"), case


def test_the_one_change_of_20000_that_had_no_answer_has_one() -> None:
    """Of seed 2026: the cathode resistor alone ties the heater winding to ground."""
    changes = {"R25": "removed", "W7": "short", "R4": "open"}
    assert Case("fescue", changes, 106.6).outcome() in ("converged", "named")
