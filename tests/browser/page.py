"""JupyterLab in a headless Chromium: open a notebook, run it, move what is on it, look at it."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException, TimeoutException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from tubekit.setup.lab import SETTINGS, SILENT

ROOT = Path(__file__).resolve().parents[2]
LISTENING = Path(__file__).with_name("listening")
SCREENSHOTS = ROOT / "screenshots"
BENCH, TABLET = (1366, 768), (820, 1180)
PATIENCE_S = 90.0
PANEL = ".tubekit-panel"
PICTURE = f"{PANEL} img.tubekit-picture, {PANEL} .tubekit-picture img"
KERNEL = "Python 3 (ipykernel)"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")

STILL = """
const [idle, seconds, done] = arguments, every = 0.05;
let since = performance.now();
(function look() {
  const items = [...document.querySelectorAll('.jp-StatusBar-TextItem')];
  const ready = items.some(each => each.textContent.includes(idle));
  if (!ready) since = performance.now();
  if (ready && performance.now() - since >= 1000 * seconds) done(true);
  else setTimeout(look, 1000 * every);
})();
"""
"""Asked of the page itself: asking from outside, ten times a second, costs more than what is waited for."""

CROSSING = """
const kinds = '.tubekit-panel :is(select, button, input[type=text], .noUi-target)';
const seen = [...document.querySelectorAll(kinds)]
  .filter(each => each.offsetParent);
const name = each => (each.title || each.textContent || each.className).trim().slice(0, 40);
const found = [];
seen.forEach((one, k) => { const a = one.getBoundingClientRect();
  seen.slice(0, k).forEach(other => { const b = other.getBoundingClientRect();
    if (a.left + 2 < b.right && b.left + 2 < a.right && a.top + 2 < b.bottom && b.top + 2 < a.bottom)
      found.push(`${name(one)} lies over ${name(other)}`); }); });
for (const each of document.querySelectorAll('.tubekit-panel .widget-html-content, .tubekit-panel'))
  if (each.offsetParent && each.scrollWidth > each.clientWidth + 1)
    found.push(`${name(each)} is ${each.scrollWidth - each.clientWidth} px too wide`);
return found;
"""

JUMPS = """
window.tubekitJumps = [];
new PerformanceObserver(list => list.getEntries().filter(each => !each.hadRecentInput).forEach(each =>
  each.sources.filter(one => Math.abs(one.currentRect.y - one.previousRect.y) > 2 && one.currentRect.height)
    .forEach(one => window.tubekitJumps.push([one.previousRect.y, one.currentRect.y]))
)).observe({type: 'layout-shift', buffered: true});
"""
"""Words that come and go in the middle of the window while it waits move sideways; that is no jump."""

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
    "--hide-scrollbars", "--force-device-scale-factor=1", "--force-prefers-reduced-motion",
    # No name but this machine is found: what a page fetches from elsewhere fails, and the console says so.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip


@contextlib.contextmanager
def jupyterlab(folder: Path, home: Path) -> Iterator[str]:
    """Address of a JupyterLab on `folder`, with a home of its own and tubekit's settings."""
    settings = home / "settings"
    settings.mkdir(parents=True)
    (settings / "overrides.json").write_text(json.dumps(SETTINGS), encoding="utf-8")
    port = free_port()
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}",
        "--ServerApp.port_retries=0", "--IdentityProvider.token=", "--ServerApp.disable_check_xsrf=True",
        f"--ServerApp.root_dir={folder}", f"--LabApp.app_settings_dir={settings}", *SILENT,
    ]  # fmt: skip
    with _running(command, folder, home) as log:
        address = f"http://127.0.0.1:{port}"
        _wait_for(f"{address}/api", log)
        yield address


@contextlib.contextmanager
def pages_without_code(folder: Path, home: Path) -> Iterator[tuple[str, str]]:
    """Address and key of `python3 -m tubekit page` on `folder`."""
    home.mkdir()
    port = free_port()
    command = [sys.executable, "-m", "tubekit", "page", str(folder), "--no-browser", "--port", str(port)]
    with _running(command, folder, home) as log:
        address = f"http://127.0.0.1:{port}"
        _wait_for(f"{address}/login", log)
        match = re.search(rf"{address}/\S*token=(\S+)", log.read_text())
        assert match, log.read_text()
        yield address, match[1]


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def _running(command: list[str], folder: Path, home: Path) -> Iterator[Path]:
    """A server with a home of its own; yields its log. Addresses it turns to are noted in `home`/notes."""
    env = {
        **os.environ, "HOME": str(home), "JUPYTER_PREFER_ENV_PATH": "1", "TUBEKIT_NO_SETUP": "1",
        "JUPYTER_CONFIG_DIR": str(home / "config"), "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_RUNTIME_DIR": str(home / "runtime"), "TUBEKIT_NOTES": str(home / "notes"),
        "IPYTHONDIR": str(home / "ipython"),
        "PYTHONPATH": os.pathsep.join(
            [str(ROOT), str(LISTENING), *filter(None, [os.environ.get("PYTHONPATH")])]
        ),
    }  # fmt: skip
    log = home / "server.log"
    with log.open("w") as file:
        server = subprocess.Popen(command, env=env, stdout=file, stderr=subprocess.STDOUT, cwd=folder)
        try:
            _SERVERS[log] = server
            yield log
        finally:
            del _SERVERS[log]
            server.terminate()
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.kill()


_SERVERS: dict[Path, subprocess.Popen[bytes]] = {}


def _wait_for(address: str, log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if _SERVERS[log].poll() is not None:
            raise RuntimeError(f"the server stopped:\n{log.read_text()[-2000:]}")
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address, timeout=1).close()
            return
        time.sleep(0.3)
    raise RuntimeError(f"the server does not answer:\n{log.read_text()[-2000:]}")


def turned_to(home: Path) -> list[str]:
    """Addresses outside this machine that a server with that home, or a kernel of it, turned to."""
    notes = home / "notes"
    return notes.read_text(encoding="utf-8").splitlines() if notes.exists() else []


@contextlib.contextmanager
def chromium(home: Path) -> Iterator[webdriver.Chrome]:
    """A browser with an empty profile under `home`."""
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--user-data-dir={home / 'profile'}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        yield driver
    finally:
        driver.quit()


class Page:
    """One notebook in the browser."""

    def __init__(self, driver: webdriver.Chrome, address: str) -> None:
        self.driver, self.address, self.name = driver, address, ""
        self.home = Path()  # of the server

    def size(self, wide: int, high: int, sharp: int = 1) -> None:
        """The window as a screen of that size shows it, `sharp` of its own pixels to one of the page."""
        shape = {"width": wide, "height": high, "deviceScaleFactor": sharp, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shape)

    def open(self, name: str) -> None:
        """Open a notebook as `python3 -m tubekit` does."""
        self.name = name
        self.driver.get("about:blank")
        self.console()
        self._end_kernels()
        self.driver.get(f"{self.address}/doc/tree/{name}")
        self.wait(".jp-Notebook .jp-Cell")
        # On a busy machine the page sometimes never hears from its kernel: as a hand would, load it again.
        # Run before it is ready, the page would ask which kernel.
        if not self._still(0.0, PATIENCE_S / 2):
            self.driver.refresh()
            self.wait(".jp-Notebook .jp-Cell")
            self.until("the kernel is ready", lambda: self._still(0.0))

    def _end_kernels(self) -> None:
        """End the kernels of notebooks opened before; each would keep its memory."""
        with urllib.request.urlopen(f"{self.address}/api/kernels") as answer:
            running = json.load(answer)
        for kernel in running:
            end = urllib.request.Request(f"{self.address}/api/kernels/{kernel['id']}", method="DELETE")
            with contextlib.suppress(OSError):
                urllib.request.urlopen(end).close()

    def _still(self, seconds: float, patience: float = PATIENCE_S) -> bool:
        """Whether the page comes to know its kernel, and that it has had nothing to do for as long."""
        self.driver.set_script_timeout(patience)
        try:
            return bool(self.driver.execute_async_script(STILL, f"{KERNEL} | Idle", seconds))
        except TimeoutException:
            return False

    def run_all(self, until_there_is: str = PANEL) -> None:
        """Run, then Run All Cells, from the menu as a hand does it."""
        self._menu("Run", "Run All Cells")
        self.until("every cell has run", lambda: self._still(2.0))
        self.driver.execute_script("document.querySelector('.jp-WindowedPanel-outer').scrollTop = 0")
        self.wait(until_there_is)

    def _menu(self, *words: str) -> None:
        for css, word in zip((".lm-MenuBar-itemLabel", ".lm-Menu-itemLabel"), words, strict=True):
            self.until(f"'{word}' is in the menu", lambda css=css, word=word: self._clicked(css, word))

    def _clicked(self, css: str, word: str) -> bool:
        for each in self.all(css):
            if each.text == word:
                each.click()
                return True
        return False

    def all(self, css: str) -> list[WebElement]:
        """Everything that matches."""
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def wait(self, css: str) -> WebElement:
        """The first element that matches, once there is one."""
        self.until(f"there is {css}", lambda: bool(self.all(css)))
        return self.all(css)[0]

    def until(self, what: str, happens: Any, patience: float = PATIENCE_S) -> None:
        """Wait until something is so; a picture is kept of what was there instead."""
        if not self.happens(happens, patience):
            self.shoot("failed")
            raise AssertionError(f"{self.name}: waited in vain until {what}")

    def happens(self, happens: Any, patience: float) -> bool:
        """Whether something comes to be so within `patience` seconds."""
        end = time.monotonic() + patience
        while time.monotonic() < end:
            with contextlib.suppress(StaleElementReferenceException):
                if happens():
                    return True
            time.sleep(0.2)
        return False

    def firmly(self, act: Any) -> Any:
        """What `act` gives, tried again where the page has just replaced what it took hold of."""
        for _ in range(10):
            with contextlib.suppress(StaleElementReferenceException):
                return act()
            time.sleep(0.2)
        return act()

    def shoot(self, name: str) -> Path:
        """Keep a screenshot."""
        SCREENSHOTS.mkdir(exist_ok=True)
        file = SCREENSHOTS / f"{Path(self.name).stem}-{name}.png"
        self.driver.save_screenshot(str(file))
        return file

    def show_panel(self, place: int = 0) -> None:
        """Scroll a panel to the top of the window."""
        script = "arguments[0].closest('.jp-OutputArea').scrollIntoView({block: 'start'})"
        self.driver.execute_script(script, self.all(PANEL)[place])
        time.sleep(0.5)

    def console(self) -> list[str]:
        """What was complained about in the browser's console since the last look."""
        text = self.driver.get_log("browser")
        return [
            each["message"] for each in text if each["level"] == "SEVERE" and not _not_ours(each["message"])
        ]

    def settle(self, patience: float = PATIENCE_S) -> None:
        """Wait until kernel and page have nothing more to do."""
        self.until("the kernel is idle", lambda: self._still(0.4, patience), patience)

    def fetched(self) -> list[str]:
        """What the page has fetched from anywhere but this machine."""
        names = self.driver.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
        own = (self.address, self.address.replace("http", "ws", 1), "data:", "blob:")
        return [name for name in names if not name.startswith(own)]

    # ---- controls, as a hand on the keyboard finds them

    def sliders(self) -> list[WebElement]:
        """Handles of the sliders that are seen and can be moved."""
        handles = self.all(f"{PANEL} .noUi-handle")
        return [each for each in handles if each.is_displayed() and not each.find_elements(
            By.XPATH, "ancestor::*[@disabled]")]  # fmt: skip

    def lists(self) -> list[WebElement]:
        """Drop-down lists that are seen and can be used."""
        return [each for each in self.all(f"{PANEL} select") if each.is_displayed() and each.is_enabled()]

    def label(self, control: WebElement) -> str:
        """What stands before a control."""
        words = self.driver.execute_script(
            "const box = arguments[0].closest('.widget-inline-hbox, .widget-hbox, .widget-dropdown');"
            "const label = box && box.querySelector('.widget-label'); return label ? label.textContent : ''",
            control,
        )
        return str(words)

    def press(self, control: WebElement, *keys: str) -> None:
        """Focus a control and press keys on it."""
        self.driver.execute_script("arguments[0].focus()", control)
        control.send_keys(*keys)

    def choose(self, box: WebElement, place: int) -> None:
        """Choose an entry of a list, as a hand does."""
        script = (
            "arguments[0].selectedIndex = arguments[1];"
            "arguments[0].dispatchEvent(new Event('change', {bubbles: true}))"
        )
        self.driver.execute_script(script, box, place)

    def picture(self, place: int = 0) -> str:
        """Address of what a panel's picture shows now."""
        self.until("there is a picture", lambda: len(self.all(PICTURE)) > place)
        return str(self.all(PICTURE)[place].get_attribute("src"))

    def numbers(self) -> dict[str, str]:
        """First column of a panel's tables to the second, as they are seen."""
        rows = self.driver.execute_script(
            f"return [...document.querySelectorAll('{PANEL} .tubekit-table tbody tr')]"
            ".map(row => [...row.children].slice(0, 2).map(cell => cell.textContent))"
        )
        return {row[0]: row[1] for row in rows if len(row) == 2}

    def texts(self, css: str) -> list[str]:
        """The words of everything that matches, as they stand in the page."""
        return [str(each.get_attribute("textContent")) for each in self.all(css)]

    def crossing(self) -> list[str]:
        """Controls that lie over each other, and words that run out of their column."""
        return list(self.driver.execute_script(CROSSING))

    def unlabelled(self) -> list[str]:
        """Controls of the panels that a screen reader would not name."""
        return list(
            self.driver.execute_script(
                f"""return [...document.querySelectorAll('{PANEL} select, {PANEL} input, {PANEL} button')]
                .filter(each => each.offsetParent && !(each.textContent.trim() && each.tagName == 'BUTTON')
                    && !each.title && !each.getAttribute('aria-label') && !(each.labels && each.labels.length)
                    && !(each.closest('[title]'))).map(each => each.outerHTML.slice(0, 120))"""
            )
        )


class Sheet(Page):
    """One notebook as a page without code."""

    def __init__(self, driver: webdriver.Chrome, address: str, key: str) -> None:
        super().__init__(driver, address)
        self.key = key
        self.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": JUMPS})
        self.driver.get(f"{address}/?token={key}")

    def jumps(self) -> list[Any]:
        """What has moved up or down on the screen without a hand since the page was opened: from, to [px]."""
        return list(self.driver.execute_script("return window.tubekitJumps"))

    def undescribed(self) -> list[str]:
        """Pictures that a screen reader says nothing about."""
        script = (
            "return [...document.images].filter(each => each.offsetParent && !each.alt).map(each => each.src)"
        )
        return [str(each)[:80] for each in self.driver.execute_script(script)]

    def open(self, name: str) -> None:
        """Open a page and wait until its panel stands there and the rest has come."""
        self.name = name
        self.driver.get("about:blank")
        self.console()
        self.driver.get(f"{self.address}/voila/render/{name}")
        self.wait(PICTURE)
        self.until("every step is done", lambda: not self.all(".voila-skeleton-container"))
        self.settle()

    def settle(self, patience: float = PATIENCE_S) -> None:
        """Wait until what is seen stays as it is."""
        self.until("the page keeps still", self._keeps_still, patience)

    def _keeps_still(self) -> bool:
        before = self.picture(), self.numbers()
        time.sleep(0.7)
        return before == (self.picture(), self.numbers())

    def show_panel(self, place: int = 0) -> None:
        """Scroll a panel to the top of the window."""
        script = "arguments[0].closest('.tubekit-panel').scrollIntoView({block: 'start'})"
        self.driver.execute_script(script, self.all(PICTURE)[place])
        time.sleep(0.3)


def _not_ours(message: str) -> bool:
    """What JupyterLab itself says in the console whatever is opened."""
    return any(word in message for word in ("favicon", "/api/contents/.virtual", "workspaces"))


__all__ = [
    "BENCH", "TABLET", "Keys", "Page", "Sheet", "chromium", "jupyterlab", "pages_without_code", "turned_to",
]  # fmt: skip
