"""What every test shares."""

from __future__ import annotations

import gc
import json
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from weakref import WeakValueDictionary

import pytest
from hypothesis import settings

from tests.slow import slow_tests

ROOT = Path(__file__).resolve().parents[1]

os.environ.setdefault("MPLBACKEND", "agg")  # no test opens a window

# Nothing here is judged by the clock; on a build machine the examples are the same each time.
settings.register_profile("house", deadline=None, derandomize=bool(os.environ.get("CI")), print_blob=True)
settings.load_profile("house")


SLOW = ("tests/browser", "tests/notebooks", "notebooks")
"""Folders whose tests take a browser or a kernel."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is slow, and begin with the browser: it waits for much of its time, while others work.

    There one notebook comes after the other, so that each is opened once.
    """
    slow = slow_tests()
    for item in items:
        place = item.path.relative_to(ROOT).as_posix()
        if place.startswith(SLOW) or item.nodeid in slow:
            item.add_marker(pytest.mark.slow)
    turns: dict[str, int] = {}
    for item in items:
        turns.setdefault(turn_of(item.nodeid), len(turns))

    def when(nodeid: str) -> tuple[bool, str, int]:
        browser = nodeid.startswith(SLOW[0])
        return not browser, unit_of(nodeid) if browser else "", turns[turn_of(nodeid)]

    items.sort(key=lambda each: when(each.nodeid))


def turn_of(nodeid: str) -> str:
    """A file, and in the browser a notebook."""
    book = re.search(r"\[(.+\.ipynb)\]$", nodeid) if unit_of(nodeid) == SLOW[0] else None
    return book[1] if book else nodeid.partition("::")[0]


def unit_of(nodeid: str) -> str:
    """What one worker runs in one go: a file; in the browser a folder, so that a server is started once."""
    file = nodeid.partition("::")[0]
    return file.rpartition("/")[0] if file.startswith(SLOW[0]) else file


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Workers take the units above, in the order in which they were collected."""
    from xdist.scheduler import LoadScopeScheduling

    class Units(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return unit_of(nodeid)

    config.option.loadscopereorder = False
    return Units(config, log) if config.getvalue("dist") == "loadfile" else None


class Used(WeakValueDictionary[str, Any]):
    """What is used elsewhere too; the rest has left by itself when it is taken out."""

    def pop(self, key: str, *default: Any) -> Any:
        return super().pop(key, None)


def pytest_collection_finish() -> None:
    """What is loaded by now stays: looking through it again for garbage took one second in fifteen."""
    if "ipywidgets" in sys.modules:
        widgets_alone()
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)


def widgets_alone() -> None:
    """Nobody listens to widgets here: they write no messages, and stay only as long as somebody uses them.

    What they send is seen where there is a kernel: by nbval, and in the browser.
    """
    import comm
    from ipywidgets.widgets import widget

    def opened(self: widget.Widget) -> None:
        if self.comm is None:
            self.comm = comm.DummyComm(comm_id=self._model_id)

    comm.DummyComm.kernel = None
    comm.get_comm_manager().comms = Used()
    widget._instances = Used()
    widget.Widget.open = opened


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def reference(root: Path) -> Callable[[str], str]:
    """The words of a notebook of the reference, by its name."""

    def words(name: str) -> str:
        book = json.loads((root / "notebooks" / "reference" / f"{name}.ipynb").read_text(encoding="utf-8"))
        return "\n\n".join(
            "".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == "markdown"
        )

    return words
