"""What every panel in the browser must stand: a look at it, names for its controls, moves to both ends."""

from __future__ import annotations

from typing import Any

LISTS_MOVED = 2
"""Choices of a list that are taken; the rest differ in the value only."""


def opened_on_the_bench(page: Any, name: str) -> Any:
    """A notebook at the bench's screen size, run from top to bottom."""
    from tests.browser.page import BENCH

    page.size(*BENCH)
    page.open(name)
    page.run_all()
    page.show_panel()
    return page


def reset_on_the_bench(page: Any) -> None:
    """The notebook that is open, at the bench's screen size and as it came."""
    from tests.browser.page import BENCH

    page.size(*BENCH)
    as_it_came(page)
    page.show_panel()


def looks_right(page: Any) -> None:
    """Nothing lies over anything, on the bench and on a tablet; nobody complains."""
    from tests.browser.page import BENCH, TABLET

    page.shoot("bench")
    assert page.crossing() == []
    assert not page.all(".jp-OutputArea-output[data-mime-type='application/vnd.jupyter.stderr']")
    page.size(*TABLET)
    page.settle()
    page.show_panel()
    page.shoot("tablet")
    assert page.crossing() == []
    page.size(*BENCH)
    page.settle()
    assert page.console() == []


def has_names(page: Any) -> None:
    """A screen reader names every control, and every slider takes the keyboard."""
    assert page.unlabelled() == []
    for handle in page.sliders():
        assert handle.get_attribute("tabindex") == "0"
        assert page.label(handle)
        page.driver.execute_script("arguments[0].focus()", handle)
        assert page.driver.switch_to.active_element == handle


def sliders_reach_both_ends(page: Any) -> None:
    """Each slider to both ends and back; the picture follows."""
    from tests.browser.page import Keys

    for place in range(len(page.sliders())):
        if place >= len(page.sliders()):  # a slider that does nothing in this setting has left
            break
        name, before = page.firmly(lambda k=place: page.label(page.sliders()[k])), page.picture()
        seen = set()
        for key in (Keys.HOME, Keys.END):
            page.firmly(lambda k=place, key=key: page.press(page.sliders()[k], key))
            page.settle()
            seen.add(page.picture())
        if seen == {before}:  # words that are worked out while the hand rests held the move back
            page.until(f"the picture follows {name}", lambda was=before: page.picture() != was, 20.0)
        as_it_came(page)
    assert page.console() == []


def lists_can_be_chosen_from(page: Any, most: int = LISTS_MOVED) -> None:
    """Each list through its choices; at the end there is an answer.

    Where lists are not as they came (an amp without what a page is about), the next test opens it again.
    """
    first_chosen = page.firmly(lambda: _choices(page))
    for place in range(len(page.lists())):
        if place >= len(page.lists()):
            break
        count = page.firmly(lambda k=place: len(page.lists()[k].find_elements("css selector", "option")))
        first = page.firmly(lambda k=place: int(page.lists()[k].get_property("selectedIndex")))
        others = [option for option in range(min(count, most)) if option != first]
        for option in (*others, first):  # another amp stays after a reset
            page.firmly(lambda k=place, option=option: _chosen(page, k, option))
            page.settle()
        as_it_came(page)
    assert page.console() == []
    assert not page.all(".tubekit-stale")
    if page.firmly(lambda: _choices(page)) != first_chosen:
        page.name = ""


def _choices(page: Any) -> list[str]:
    """What each list has chosen."""
    return [str(each.get_property("value")) for each in page.lists()]


def as_it_came(page: Any) -> None:
    """Press the button that takes everything back, where there is one."""
    page.firmly(lambda: _pressed(page, "Reset"))
    page.settle()


def _chosen(page: Any, place: int, option: int) -> None:
    """Choose an entry of a list, if the list is still there."""
    if place < len(lists := page.lists()):
        page.choose(lists[place], option)


def _pressed(page: Any, words: str) -> None:
    for button in page.all(".tubekit-panel button"):
        if button.text == words:
            page.driver.execute_script("arguments[0].click()", button)
            return
