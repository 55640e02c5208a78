"""A lesson on paper: its questions without any answer, and the picture the first is drawn on."""

from __future__ import annotations

from matplotlib.figure import Figure

from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.hunt import NUMBER
from tubekit.panels.lessons.hunt_case import CASES
from tubekit.panels.lessons.question import Choice, Numbers
from tubekit.panels.lessons.roster import BAND, PROBES, cost, predictions
from tubekit.panels.lessons.sight import still
from tubekit.panels.lessons.sight_hunt import HuntView
from tubekit.panels.lessons.views import VIEWS
from tubekit.panels.live import WIDTH
from tubekit.plots import ink
from tubekit.text import Table, headed


def questions_on_paper(lesson: Lesson) -> Table:
    """The questions with what is known and what counts as right; to be answered by hand first."""
    rows = []
    for place in range(len(lesson)):
        question = lesson.question(place)
        known = "; ".join(f"{name}: {value}" for name, value in question.given.items())
        way = question.way
        asked = " / ".join(way.options.values()) if isinstance(way, Choice) else question.tolerance()
        rows.append((str(place + 1), question.asks, known, asked))
    heads = headed("", "question", "known", "your prediction")
    return Table(f"Lesson {int(lesson.number)} on paper", heads, rows)


def picture_on_paper(lesson: Lesson) -> Figure:
    """The picture that the first question with numbers is drawn on, empty."""
    for place in range(len(lesson)):
        question = lesson.question(place)
        if isinstance(question.way, Numbers):
            figure = still(question, VIEWS)
            figure.set_label(f"Blank, for your prediction: {question.asks}")
            return figure
    raise AssertionError("a lesson of choices alone")


def readings_on_paper() -> Table:
    """What can be measured in the last lesson, what the amp has as drawn, and what each reading costs."""
    rows = [
        (str(probe), probe.said(float(predictions()[0, k])), cost(probe)) for k, probe in enumerate(PROBES)
    ]
    heads = headed("reading", "as drawn [] >", "cost [] g")
    return Table(f"Lesson {int(NUMBER)} on paper: {CASES} amps, one bad part in each", heads, rows)


def hunt_on_paper() -> Figure:
    """The empty list of readings."""
    with ink.style():
        figure = ink.paper(WIDTH / ink.DPI, 4.3)
        HuntView(figure, BAND).show([])
    figure.set_label("Blank, for your readings")
    return figure
