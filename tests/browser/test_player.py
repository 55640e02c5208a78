"""The note in the browser: calculated, heard, switched at the same place, by button and by key."""

from __future__ import annotations

from typing import Any

import pytest

pytestmark = pytest.mark.parametrize("opened", ["12-listen.ipynb"], indirect=True)
PRESSED = ".tubekit-player button[aria-pressed='true']"


def test_a_note_is_heard_before_and_after_at_the_same_place(opened: Any) -> None:
    from tests.browser.page import Keys

    page = opened
    for name in ("seconds", "emission"):
        page.press(next(each for each in page.sliders() if page.label(each) == name), Keys.HOME)
        page.settle()
    page.driver.execute_script("arguments[0].click()", named(page, "Play through amp"))
    page.until("both can be heard", lambda: len(page.all(".tubekit-player [aria-pressed]")) == 2)
    assert page.all(PRESSED)[0].text == "after (B)"
    page.shoot("heard")
    play, place = page.all(".tubekit-player button")[0], page.all(".tubekit-player input")[0]
    page.driver.execute_script("arguments[0].focus()", play)
    place_of = lambda: float(place.get_property("value"))  # noqa: E731
    play.send_keys(" ")
    page.until("the note goes on", lambda: place_of() > 0.0)
    play.send_keys("a")
    page.until("the other is heard", lambda: page.all(PRESSED)[0].text == "before (A)")
    play.send_keys(" ")
    stays = place_of()
    play.send_keys("b")
    page.until("the first is heard again", lambda: page.all(PRESSED)[0].text == "after (B)")
    assert place_of() == stays
    cells = [each.text for each in page.all(".tubekit-player td")]
    assert cells
    assert all(cells)
    assert page.console() == []


def named(page: Any, words: str) -> Any:
    """The button that says so."""
    return next(each for each in page.all(".tubekit-panel button") if each.text == words)
