"""Every answer compared with outside sources, for the checks in the notebooks, which show neither."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tubekit.lessons.book import lesson_of
from tubekit.lessons.question import Answer, Outside
from tubekit.lessons.score import Within
from tubekit.text import Table, headed


@dataclass(frozen=True, repr=False)
class ReferenceCheck:
    """A computed value and one from outside; it prints neither of them."""

    question: str
    value: str
    computed: float
    outside: float
    within: Within
    source: str
    status: str
    miss: str

    @property
    def holds(self) -> bool:
        """Whether they agree as far as they should."""
        return self.within.holds(self.computed, self.outside)

    @property
    def rtol(self) -> float:
        """The same as a relative tolerance."""
        return self.within.factor - 1.0 if self.within.factor else self.within.percent / 100.0

    @property
    def atol(self) -> float:
        """The same as an absolute tolerance, in the unit of the value."""
        return self.within.absolute

    def __repr__(self) -> str:
        word = "agree" if self.holds else "disagree"
        return f"<{self.question}, {self.value}: calculated and outside {word}>"


def reference_checks(number: str | int, variants: int = 2) -> list[ReferenceCheck]:
    """Every value of a lesson that somebody outside has an answer to, in some variants.

    Choices count as 1 where the same one is chosen, and 0 where not.
    """
    lesson, checks = lesson_of(number), []
    for place in range(len(lesson)):
        for variant in range(variants):
            question = lesson.question(place, variant)
            answer = question.work()
            if answer.outside is not None:
                checks += _pairs(f"{question.key}, variant {variant}", answer, answer.outside)
    return checks


def sources(checks: Sequence[ReferenceCheck]) -> Table:
    """Which questions somebody outside has an answer to, who, and how it is known; no answers."""
    rows = {(each.question.partition(",")[0], each.source, each.status) for each in checks}
    heads = headed("question", "checked against", "status")
    note = f"{len(checks)} values were checked: each question with several different numbers."
    return Table("Answers from outside sources", heads, sorted(rows), note=note)


def _pairs(name: str, answer: Answer, outside: Outside) -> list[ReferenceCheck]:
    rest = (outside.source, outside.known, outside.miss)
    if isinstance(outside.value, str):
        same = Within(absolute=0.5)
        return (
            [ReferenceCheck(name, "choice", float(answer.value == outside.value), 1.0, same, *rest)]
            if outside.value
            else []
        )
    assert isinstance(answer.value, Mapping)
    return [
        ReferenceCheck(name, key, float(answer.value[key]), float(value), outside.within, *rest)
        for key, value in outside.value.items()
    ]
