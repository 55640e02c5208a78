"""What is said of a prediction, as a record and as HTML."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass

from tubekit.panels.lessons.question import Answer, Choice, Numbers, Outside, Prediction, Question
from tubekit.panels.lessons.score import Mark, is_close, marked, plain

STATUS = {"memory": "from memory"}


@dataclass(frozen=True, eq=False)
class Verdict:
    """A prediction against the answer."""

    right: bool
    close: bool
    marks: tuple[Mark, ...]
    answer: Answer

    def headline(self) -> str:
        """Right or not, and by how far, in a sentence."""
        if not self.marks:
            return "Correct." if self.right else "No. Read why below, then try again with new numbers."
        wrong = [each for each in self.marks if not each.right]
        if len(self.marks) == 1:
            far = self.marks[0].words
            if self.right:
                return f"Correct: {far}." if far == "spot on" else f"Correct, {far}."
            return f"Close: {far}." if self.close else f"Not yet: {far}."
        if self.right:
            return "All correct."
        counted = f"{len(self.marks) - len(wrong)} of {len(self.marks)} right"
        return f"Close: {counted}." if self.close else f"Not yet: {counted}."


def weighed(question: Question, prediction: Prediction, answer: Answer) -> Verdict:
    """The verdict on a prediction."""
    if isinstance(question.way, Choice):
        return Verdict(prediction == answer.value, False, (), answer)
    assert isinstance(prediction, Mapping)
    assert isinstance(answer.value, Mapping)
    marks, close = [], True
    for each in question.way.handles:
        guess, true = prediction[each.key], answer.value[each.key]
        marks.append(marked(each.label, guess, true, each.unit, each.within))
        close = close and is_close(guess, true, each.within)
    right = all(mark.right for mark in marks)
    return Verdict(right, close and not right, tuple(marks), answer)


def said(question: Question, verdict: Verdict) -> str:
    """Everything that is shown once a prediction was given."""
    answer = verdict.answer
    reason = "".join(f"<p>{html.escape(each)}</p>" for each in answer.reason)
    parts = [
        f'<p class="tubekit-headline">{html.escape(verdict.headline())}</p>',
        _numbers(question, verdict),
        f'<div class="tubekit-reason"><strong>Why.</strong> {reason}</div>',
        _outside(question, answer.outside),
    ]
    if answer.table is not None:
        parts.append(answer.table.html())
    return f'<section class="tubekit" aria-live="polite">{"".join(parts)}</section>'


def _numbers(question: Question, verdict: Verdict) -> str:
    """Prediction, answer and what others say, one below the other: the column is narrow."""
    if not isinstance(question.way, Numbers):
        words = question.way.options[str(verdict.answer.value)]
        return f"<p>Answer: <strong>{html.escape(words)}</strong></p>"
    outside = verdict.answer.outside
    value = outside.value if outside is not None and isinstance(outside.value, Mapping) else {}
    lines = []
    for handle, mark in zip(question.way.handles, verdict.marks, strict=True):
        cells = {"you": plain(mark.guess, mark.unit), "calculated": plain(mark.true, mark.unit)}
        if handle.key in value:
            cells["from outside"] = plain(value[handle.key], mark.unit)
        told = ", ".join(f"{name} <strong>{html.escape(cell)}</strong>" for name, cell in cells.items())
        head = f"{html.escape(mark.label)} {'✓' if mark.right else '✗'}"
        lines.append(f"<li><strong>{head}</strong><br>{told}: {html.escape(mark.words)}</li>")
    counts = f'<p class="tubekit-note">Counts as right: {question.tolerance()}.</p>'
    return f'<ul class="tubekit-marks">{"".join(lines)}</ul>{counts}'


def _outside(question: Question, outside: Outside | None) -> str:
    if outside is None:
        return '<p class="tubekit-source">No outside source; calculated only.</p>'
    words = outside.words
    if isinstance(question.way, Choice) and isinstance(outside.value, str) and outside.value:
        words = words or question.way.options[outside.value]
    status = STATUS.get(outside.status, outside.status)
    return (
        f'<p class="tubekit-source"><strong>From outside:</strong> {html.escape(words)} '
        f"<em>{html.escape(outside.source)} [{html.escape(status)}]</em></p>"
    )
