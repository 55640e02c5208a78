"""What every test shares."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

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
    """Mark what is slow."""
    slow = slow_tests()
    for item in items:
        place = item.path.relative_to(ROOT).as_posix()
        if place.startswith(SLOW) or item.nodeid in slow:
            item.add_marker(pytest.mark.slow)


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
