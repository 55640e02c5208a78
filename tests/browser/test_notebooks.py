"""Every numbered notebook in a real browser: it runs, controls go to both ends and back, nobody complains.

Screenshots are kept in `screenshots/`, which git ignores.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser import moves

ROOT = Path(__file__).resolve().parents[2]
BOOKS = sorted(path.name for path in (ROOT / "notebooks").glob("*.ipynb"))
pytestmark = pytest.mark.parametrize("opened", BOOKS, indirect=True)


def test_it_opens_runs_and_looks_the_same_on_a_tablet(opened: Any) -> None:
    moves.looks_right(opened)


def test_every_control_has_a_name_and_takes_the_keyboard(opened: Any) -> None:
    moves.has_names(opened)


def test_every_slider_goes_to_both_ends_and_back(opened: Any) -> None:
    moves.sliders_reach_both_ends(opened)


def test_every_list_is_taken_through_its_choices(opened: Any) -> None:
    moves.lists_can_be_chosen_from(opened)
