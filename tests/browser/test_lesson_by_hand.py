"""A lesson answered by hand: nothing of the answer is in the page before, all of it after, and it is kept."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.browser import moves
from tubekit.lessons import LESSONS

BOOK = "lessons/06-leaky-coupling.ipynb"
REASON = LESSONS["06"].question(0).work().reason[0]
WHY_FIXED = LESSONS["06"].question(2).work().reason[0]


@pytest.fixture(params=[BOOK])
def opened(page: Any) -> Any:
    """The lesson as the test before left it."""
    return page if page.name == BOOK else moves.opened_on_the_bench(page, BOOK)


def press(page: Any, words: str) -> None:
    """Press a button of the lesson with the Enter key."""
    from tests.browser.page import Keys

    button = next(
        each
        for each in page.all(".tubekit-lesson button")
        if each.is_displayed() and each.text.startswith(words)
    )
    page.press(button, Keys.ENTER)
    page.settle()


def seen(page: Any) -> str:
    """Every word in the page, and the page's source besides."""
    return str(page.driver.execute_script("return document.body.textContent")) + page.driver.page_source


def test_a_value_is_predicted_with_the_keyboard_alone(opened: Any) -> None:
    from tests.browser.page import Keys

    press(opened, "This is my prediction")
    assert "Move the slider or type a value first" in seen(opened)
    press(opened, "A hint")
    opened.press(opened.sliders()[0], *[Keys.PAGE_UP] * 5)
    opened.settle()
    assert REASON not in seen(opened)
    before = opened.picture()
    press(opened, "This is my prediction")
    assert REASON in seen(opened)
    assert opened.picture() != before
    assert opened.crossing() == []


def test_a_sentence_is_chosen(opened: Any) -> None:
    press(opened, "3")
    assert WHY_FIXED not in seen(opened)
    press(opened, "○ the one in fixed bias")
    press(opened, "This is my prediction")
    assert WHY_FIXED in seen(opened)
    assert "Correct." in seen(opened)
    assert opened.crossing() == []


def test_it_is_kept_beside_the_lesson_and_the_page_of_progress_tells_it(opened: Any) -> None:
    kept = json.loads(
        (opened.home / "notebooks" / "lessons" / "my-progress.json").read_text(encoding="utf-8")
    )
    assert kept["lessons"]["06"]["fixed"]["right"] == 1
    assert kept["lessons"]["06"]["grid_volts"]["hints"] == 1
    assert opened.console() == []
    opened.open("lessons/00-how-far-am-i.ipynb")
    opened.run_all()
    assert "2 of 6 answered, 1 right" in seen(opened)
