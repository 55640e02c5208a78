"""What a lesson says before and beside an answer, as HTML."""

from __future__ import annotations

import html

from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.question import Choice, Question


def asked(lesson: Lesson, place: int, question: Question) -> str:
    """The question with what is known, and the caution where a hand acts."""
    rows = "".join(
        f"<li>{html.escape(name)}: <strong>{html.escape(value)}</strong></li>"
        for name, value in question.given.items()
    )
    given = f'<ul class="tubekit-given">{rows}</ul>' if rows else ""
    caution = f'<p class="tubekit-caution">{html.escape(question.caution)}</p>' if question.caution else ""
    return (
        f'<section class="tubekit tubekit-asked"><p class="tubekit-place">Question {place + 1} of '
        f'{len(lesson)}</p><p class="tubekit-asks">{html.escape(question.asks)}</p>{given}{caution}</section>'
    )


def waiting(question: Question) -> str:
    """What to do before anything is told."""
    how = (
        "Choose a sentence" if isinstance(question.way, Choice)
        else "Move the slider or type a value with its unit" if len(question.way.handles) == 1
        else "Place every point where you expect it"
    )  # fmt: skip
    counts = "" if isinstance(question.way, Choice) else f" Counts as right: {question.tolerance()}."
    return f"{how}, then press <strong>This is my prediction</strong>. The answer is calculated then.{counts}"


def trouble(words: str) -> str:
    """What went wrong, over the words; nothing for ''."""
    return f'<p class="tubekit-stale" role="alert">{html.escape(words)}</p>' if words else ""
