"""Every lesson in a real browser. They share one panel: it is moved through in those that differ most."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser import moves
from tests.browser.conftest import EVERY_LESSON

FOLDER = Path(__file__).resolve().parents[2] / "notebooks" / "lessons"
LESSONS = sorted(f"lessons/{path.name}" for path in FOLDER.glob("*.ipynb"))
MOVED = ("02-load-line", "05-ripple-and-reservoir", "10-find-the-fault")
"""A load line, a plain number, a fault to find."""
all_of_them = pytest.mark.parametrize("opened", [EVERY_LESSON], indirect=True)


@all_of_them
def test_they_look_the_same_on_a_tablet(opened: Any) -> None:
    seen = lambda: [each for each in opened.all(".tubekit-lesson") if each.is_displayed()]  # noqa: E731
    opened.until("every lesson is on the page", lambda: len(seen()) == len(LESSONS))
    moves.looks_right(opened)


@all_of_them
def test_every_control_has_a_name_and_takes_the_keyboard(opened: Any) -> None:
    moves.has_names(opened)


@pytest.mark.parametrize("opened", [each for each in LESSONS if any(n in each for n in MOVED)], indirect=True)
def test_it_opens_runs_and_its_controls_go_to_their_ends_and_back(opened: Any) -> None:
    moves.looks_right(opened)
    moves.sliders_reach_both_ends(opened)
    moves.lists_can_be_chosen_from(opened)


def test_those_that_are_moved_are_there() -> None:
    assert all(any(name in lesson for lesson in LESSONS) for name in MOVED)
