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


PLACE = """
const box = arguments[0].getBoundingClientRect();
return [box.left + box.width / 2, box.top + box.height / 2];
"""


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
    folds = [each for each in opened.all(f"{PANEL} .jupyter-widget-Collapse-header") if each.is_displayed()]
    assert [each.text for each in folds if each.text not in words] == []
    is_open = lambda: bool(opened.all(f"{PANEL} .jupyter-widget-Collapse-open"))  # noqa: E731
    for wanted in (True, False) if folds else ():
        opened.firmly(lambda: opened.press(folds[0], Keys.ENTER))
        opened.until("Enter opens and shuts the fold", lambda wanted=wanted: is_open() is wanted)
    enabled = [each for each in opened.all(f"{PANEL} select") if each.is_displayed() and each.is_enabled()]
    assert len([each for each in met if each[0] == "SELECT"]) >= len(enabled)
    for _, name, style, width, _ in met:
        assert style == "solid", name
        assert width >= 2, name


def test_a_finger_moves_names_and_enlarges_what_is_on_the_figure(opened: Any) -> None:
    from tests.browser.page import BENCH, PICTURE, TABLET, Keys

    if not (handles := opened.all(".tubekit-handle")):
        return  # nothing on this figure is a setting
    driver = opened.driver
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    handle, picture = handles[0], opened.picture()
    words = handle.get_attribute("aria-valuetext")
    x, y = driver.execute_script(PLACE, handle)
    for kind, shift in (("touchStart", 0), ("touchMove", 9), ("touchMove", 18), ("touchMove", 26)):
        point = {"x": x + shift, "y": y + shift}
        driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
    driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    opened.until("the handle moved its setting", lambda: handle.get_attribute("aria-valuetext") != words)
    opened.until("the picture follows", lambda: opened.picture() != picture)
    moved = handle.get_attribute("aria-valuetext")
    opened.press(handle, Keys.ARROW_UP, Keys.ARROW_UP)  # down, the finger may have reached the end
    opened.until("the arrow keys move it", lambda: handle.get_attribute("aria-valuetext") != moved)
    opened.press(handle, "+")
    opened.until("plus enlarges", lambda: bool(opened.all(".tubekit-zoomed")))
    opened.press(handle, "0")
    opened.until("0 shows the whole", lambda: not opened.all(".tubekit-zoomed"))
    x, y = driver.execute_script(PLACE, handle)
    driver.execute_script("arguments[0].style.pointerEvents = 'none'", handle)
    driver.execute_cdp_cmd(
        "Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]}
    )
    driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    opened.until("a touch names the curve", lambda: opened.texts(".tubekit-said")[0] != "")
    driver.execute_script("arguments[0].style.pointerEvents = ''", handle)
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    image = opened.all(PICTURE)[0]
    assert image.get_attribute("alt")
    opened.size(*BENCH)
    opened.settle()
    opened.size(*TABLET, sharp=2)
    wide = "const i = arguments[0]; return i.naturalWidth / i.getBoundingClientRect().width"
    opened.until("the picture is as fine as the screen", lambda: driver.execute_script(wide, image) > 1.7)
    assert opened.console() == []
