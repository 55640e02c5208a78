"""The last lesson: every fault can be found, and nothing tells it before one is named."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.panels.test_lessons import everything_sent
from tubekit.amp import analyze, load_amp
from tubekit.bench.faults import single_faults
from tubekit.errors import ChangeError
from tubekit.lessons.fault_hunt import (
    CASES,
    FAULTS,
    PROBES,
    Case,
    case_of,
    cost,
    next_best,
    par,
    predictions,
    still_possible,
)
from tubekit.panels import HuntPage, lesson


@pytest.fixture
def page() -> HuntPage:
    return lesson(10, progress=None)


def test_what_stands_as_drawn_is_what_the_report_says() -> None:
    report = analyze(load_amp("teasel"))
    for probe, value in zip(PROBES, predictions()[0], strict=True):
        if probe.quantity == "dc_v":
            assert_allclose(value, report.node(probe.place[0]).dc_v, rtol=0.02, atol=0.02)


def test_an_open_resistor_changes_the_amp_as_the_report_of_the_changed_amp_says() -> None:
    for part in ("R22", "R9", "R14"):
        row = predictions()[1 + [entry.words for entry in FAULTS].index(f"{part} open")]
        report = analyze(load_amp("teasel").changed({part: "open"}))
        for probe, value in zip(PROBES, row, strict=True):
            if probe.quantity == "dc_v" and probe.place[0] not in ("k34", "p2a"):  # a meter would load those
                assert_allclose(value, report.node(probe.place[0]).dc_v, rtol=0.03, atol=0.4)


def test_every_fault_is_one_of_the_fault_book() -> None:
    known = {fault.words: fault for fault in single_faults(load_amp("teasel"))}
    for entry in FAULTS:
        assert 0 <= entry.grade < len(known[entry.words].grades)
        assert entry.says
        assert entry.why
    assert np.isfinite(predictions()).all()


@pytest.mark.parametrize("fault", range(len(FAULTS)), ids=lambda k: FAULTS[k].words)
def test_the_best_readings_lead_to_every_fault(fault: int) -> None:
    """With an old amp's scatter and a meter's, in three amps each."""
    for variant in range(3):
        case, readings = Case(variant, fault), {}
        while len(still_possible(readings)) > 1 and (place := next_best(readings)) is not None:
            readings[place] = case.reading(place)
        assert still_possible(readings) == [fault]
    assert 1.0 <= par(fault) <= 12.0


def test_every_reading_keeps_the_true_fault_possible() -> None:
    for fault in range(len(FAULTS)):
        case = Case(0, fault)
        assert fault in still_possible({place: case.reading(place) for place in range(len(PROBES))})


def test_readings_cost_once_and_stay_the_same(page: HuntPage) -> None:
    first = page.take("DC volts at B1")
    assert page.take(0) == first
    assert page.case.spent == 1.0
    page.take("ripple p-p at B1")
    assert page.case.spent == 2.5
    assert "Cost so far: <strong>2.5</strong>" in page.told.value
    assert cost(PROBES[-1]) == 4.0


def test_nothing_tells_the_fault_before_one_is_named(page: HuntPage) -> None:
    for place in range(CASES):
        page.go(place)
        for k in range(len(PROBES)):
            page.take(k)
        for _ in range(4):
            page.hint()
        hidden = FAULTS[page.case.hidden]
        assert hidden.why not in everything_sent(page)
        assert f"It is {hidden.words}" not in page.told.value
        assert hidden.words in everything_sent(page), "it stands in the list, among all others"
        page.name(page.case.hidden)
        assert hidden.why in everything_sent(page)


def test_right_and_wrong(page: HuntPage) -> None:
    page.take(0)
    wrong = next(k for k in range(len(FAULTS)) if k != page.case.hidden)
    assert page.name(wrong) is False
    assert page.result is None, "one more try"
    assert hidden_words(page) not in page.told.value.partition("<table")[0]
    assert f"{FAULTS[wrong].words}" in page.told.value
    assert page.name(wrong) is False
    assert "No. It is" in page.told.value
    assert FAULTS[page.case.hidden].words in page.told.value
    with pytest.raises(ChangeError, match="has been shown"):
        page.take(1)
    before = page.case.hidden
    page.buttons["other"].click()
    assert page.case.hidden != before
    page.take(0)
    assert page.name(FAULTS[page.case.hidden].words) is True
    assert "Correct" in page.told.value
    assert page.steps[0].description.endswith("✓")


def hidden_words(page: HuntPage) -> str:
    return FAULTS[page.case.hidden].words


def test_a_wrong_name_is_answered_by_the_reading_that_clears_it(page: HuntPage) -> None:
    """What the fault would show is the amp with that part open, solved by itself."""
    page._cases[0] = Case(0, [entry.words for entry in FAULTS].index("R9 open"))
    page.take("DC volts at p1a")
    read = page.take("DC volts at k1a")
    page.name("R5 open")
    assert len(page.case.taken) == 2, "a reading already taken clears it"
    said = page.case.cleared[0]
    would = analyze(load_amp("teasel").changed({"R5": "open"})).node("p1a" if "p1a" in said else "k1a").dc_v
    assert float(would) < 0.5 * read + 1.0
    assert "V1a" in said
    assert page.name("R9 open") is True
    assert page.result is True


@pytest.mark.parametrize("hidden", range(len(FAULTS)))
def test_every_wrong_name_is_cleared(hidden: int) -> None:
    """Whatever is named after the first reading, what is said of it is true of the readings then taken."""
    for named in range(len(FAULTS)):
        if named != hidden:
            case = Case(0, hidden)
            case.taken[0] = case.reading(0)
            case.name(named)
            assert named not in still_possible(case.taken)


def test_a_node_of_the_schematic_is_touched(page: HuntPage) -> None:
    page.sheet.choice.value = "V2a"
    assert {"p2a", "k2a", "B3"} <= set(page.sheet.points)
    page.sheet.points["p2a"].click()
    assert list(page.case.taken) == [page.nodes["p2a"]]
    assert page.sheet.points["p2a"].description.split("\n")[1].endswith("V")
    drawn = {node for stage in [v for _, v in page.sheet.choice.options] for node in points_of(page, stage)}
    assert drawn == set(page.nodes), "every node of the hunt can be touched"


def points_of(page: HuntPage, stage: str) -> list[str]:
    page.sheet.choice.value = stage
    return list(page.sheet.points)


def test_a_fault_is_not_guessed_without_a_reading(page: HuntPage) -> None:
    page.buttons["commit"].click()
    assert page.result is None
    assert "Take a reading before" in page.faults.complaint.value
    page.buttons["take"].click()
    assert page.faults.complaint.value == ""
    page.buttons["commit"].click()
    page.buttons["commit"].click()
    assert page.result is not None


def test_readings_that_fit_two_faults_are_said_to(page: HuntPage) -> None:
    page._cases[0] = Case(0, [entry.words for entry in FAULTS].index("V2a dead"))
    page.take("DC volts at p2a")
    page.name("R8 open")
    assert "as well" in page.case.cleared[0]
    assert len(page.case.taken) == 2, "the reading that shows it is taken"


def test_the_last_hint_names_the_reading_that_tells_most(page: HuntPage) -> None:
    for _ in range(3):
        page.hint()
    assert page.case.told[-1] == f"Most useful reading now: {page.probes[next_best({})]}."


def test_other_amps_come_before_the_same_one_again() -> None:
    seen = [case_of(place, variant).hidden for variant in range(4) for place in range(CASES)]
    assert len(set(seen)) == len(seen)


def test_as_it_came(page: HuntPage) -> None:
    page.take(3)
    page.go(2)
    page.buttons["reset"].click()
    assert page.place == 0
    assert page.case.taken == {}
    assert page.result is None


def test_wrong_words_are_answered_with_near_ones(page: HuntPage) -> None:
    with pytest.raises(ChangeError, match="DC volts at B1"):
        page.take("DC volts at B11")
    page.take(0)
    with pytest.raises(ChangeError, match="R14 open"):
        page.name("R14 opne")
