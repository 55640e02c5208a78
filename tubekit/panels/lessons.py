"""The lessons as panels: a lesson, one's progress, and the empty picture of a prediction."""

from __future__ import annotations

from pathlib import Path

from tubekit.amp import load_amp
from tubekit.lessons.book import lesson_of
from tubekit.lessons.fault_hunt import AMP, NUMBER
from tubekit.lessons.question import Numbers
from tubekit.lessons.store import FILE, Store
from tubekit.panels.hunt_page import HuntPage
from tubekit.panels.lesson_page import LessonPage
from tubekit.panels.prediction_views import empty_picture
from tubekit.panels.progress_page import ProgressPage
from tubekit.plots.ink import Drawing
from tubekit.plots.schematics import schematic

BESIDE = "beside"


def lesson(number: str | int, progress: str | Path | None = BESIDE) -> LessonPage | HuntPage:
    """A lesson as a panel: `LessonPage`, or `HuntPage` for number 10.

    Parameters
    ----------
    number
        Number of the lesson.
    progress
        File in which to keep what was answered; beside the lesson where not given, None keeps nothing.

    Returns
    -------
    LessonPage or HuntPage
        Shows itself as the last line of a cell.

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
    if str(number).zfill(2) == NUMBER:
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


def lesson_picture(number: str | int) -> Drawing:
    """The picture that a lesson's first prediction is drawn on, empty; of the fault hunt the schematic.

    Parameters
    ----------
    number
        Number of the lesson.

    Returns
    -------
    Drawing
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> lesson_picture(1).words[:26]
    'Blank, for your prediction'
    """
    if str(number).zfill(2) == NUMBER:
        return schematic(load_amp(AMP))
    each = lesson_of(number)
    questions = (each.question(place) for place in range(len(each)))
    figure = empty_picture(next(one for one in questions if isinstance(one.way, Numbers)))
    return Drawing(figure, tuple(figure.axes), ())


def _store(progress: str | Path | None) -> Store:
    return Store(Path.cwd() / FILE if progress == BESIDE else None if progress is None else Path(progress))
