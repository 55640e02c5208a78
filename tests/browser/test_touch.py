"""For a finger on the tablet and for the keyboard: what is touched is large, and where one is can be seen."""

from __future__ import annotations

from typing import Any

import pytest

BOOKS = ("01-part-swap.ipynb", "02-load-lines.ipynb", "03-cathode-bias.ipynb", "04-power-supply.ipynb",
         "05-tone.ipynb", "06-hum.ipynb", "09-substitutes.ipynb")  # fmt: skip
LEAST_PX = 40

SMALL = """
const [panel, least] = arguments, found = [];
const name = each => (each.title || each.textContent || each.className).trim().slice(0, 40);
for (const each of document.querySelectorAll(`${panel} :is(select, button, input[type=text])`)) {
  const box = each.getBoundingClientRect();
  if (each.offsetParent && (box.height < least || box.width < least))
    found.push(`${name(each)}: ${Math.round(box.width)} x ${Math.round(box.height)} px`);
}
return found;
"""
MISSED = """
const [handle, least] = arguments;
handle.scrollIntoView({block: 'center'});
const box = handle.getBoundingClientRect(), far = least / 2 - 1;
const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
return [[0, 0], [-far, 0], [far, 0], [0, -far], [0, far]].filter(([dx, dy]) => {
  const hit = document.elementFromPoint(x + dx, y + dy); return !(hit && handle.contains(hit)); }).length;
"""
FOCUSED = """
const each = document.activeElement, style = getComputedStyle(each);
return each.closest('.tubekit-panel')
  ? [each.tagName, each.textContent.trim() || each.title || each.className, style.outlineStyle,
     parseFloat(style.outlineWidth), each.getBoundingClientRect().top]
  : null;
"""


pytestmark = [pytest.mark.parametrize("opened", BOOKS, indirect=True), pytest.mark.usefixtures("tablet")]


@pytest.fixture
def tablet(opened: Any) -> None:
    """The notebook at a tablet's size."""
    from tests.browser.page import TABLET

    opened.size(*TABLET)
    opened.settle()
    opened.show_panel()


def test_what_is_touched_is_large(opened: Any) -> None:
    from tests.browser.page import PANEL

    assert opened.driver.execute_script(SMALL, PANEL, LEAST_PX) == []
    for handle in opened.sliders():
        assert opened.driver.execute_script(MISSED, handle, LEAST_PX) == 0, opened.label(handle)


def test_the_keyboard_goes_through_the_panel_and_is_seen(opened: Any) -> None:
    from tests.browser.page import PANEL, Keys

    first = next(each for each in opened.all(f"{PANEL} button") if each.is_enabled())
    opened.driver.execute_script("arguments[0].focus({focusVisible: true})", first)
    met = []
    for _ in range(60):
        focused = opened.driver.execute_script(FOCUSED)
        if focused is None:
            break
        met.append(focused)
        opened.driver.switch_to.active_element.send_keys(Keys.TAB)
    words = [each[1] for each in met]
    in_order = [each for each in words if each in ("Reset", "Rescale", "Save picture")]
    assert in_order == ["Reset", "Rescale", "Save picture"]
    enabled = [each for each in opened.all(f"{PANEL} select") if each.is_displayed() and each.is_enabled()]
    assert len([each for each in met if each[0] == "SELECT"]) >= len(enabled)
    for _, name, style, width, _ in met:
        assert style == "solid", name
        assert width >= 2, name
