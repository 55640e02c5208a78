"""A hand on the job panel in the browser: real keys and clicks, each waited for."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from tubekit.jobs import open_job
from tubekit.panels.job_panel import PAUSE_S

BOX = """
const [label] = arguments;
return [...document.querySelectorAll('.tubekit-panel .widget-inline-hbox')].find(each => each.offsetParent
  && each.querySelector('.widget-label')?.textContent === label)?.querySelector('input, select') ?? null;
"""
BUTTON = """
const [words] = arguments;
return [...document.querySelectorAll('.tubekit-panel button')].find(each => each.offsetParent
  && each.textContent.trim().endsWith(words)) ?? null;
"""
FRESH_S = PAUSE_S + 0.3
"""A step is shown for so long before it is answered: nobody reads a meter faster."""


class BrowserHand:
    """A hand on a panel of a page, and the folder of the job it makes."""

    def __init__(self, page: Any, folder: Path) -> None:
        self.page, self.folder = page, folder

    def choose(self, label: str, words: str) -> None:
        """Choose what begins with these words from a list."""
        self.page.until(f"'{words}' is chosen as {label}", lambda: self._chosen(label, words), 30.0)

    def _chosen(self, label: str, words: str) -> bool:
        box = self._box(label)
        if box is None:
            return False
        if not str(box.get_property("selectedOptions")[0].text).startswith(words):
            names = [str(each.text) for each in box.find_elements("css selector", "option")]
            place = next((k for k, each in enumerate(names) if each.startswith(words)), None)
            if place is None:
                return False
            self.page.choose(box, place)
            self.page.settle()
            return False
        return True

    def fill(self, label: str, text: str) -> None:
        """Replace the text in a box."""
        self.page.until(f"there is a box for {label}", lambda: self._box(label) is not None, 30.0)
        box = self._box(label)
        if box.get_property("value") != text:
            box.send_keys(Keys.CONTROL + "a", Keys.NULL, Keys.DELETE, text, Keys.TAB)

    def press(self, words: str) -> None:
        """Click a button; wait until the panel has answered."""
        self.page.until(f"there is a button {words}", lambda: self._button(words) is not None, 30.0)
        button = self._button(words)
        self.page.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        ActionChains(self.page.driver).move_to_element(button).click().perform()
        self._answered()

    def read(self, text: str) -> None:
        """Type into the number box of a step, then Enter."""
        before = self._last()
        box = self.page.wait(".tubekit-reads input")
        box.send_keys(text, Keys.ENTER)
        self.page.until(f"{text} is entered", lambda: self._last() > before, 60.0)
        self._answered()

    def _answered(self) -> None:
        self.page.settle()
        time.sleep(FRESH_S)

    def _last(self) -> int:
        return int(open_job(self.folder).last)

    def _box(self, label: str) -> Any:
        return self.page.driver.execute_script(BOX, label)

    def _button(self, words: str) -> Any:
        return self.page.driver.execute_script(BUTTON, words)
