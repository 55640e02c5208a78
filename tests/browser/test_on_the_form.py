"""The form in a real browser: typed from the keyboard, box by box, with a slip in it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

pytestmark = pytest.mark.parametrize("opened", ["00-start-here.ipynb"], indirect=True)


@pytest.fixture
def form(opened: Any) -> Iterator[Any]:
    """The first notebook with the form on the screen."""
    page = opened
    page.wait(".tubekit-form")
    page.driver.execute_script(
        "document.querySelector('.tubekit-form').closest('.jp-OutputArea').scrollIntoView({block: 'start'})"
    )
    page.settle()
    yield page
    page.name = ""  # what was typed stays after a reset


def press(page: Any, words: str) -> None:
    button = next(each for each in page.all(".tubekit-panel button") if each.text.startswith(words))
    page.driver.execute_script("arguments[0].click()", button)
    page.settle()
    time.sleep(0.5)  # the boxes of a new part are drawn once the kernel has rested


def rows(page: Any) -> list[str]:
    return [each.text for each in page.all(".tubekit-rows button")]


def test_a_part_is_typed_box_by_box_and_its_slip_stays_until_it_is_mended(form: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    from tests.browser.page import Keys

    press(form, "Add")
    for words in ("4X7", "B1", "ground", "0.5 W"):  # the cursor is in the first box already
        ActionChains(form.driver).send_keys(words, Keys.TAB).perform()
        form.settle()  # on a busy machine a complaint is drawn while the next box is typed
    assert len(rows(form)) == 1
    assert "4X7" in rows(form)[0]
    assert "is not a resistance" in rows(form)[0]
    wrong = form.all(".tubekit-form .tubekit-wrong input")
    assert [each.get_property("value") for each in wrong] == ["4X7"]
    form.driver.execute_script("arguments[0].focus(); arguments[0].select()", wrong[0])
    wrong[0].send_keys("4K7", Keys.TAB)
    form.settle()
    assert not form.all(".tubekit-form .tubekit-wrong")
    assert "R1 · 4K7 · B1 – ground" in rows(form)[0]
    press(form, "Undo")
    assert "4X7" in rows(form)[0]
    assert form.crossing() == []
    assert form.unlabelled() == []
    assert form.console() == []
