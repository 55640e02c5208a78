"""The lessons in order, and what of them can be printed to be answered by hand first."""

from __future__ import annotations

from collections.abc import Mapping

from tubekit.errors import InputError, near_matches
from tubekit.lessons.fault_hunt import CASES, NUMBER as HUNT, PROBES, cost, predictions
from tubekit.lessons.guided_case import FULL_JOB
from tubekit.lessons.lesson import Lesson
from tubekit.lessons.output_tubes import BIAS, IDLE_CURRENT
from tubekit.lessons.power_supply import HUM, LINE_VOLTAGE, RECTIFIER_SWAP, RIPPLE
from tubekit.lessons.question import Choice
from tubekit.lessons.supply_dangers import INTERLOCKS, LOW_B_PLUS, MINUS_VOLTS
from tubekit.lessons.voltage_stages import COUPLING, LOAD_LINE, TONE_CONTROLS
from tubekit.text import Table, headed

ALL = (
    IDLE_CURRENT, LOAD_LINE, BIAS, RECTIFIER_SWAP, RIPPLE, COUPLING, TONE_CONTROLS, LINE_VOLTAGE, HUM,
    INTERLOCKS, MINUS_VOLTS, LOW_B_PLUS, FULL_JOB,
)  # fmt: skip
LESSONS: Mapping[str, Lesson] = {each.number: each for each in ALL}
"""Every lesson of questions by its number; number 10 is the fault hunt."""


def lesson_of(number: str | int) -> Lesson:
    """The lesson with that number.

    Raises
    ------
    InputError : there is none.

    Examples
    --------
    >>> lesson_of(2).title
    'Where does this stage idle, and what is its gain?'
    """
    key = str(number).zfill(2)
    if key not in LESSONS:
        raise InputError(
            f"there is no lesson {number!r}",
            fix=f"There are {', '.join(LESSONS)}",
            near=near_matches(key, LESSONS),
        )
    return LESSONS[key]


def on_paper(number: str | int) -> Table:
    """The questions of a lesson without any answer; of the fault hunt the readings with their costs."""
    if str(number).zfill(2) == HUNT:
        drawn = predictions()[0]
        costs = [(str(each), each.format(float(drawn[k])), cost(each)) for k, each in enumerate(PROBES)]
        heads = headed("reading", "per schematic [] >", "reading cost [] g")
        return Table(f"Lesson {int(HUNT)} on paper: {CASES} amps, one bad part in each", heads, costs)
    lesson, rows = lesson_of(number), []
    for place in range(len(lesson)):
        question = lesson.question(place)
        known = "; ".join(f"{name}: {value}" for name, value in question.given.items())
        way = question.way
        asked = " / ".join(way.options.values()) if isinstance(way, Choice) else question.tolerance()
        rows.append((str(place + 1), question.asks, known, asked))
    heads = headed("", "question", "known", "your prediction")
    return Table(f"Lesson {int(lesson.number)} on paper", heads, rows)
