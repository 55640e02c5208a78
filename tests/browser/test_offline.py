"""With no network: nothing is fetched, nobody is called, and exported pages open by themselves."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
BOOK = "02-load-lines.ipynb"


def test_jupyterlab_asks_nobody_for_anything(page: Any) -> None:
    from tests.browser.page import turned_to

    page.open(BOOK)
    page.run_all()
    assert page.fetched() == []
    assert page.console() == []
    assert not [each for each in page.all(".Toastify__toast") if each.is_displayed()]
    assert turned_to(page.home / "lab") == []


def test_the_browser_under_test_finds_no_other_machine(page: Any) -> None:
    """Otherwise the tests that it fetches nothing would show nothing."""
    page.driver.get("about:blank")
    page.name = ""
    page.console()
    page.driver.execute_async_script(
        "const done = arguments[0];"
        "const image = new Image(); image.onerror = image.onload = () => done(0);"
        "image.src = 'https://tubekit.invalid/a.png'; document.body.append(image)"
    )
    assert any("ERR_NAME_NOT_RESOLVED" in each for each in page.console())
    assert page.fetched() == ["https://tubekit.invalid/a.png"]


def test_a_process_that_calls_home_is_noted(tmp_path: Path) -> None:
    from tests.browser.page import LISTENING, turned_to

    program = (
        "import socket\n"
        "for host in ('127.0.0.1', 'tubekit.invalid'):\n"
        "    try: socket.create_connection((host, 9), timeout=0.1)\n"
        "    except OSError: pass"
    )
    env = {**os.environ, "PYTHONPATH": str(LISTENING), "TUBEKIT_NOTES": str(tmp_path / "notes")}
    subprocess.run([sys.executable, "-c", program], env=env, check=True)
    assert turned_to(tmp_path) == ["socket.getaddrinfo tubekit.invalid -c"]


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every notebook as a page, as it was saved."""
    pytest.importorskip("nbconvert")
    from tubekit.pages.export import export

    folder = tmp_path_factory.mktemp("exported")
    root = ROOT / "notebooks"
    export(sorted(root.rglob("*.ipynb")), folder, root=root, run=False)
    return folder


def test_exported_pages_open_whole_and_their_links_hold(page: Any, exported: Path) -> None:
    page.driver.get((exported / "index.html").as_uri())
    names = [each.get_attribute("href") for each in page.all("li a")]
    assert len(names) == len(list((ROOT / "notebooks").rglob("*.ipynb")))
    for name in names:
        page.name = Path(name).name
        page.driver.get(name)
        broken = "return [...document.images].filter(each => !each.complete || !each.naturalWidth).length"
        assert page.driver.execute_script(broken) == 0
        assert page.all("img")
        wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.driver.execute_script(wide) <= 0, page.name
        for link in page.all("a[href^='file:']"):
            assert (exported / Path(link.get_attribute("pathname"))).exists()
    assert page.console() == []
    page.shoot("exported")
