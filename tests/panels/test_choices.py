"""What is offered: labels, types, stops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from tubekit.amp import Amp
from tubekit.panels.part_settings import hindrances, part_label, tube_options
from tubekit.panels.settings import PartValueSetting
from tubekit.panels.trial import History, Plan
from tubekit.units import SERIES


def test_a_part_is_named_by_designator_value_and_role(amp: Amp) -> None:
    assert part_label(amp, amp.parts["C14"]) == "C14  20 µF  reservoir"
    assert part_label(amp, amp.parts["V5"]) == "V5  5Y3GT  rectifier"


def test_only_the_same_kind_is_offered(amp: Amp) -> None:
    offered = [value for _, value in tube_options(amp.parts["V1"])]
    assert offered[0] == "12AX7"
    assert {"12AT7", "12AY7"} <= set(offered)
    assert not {"6V6GT", "5Y3GT", "1N4007"} & set(offered)


@pytest.mark.parametrize(
    ("drawn", "other", "words"),
    [
        ("5Y3GT", "5U4GB", "heater draws 3 A"),  # 2 A and 3 A: RCA receiving tube manual (from memory)
        ("5Y3GT", "6X4", "does not fit"),
        ("12AX7", "6SL7GT", "does not fit"),  # noval and octal
    ],
)
def test_what_hinders_is_said_in_words(drawn: str, other: str, words: str) -> None:
    assert any(words in each for each in hindrances(drawn, other))


@given(st.floats(1.0, 1e6), st.sampled_from(PartValueSetting.SERIES))
def test_stops_are_the_series_and_the_drawn_value(drawn: float, series: str) -> None:
    control = PartValueSetting("R1", "ohm", drawn, "ohms")
    control.series.value = series
    stops = control.stops
    assert drawn in stops
    assert np.all(np.diff(stops) > 0)
    mantissas = {round(float(v / 10.0 ** np.floor(np.log10(v) + 1e-12)), 6) for v in stops if v != drawn}
    assert mantissas <= set(SERIES[series])
    assert stops[0] >= drawn / 10.0 * (1 - 1e-9)
    assert stops[-1] <= drawn * 10.0 * (1 + 1e-9)
    assert stops[control.slider.value] == drawn


def test_what_is_done_after_undo_forgets_what_was_undone() -> None:
    history = History(Plan(117.0))
    for ohms in (1, 2, 3):
        history.push(Plan(117.0, {"R1": ohms}))
    history.undo()
    history.undo()
    history.push(Plan(117.0, {"R1": 9}))
    assert not history.can_redo
    assert dict(history.undo().changes) == {"R1": 1}
    assert dict(history.undo().changes) == {}
    assert dict(history.undo().changes) == {}


def test_a_gesture_taken_up_again_after_undo_is_a_step_of_its_own() -> None:
    history = History(Plan(117.0))
    history.push(Plan(117.0, {"R1": 1}), "R1 slider")
    history.undo()
    history.push(Plan(117.0, {"R1": 2}), "R1 slider")
    history.push(Plan(117.0, {"R1": 3}), "R1 slider")
    assert dict(history.undo().changes) == {}
    assert dict(history.redo().changes) == {"R1": 3}
