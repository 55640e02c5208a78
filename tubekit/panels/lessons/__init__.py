"""Lessons: predict first, then see what comes out, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from tubekit.panels.lessons.book import LESSONS, lesson_of
from tubekit.panels.lessons.held import Held, held_against, sources
from tubekit.panels.lessons.hunt import NUMBER as HUNT, HuntPage
from tubekit.panels.lessons.overview import ProgressPage
from tubekit.panels.lessons.page import LessonPage
from tubekit.panels.lessons.sheet import (
    hunt_on_paper,
    picture_on_paper,
    questions_on_paper,
    readings_on_paper,
)
from tubekit.panels.lessons.store import FILE, Store
from tubekit.plots.drawing import Drawing
from tubekit.text import Table

__all__ = [
    "LESSONS",
    "Held",
    "HuntPage",
    "LessonPage",
    "ProgressPage",
    "Store",
    "held_against",
    "lesson",
    "my_progress",
    "on_paper",
    "picture",
    "sources",
]

BESIDE = "beside"


def lesson(number: str | int, progress: str | Path | None = BESIDE) -> Any:
    """A lesson as a panel: `LessonPage`, or `HuntPage` for the last one.

    Parameters
    ----------
    number
        Number of the lesson.
    progress
        File in which to keep what was answered; beside the lesson where not given, None keeps nothing.

    Returns
    -------
    Any
        A `LessonPage`, or a `HuntPage`; shows itself as the last line of a cell.

    Raises
    ------
    InputError
        There is no such lesson.

    Examples
    --------
    >>> page = lesson(1, progress=None)
    >>> page.result is None
    True
    """
    if str(number).zfill(2) == HUNT:
        return HuntPage(_store(progress))
    return LessonPage(lesson_of(number), _store(progress))


def my_progress(progress: str | Path | None = BESIDE) -> ProgressPage:
    """How far one has come in the lessons.

    Parameters
    ----------
    progress
        File the answers are kept in; beside the lessons when not given.

    Returns
    -------
    ProgressPage
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> my_progress(progress=None).rows[0][:4]
    ('01', 'How do you get the idle current from the cathode voltage?', 5, 0)
    """
    return ProgressPage(_store(progress))


def on_paper(number: str | int) -> Table:
    """The questions of a lesson without any answer, to be predicted on paper."""
    return readings_on_paper() if str(number).zfill(2) == HUNT else questions_on_paper(lesson_of(number))


def picture(number: str | int) -> Drawing:
    """The picture that a lesson's first prediction is drawn on, empty."""
    figure: Figure = hunt_on_paper() if str(number).zfill(2) == HUNT else picture_on_paper(lesson_of(number))
    return Drawing(figure, tuple(figure.axes), ())


def _store(progress: str | Path | None) -> Store:
    return Store(Path.cwd() / FILE if progress == BESIDE else None if progress is None else Path(progress))
