"""The notebooks as pages without code: the tablet at the bench, with no network."""

from __future__ import annotations

import shutil
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tubekit import load_amp, swap
from tubekit.analyses.loadline import load_line
from tubekit.panels.load_line_panel import tables
from tubekit.panels.report_html import SAYS

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def sheet(home: Path, browser: Any) -> Iterator[Any]:
    """The browser at the size of a tablet on `python3 -m tubekit page`."""
    pytest.importorskip("voila")
    from tests.browser.page import TABLET, Sheet, pages_without_code

    shutil.copytree(ROOT / "notebooks", home / "notebooks")
    with pages_without_code(home / "notebooks", home / "server") as (address, key):
        sheet = Sheet(browser, address, key)
        sheet.size(*TABLET)
        yield sheet
        browser.get("about:blank")


def test_the_front_page_leads_to_a_page(sheet: Any) -> None:
    sheet.name = "front"
    sheet.driver.get(sheet.address)
    questions = [link.text for link in sheet.all("li a")]
    assert "What will this swap do?" in questions
    assert len(questions) == len(list((ROOT / "notebooks").rglob("*.ipynb")))
    sheet.shoot("tablet")
    assert sheet.fetched() == []
    next(each for each in sheet.all("li a") if each.text.startswith("Which load")).click()
    sheet.wait(".tubekit-panel")
    assert sheet.all(".tubekit-pages a")[0].text == "All pages"
    assert sheet.driver.title == "Which load and which bias suit this tube?"


def test_nothing_jumps_while_the_start_page_gets_ready(sheet: Any) -> None:
    """Its tiles moved up by 75 px when the placeholder below their words went."""
    sheet.open("00-start-here.ipynb")
    assert sheet.jumps() == []
    assert sheet.undescribed() == []


def test_load_line(sheet: Any) -> None:
    from tests.browser.page import Keys

    sheet.open("02-load-lines.ipynb")
    handle = next(each for each in sheet.sliders() if sheet.label(each) == "grid (V)")
    before = sheet.picture()
    for _ in range(5):
        sheet.press(handle, Keys.ARROW_LEFT)
    wanted = load_line("6V6GT", plate=250, screen=250, grid=-13.0, load=5000)
    (table,) = tables(wanted, wanted)
    numbers = {row[0]: row[1] for row in table.cells()}
    sheet.until("the numbers are those of the package", lambda: sheet.numbers() == numbers, 20.0)
    assert sheet.picture() != before
    _nothing_amiss(sheet)


def test_part_swap(sheet: Any) -> None:
    from tests.browser.page import Keys

    sheet.open("01-part-swap.ipynb")
    for _ in range(4):
        sheet.press(next(each for each in sheet.sliders() if "line" in sheet.label(each)), Keys.ARROW_RIGHT)
    wanted = swap(load_amp("teasel").changed({}, mains_rms=119.0), {})
    lines = [wanted.headline(), *(f"{SAYS[each.weight]} {each.text}" for each in wanted.verdict)]
    css = ".tubekit-panel .tubekit-headline, .tubekit-panel .tubekit-findings li"
    sheet.until("the verdict is that of the package", lambda: sheet.texts(css) == lines, 20.0)
    _nothing_amiss(sheet)


def _nothing_amiss(sheet: Any) -> None:
    """What holds of every page."""
    words = sheet.driver.execute_script("return document.body.innerText")
    assert "can kill" in words
    assert not [each for each in ("Run All Cells", "import ", "stopped here") if each in words]
    assert sheet.crossing() == []
    assert sheet.unlabelled() == []
    assert sheet.undescribed() == []
    sheet.show_panel()
    sheet.shoot("page")
    assert sheet.console() == []
    assert sheet.fetched() == []


def test_a_lost_connection_is_said_and_comes_back(sheet: Any) -> None:
    from tests.browser.page import Keys

    if sheet.name != "01-part-swap.ipynb":
        sheet.open("01-part-swap.ipynb")
    assert sheet.texts(".tubekit-link") == []
    heard = """
        window.heard = [];
        new MutationObserver(() => window.heard.push(document.querySelector(".tubekit-link").textContent))
          .observe(document.body, {childList: true, subtree: true});
        return window.tubekit_links.size"""
    assert sheet.driver.execute_script(heard) >= 1
    sheet.driver.execute_script("window.tubekit_links.forEach(link => link.close())")
    text = lambda: " ".join(dict.fromkeys(sheet.driver.execute_script("return window.heard")))  # noqa: E731
    sheet.until("the loss and the return are said", lambda: "again." in text())
    assert text().startswith("Connection to the server lost")
    before = sheet.picture()
    sheet.press(next(each for each in sheet.sliders() if "line" in sheet.label(each)), Keys.ARROW_LEFT)
    sheet.until("the panel answers again", lambda: sheet.picture() != before)


def test_a_page_that_the_server_ended_says_so_and_reloads(sheet: Any) -> None:
    if sheet.name != "01-part-swap.ipynb":
        sheet.open("01-part-swap.ipynb")
    (kernel,) = sheet.driver.execute_script(
        "return [...new Set([...window.tubekit_links].map(each => each.url.match(/kernels.([^/]+)/)[1]))]"
    )
    end = urllib.request.Request(f"{sheet.address}/api/kernels/{kernel}", method="DELETE")
    end.add_header("Authorization", f"token {sheet.key}")
    urllib.request.urlopen(end).close()
    ended = lambda: " ".join(sheet.texts(".tubekit-link"))  # noqa: E731
    sheet.until("the page says that it was closed", lambda: "The server closed this page" in ended())
    assert "did not save is lost" in ended()
    sheet.shoot("closed")
    sheet.console()  # of the kernel that is asked for in vain
    sheet.all(".tubekit-link button")[0].click()
    sheet.until(
        "it starts over", lambda: not sheet.all(".tubekit-link") and bool(sheet.all(".tubekit-panel"))
    )


def test_nothing_but_this_machine_is_turned_to(sheet: Any, home: Path) -> None:
    from tests.browser.page import turned_to

    if sheet.name != "01-part-swap.ipynb":  # it has no page open yet
        sheet.open("01-part-swap.ipynb")
    assert turned_to(home / "server") == []
