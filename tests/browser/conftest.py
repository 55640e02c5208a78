"""The browser tests need selenium, Debian's chromium and chromium-driver; without them they are skipped."""

from __future__ import annotations

import importlib.util
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = importlib.util.find_spec("selenium") is not None
# Doctests import every module they find.
collect_ignore = ["listening"] if HERE else ["drag.py", "job_hand.py", "listening", "page.py", "repaint.py"]


def missing() -> str:
    """What the tests lack, in words; '' where nothing is missing."""
    if not HERE:
        return "selenium is not installed: pip install selenium"
    from tests.browser.page import CHROMIUM, DRIVER

    if not (CHROMIUM and DRIVER):
        return "no browser: apt install chromium chromium-driver"
    return ""


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser with nothing open."""
    if words := missing():
        pytest.skip(words)
    from tests.browser.page import chromium

    with chromium(tmp_path_factory.mktemp("browser") / "chromium") as driver:
        yield driver


@pytest.fixture(scope="session")
def page(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The browser on a JupyterLab with a copy of the notebooks."""
    from tests.browser.page import ROOT, Page, jupyterlab

    home: Path = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "notebooks", home / "notebooks")
    _panels_only(home / "notebooks")
    with jupyterlab(home / "notebooks", home / "lab") as address:
        page = Page(browser, address)
        page.home = home
        yield page


WHOLE = "02-load-lines.ipynb"
"""This one is run in the browser with all its cells."""
EVERY_LESSON = "lessons/every-lesson.ipynb"
"""The panels of all lessons in one notebook: one kernel and one page of JupyterLab instead of eleven."""


def _panels_only(folder: Path) -> None:
    """Leave out the cells under the panels, which nbval runs and compares; lay all lessons on one page."""
    lessons = ["from IPython.display import display"]
    for path in sorted(folder.rglob("*.ipynb")):
        book = json.loads(path.read_text(encoding="utf-8"))
        shown = [
            k
            for k, each in enumerate(book["cells"])
            if "nbval-ignore-output" in each["metadata"].get("tags", ())
        ]
        if path.parent.name == "lessons":
            lessons += [f"{''.join(book['cells'][k]['source'])}\ndisplay(panel)" for k in shown]
        if shown and path.name != WHOLE:
            book["cells"] = book["cells"][: shown[-1] + 1]
            path.write_text(json.dumps(book), encoding="utf-8")
    cell = {"cell_type": "code", "execution_count": None, "metadata": {}, "outputs": []}
    every = {**book, "cells": [{**cell, "id": "every", "source": "\n".join(lessons)}]}
    (folder / EVERY_LESSON).write_text(json.dumps(every), encoding="utf-8")


@pytest.fixture
def opened(page: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A notebook at the bench's screen size, run from top to bottom; as the test before left it, but reset.

    A test that fails, or leaves what Reset does not take back, forgets its name: the next opens it again.
    """
    from tests.browser import moves

    if page.name == request.param:
        moves.reset_on_the_bench(page)
    else:
        try:
            moves.opened_on_the_bench(page, request.param)
        except BaseException:
            page.name = ""
            raise
    failed = request.session.testsfailed
    yield page
    if request.session.testsfailed > failed:
        page.name = ""
