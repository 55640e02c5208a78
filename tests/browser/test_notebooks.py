"""Every notebook in a real browser: it runs, every control goes to both ends and back, nothing complains.

Screenshots are kept in `screenshots/`, which git ignores.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("", "lessons/")
BOOKS = [
    folder + path.name for folder in FOLDERS for path in sorted((ROOT / "notebooks" / folder).glob("*.ipynb"))
]
LISTS_MOVED = 6


@pytest.fixture(scope="module", params=BOOKS)
def opened(page: Any, request: pytest.FixtureRequest) -> Any:
    """A notebook, opened at the bench's screen size and run from top to bottom."""
    from tests.browser.page import BENCH

    page.size(*BENCH)
    page.open(request.param)
    page.run_all()
    page.show_panel()
    return page


def test_it_opens_runs_and_looks_the_same_on_a_tablet(opened: Any) -> None:
    from tests.browser.page import BENCH, TABLET

    opened.shoot("bench")
    assert opened.crossing() == []
    assert not opened.all(".jp-OutputArea-output[data-mime-type='application/vnd.jupyter.stderr']")
    opened.size(*TABLET)
    opened.settle()
    opened.show_panel()
    opened.shoot("tablet")
    assert opened.crossing() == []
    opened.size(*BENCH)
    opened.settle()
    assert opened.console() == []


def test_every_control_has_a_name_and_takes_the_keyboard(opened: Any) -> None:
    assert opened.unlabelled() == []
    for handle in opened.sliders():
        assert handle.get_attribute("tabindex") == "0"
        assert opened.label(handle)
        opened.driver.execute_script("arguments[0].focus()", handle)
        assert opened.driver.switch_to.active_element == handle


def test_every_slider_goes_to_both_ends_and_back(opened: Any) -> None:
    from tests.browser.page import Keys

    for place in range(len(opened.sliders())):
        if place >= len(opened.sliders()):  # a slider that does nothing in this setting has left
            break
        handle = opened.sliders()[place]
        name, before = opened.label(handle), opened.picture()
        seen = set()
        for key in (Keys.HOME, Keys.END):
            opened.press(handle, key)
            opened.settle()
            seen.add(opened.picture())
        assert len(seen | {before}) > 1, f"{name}: the picture stays as it was"
        _as_it_came(opened)
    assert opened.console() == []


def test_every_list_is_taken_through_its_choices(opened: Any) -> None:
    for place in range(len(opened.lists())):
        if place >= len(opened.lists()):
            break
        count = len(opened.lists()[place].find_elements("css selector", "option"))
        for option in range(min(count, LISTS_MOVED)):
            if place < len(opened.lists()):
                opened.choose(opened.lists()[place], option)
                opened.settle()
        _as_it_came(opened)
    assert opened.console() == []
    assert not opened.all(".tubekit-stale")


def _as_it_came(page: Any) -> None:
    """Press the button that takes everything back."""
    button = next(each for each in page.all(".tubekit-panel button") if each.text == "As it came")
    page.driver.execute_script("arguments[0].click()", button)
    page.settle()
