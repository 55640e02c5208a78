"""A lesson: its questions in order, each made anew for every variant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.question import Question

Maker = Callable[[Draw], Question]


@dataclass(frozen=True)
class Lesson:
    """Number, title as a question, what it is about, and the makers of its questions."""

    number: str
    title: str
    about: str
    makers: Sequence[Maker]

    def __len__(self) -> int:
        return len(self.makers)

    def question(self, place: int, variant: int = 0) -> Question:
        """One question with the numbers of a variant."""
        maker = self.makers[place]
        return maker(Draw(self.number, maker.__name__, variant))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the questions, in order."""
        return tuple(maker.__name__ for maker in self.makers)
