"""A question of a lesson: what is known, how a prediction is made, and how the answer is worked out.

The answer is not there until `work` is called, and the page calls it only once a prediction was given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.lessons.score import Mark, Within, is_close, is_prefix, marked
from tubekit.series import series_values

Prediction = Mapping[str, float] | str
TEN_PERCENT = Within(10)


@dataclass(frozen=True)
class Handle:
    """One value to predict: its bounds hold for every variant, so that they say nothing of the answer.

    Parameters
    ----------
    step : even steps of a linear scale; nil is a logarithmic scale in steps of a series (IEC 60063).
    at : where it stands on the axis of a sketch.
    """

    key: str
    label: str
    unit: str
    low: float
    high: float
    within: Within
    step: float = 0.0
    series: str = "E48"
    at: float = 0.0

    @property
    def log(self) -> bool:
        """True where the scale is logarithmic."""
        return self.step == 0.0

    def stops(self) -> np.ndarray:
        """Values the slider takes."""
        if self.log:
            return np.asarray(series_values(self.series, self.low, self.high))
        count = round((self.high - self.low) / self.step)
        return self.low + self.step * np.arange(count + 1)


@dataclass(frozen=True)
class Numbers:
    """The prediction is one value or several."""

    handles: tuple[Handle, ...]

    def handle(self, key: str) -> Handle:
        """The handle with that key; KeyError where there is none."""
        return {each.key: each for each in self.handles}[key]


@dataclass(frozen=True)
class Choice:
    """The prediction is one of a few sentences, key to words, in the order they are shown."""

    options: Mapping[str, str]


@dataclass(frozen=True)
class Outside:
    """What a source outside this project says to the same question.

    `value` is by handle, or the key of a choice; nothing where the source gives words only.
    `within` [%, or the handle's unit where `absolute`] is how near the computed value should lie to it,
    `miss` the reason where it is known not to.
    """

    words: str
    source: str
    status: str
    value: Prediction = field(default_factory=dict)
    within: Within = TEN_PERCENT
    miss: str = ""

    @property
    def known(self) -> str:
        """Status of the answer, in words."""
        return "from memory" if self.status == "memory" else self.status


@dataclass(frozen=True)
class Answer:
    """What came out: the values by handle or the key of the choice, the reason, and what others say.

    `missed` has what a wrong prediction overlooked, by option; for values by the name of an error, else
    'high' and 'low', or 'grid high' for one handle. `errors` has what each error gives, by handle.
    """

    value: Prediction
    reason: tuple[str, ...]
    outside: Outside | None = None
    curve: tuple[np.ndarray, np.ndarray] | None = None
    missed: Mapping[str, str] = field(default_factory=dict)
    errors: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def overlooked(self, handle: Handle, guess: float) -> str:
        """What a wrong value overlooked: the error that gives it, else what its side says."""
        assert isinstance(self.value, Mapping)
        true = self.value[handle.key]
        if is_prefix(guess, true):
            return ""
        made = {name: each[handle.key] for name, each in self.errors.items() if handle.key in each}
        near = {name: abs(guess - value) for name, value in made.items() if handle.within.holds(guess, value)}
        side = "high" if guess > true else "low"
        name = min(near, key=lambda name: near[name]) if near else f"{handle.key} {side}"
        return self.missed[name if name in self.missed else side]


@dataclass(frozen=True)
class Picture:
    """What the prediction is drawn on; `kind` is one of those of `sight.VIEWS`."""

    kind: str = "scale"
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Question:
    """One question with everything that may be seen before the answer, and the way to the answer."""

    key: str
    asks: str
    way: Numbers | Choice
    hints: tuple[str, ...]
    work: Callable[[], Answer]
    given: Mapping[str, str] = field(default_factory=dict)
    picture: Picture = Picture()
    caution: str = ""

    def tolerance(self) -> str:
        """Tolerance that counts as right, in words."""
        if isinstance(self.way, Choice):
            return "one of these"
        words = dict.fromkeys(each.within.words(each.unit) for each in self.way.handles)
        return ("each " if len(self.way.handles) > 1 else "") + ", ".join(words)


@dataclass(frozen=True, eq=False)
class Verdict:
    """A prediction against the answer."""

    right: bool
    close: bool
    marks: tuple[Mark, ...]
    answer: Answer
    missed: tuple[str, ...] = ()
    """What this prediction overlooked."""

    def headline(self) -> str:
        """Right or not, and by how far, in a sentence."""
        if not self.marks:
            return "Correct." if self.right else "No. Try again with new numbers."
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
        right = prediction == answer.value
        return Verdict(right, False, (), answer, () if right else (answer.missed[str(prediction)],))
    assert isinstance(prediction, Mapping)
    assert isinstance(answer.value, Mapping)
    marks, close, missed = [], True, {}
    for each in question.way.handles:
        guess, true = prediction[each.key], answer.value[each.key]
        marks.append(marked(each.label, guess, true, each.unit, each.within))
        close = close and is_close(guess, true, each.within)
        if not marks[-1].right and (words := answer.overlooked(each, guess)):
            missed[words] = each.key
    right = all(mark.right for mark in marks)
    return Verdict(right, close and not right, tuple(marks), answer, tuple(missed))
