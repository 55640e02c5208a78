"""The page of a lesson: its sliders, fields and buttons, and what it says of a wrong entry."""

from __future__ import annotations

import html

import numpy as np
import pytest

from tubekit.errors import ChangeError, InputError, UnitError
from tubekit.lessons import LESSONS, Store, on_paper
from tubekit.lessons.question import Handle
from tubekit.lessons.score import Within, distance
from tubekit.panels import LessonPage, lesson, lesson_picture


def test_as_it_came() -> None:
    page = lesson(1, progress=None)
    page.predict({"current": "70 mA"})
    page.other_numbers()
    page.go(3)
    page.hint()
    page.buttons["reset"].click()
    assert (page.place, page.variant, page.result) == (0, 0, None)
    assert page.knobs["current"].entry.value == ""
    page.go(3)
    assert "tubekit-hints" not in page.told.value


def test_hints_come_one_after_another() -> None:
    page = lesson(1, progress=None)
    shown = []
    for _ in range(len(page.question.hints) + 1):
        page.buttons["hint"].click()
        shown.append(page.told.value.count("<li>"))
    assert shown == [1, 2, 3, 3]
    assert page.buttons["hint"].disabled


def test_sliders_typed_values_and_buttons_reach_it() -> None:
    page = lesson(1, progress=None)
    page.knobs["current"].entry.value = "81 mA"
    assert page.knobs["current"].slider.value == int(
        np.abs(np.log(page.knobs["current"].stops / 0.081)).argmin()
    )
    page.buttons["commit"].click()
    assert page.result.right
    assert page.knobs["current"].slider.disabled
    page.buttons["forward"].click()
    assert page.place == 1
    page.knobs["heat"].slider.value = 30
    assert page.knobs["heat"].entry.value == "3.00 W"
    page.steps[2].click()
    assert page.options is not None
    page.options.buttons["both"].click()
    assert page.options.buttons["both"].description.startswith("●")
    page.buttons["commit"].click()
    assert page.result.right
    assert "correct" in page.options.buttons["both"].description


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("many", "is not a current"),
        ("80", "outside the scale"),
        ("80 V", "is not a current"),
        ("8O mA", "not a current"),
    ],
)
def test_what_cannot_be_read_is_said_beside_the_field(typed: str, said: str) -> None:
    page = lesson(1, progress=None)
    page.knobs["current"].entry.value = typed
    assert said in html.unescape(page.knobs["current"].complaint.value)
    assert not page.result
    with pytest.raises(UnitError):
        page.guess(current=typed)
    page.knobs["current"].entry.value = "80 mA"
    assert page.knobs["current"].complaint.value == ""


def test_an_answered_question_stands() -> None:
    page = lesson(1, progress=None)
    page.predict({"current": 0.08})
    with pytest.raises(ChangeError, match="answered"):
        page.guess(current=0.09)
    page.knobs["current"].slider.value = 0
    assert page.result.marks[0].guess == 0.08


def test_wrong_calls_say_what_there_is() -> None:
    page = lesson(1, progress=None)
    with pytest.raises(ChangeError, match="asks for a value"):
        page.choose("both")
    with pytest.raises(ChangeError, match="Near: current"):
        page.guess(curent=0.1)
    page.go(2)
    with pytest.raises(ChangeError, match="asks for a choice"):
        page.guess(current=0.1)
    with pytest.raises(InputError, match="no lesson"):
        lesson(99, progress=None)


def test_how_far_off_is_told_in_words() -> None:
    near = Within(10)
    assert distance(95.0, 100.0, "V", near) == "5 % too low"
    assert distance(250.0, 100.0, "V", near) == "2.5 times too high"
    assert distance(0.1, 100.0, "V", near) == "about 1000 times too low: mixed up milli and kilo?"
    assert distance(-20.0, -11.75, "dB", Within(absolute=3)) == "8.2 dB too low"
    assert not Within(factor=2).holds(2.1, 1.0)
    assert Within(factor=2).holds(0.51, 1.0)


def test_a_lesson_on_paper_has_every_question_and_no_answer() -> None:
    for number, each in LESSONS.items():
        table = on_paper(number)
        assert len(table.rows) == len(each)
        assert lesson_picture(number).words.startswith("Blank")


def test_handles_step_evenly_and_reach_both_ends() -> None:
    even = Handle("x", "x", "V", 0.0, 10.0, Within(5), step=0.5)
    assert (even.stops()[0], even.stops()[-1], len(even.stops())) == (0.0, 10.0, 21)
    log = Handle("x", "x", "V", 1e-3, 1.0, Within(5))
    assert log.stops()[0] == pytest.approx(1e-3)
    assert log.stops()[-1] == pytest.approx(1.0)


def test_a_store_that_keeps_nothing_writes_nothing(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    page = LessonPage(LESSONS["01"], Store(None))
    page.predict({"current": 0.08})
    assert list(tmp_path.iterdir()) == []
