"""Every lesson in a real browser. They share one panel: it is moved through in those that differ most."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser import moves

FOLDER = Path(__file__).resolve().parents[2] / "notebooks" / "lessons"
LESSONS = sorted(f"lessons/{path.name}" for path in FOLDER.glob("*.ipynb"))
MOVED = ("02-load-line", "05-ripple-and-reservoir", "10-find-the-fault")
"""A load line, a plain number, a fault to find."""


@pytest.fixture(scope="module", params=LESSONS)
def opened(page: Any, request: pytest.FixtureRequest) -> Any:
    """A lesson, opened at the bench's screen size and run from top to bottom."""
    return moves.opened_on_the_bench(page, request.param)


def test_it_opens_runs_and_looks_the_same_on_a_tablet(opened: Any) -> None:
    moves.looks_right(opened)


def test_every_control_has_a_name_and_takes_the_keyboard(opened: Any) -> None:
    moves.has_names(opened)


def test_its_controls_go_to_their_ends_and_back(opened: Any) -> None:
    if not any(name in opened.name for name in MOVED):
        return  # the same panel as in those, with another question
    moves.sliders_reach_both_ends(opened)
    moves.lists_can_be_chosen_from(opened)


def test_those_that_are_moved_are_there() -> None:
    assert all(any(name in lesson for lesson in LESSONS) for name in MOVED)
