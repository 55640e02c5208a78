"""The lessons in order."""

from __future__ import annotations

from collections.abc import Mapping

from tubekit.errors import InputError, near_matches
from tubekit.panels.lessons import (
    bias_kinds,
    coupling,
    hum_sources,
    load_lines,
    ohms_law,
    rectifier_swap,
    ripple,
    todays_mains,
    tone_controls,
)
from tubekit.panels.lessons.course import Lesson

LESSONS: Mapping[str, Lesson] = {
    each.LESSON.number: each.LESSON
    for each in (
        ohms_law,
        load_lines,
        bias_kinds,
        rectifier_swap,
        ripple,
        coupling,
        tone_controls,
        todays_mains,
        hum_sources,
    )
}
"""Every lesson by its number."""


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
    key = f"{number:02d}" if isinstance(number, int) else str(number).zfill(2)
    if key not in LESSONS:
        raise InputError(
            f"there is no lesson {number!r}",
            fix=f"There are {', '.join(LESSONS)}",
            near=near_matches(key, LESSONS),
        )
    return LESSONS[key]
