"""A lesson as a panel: predict first, then see; hints one after another; new numbers for another try."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import ipywidgets as widgets

from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.lessons.lesson import Lesson
from tubekit.lessons.question import Choice, Numbers, Outside, Prediction, Question, Verdict, weighed
from tubekit.lessons.score import plain
from tubekit.lessons.store import Store
from tubekit.panels.course_page import CoursePage, hints_html, reason_html, trouble
from tubekit.panels.figure_widget import FigureWidget
from tubekit.panels.guess import Guess, Options, read
from tubekit.panels.layout import FULL
from tubekit.panels.markup import headline, listed, paragraph, section
from tubekit.panels.prediction_views import Seen, live_picture
from tubekit.panels.settings import Setting

MOVE_FIRST = "Move the slider or type a value first."
MOVE_ALL = "Place every point first."


@dataclass(eq=False)
class State:
    """One question: its numbers, the prediction so far, what was shown."""

    question: Question
    variant: int
    guess: dict[str, float] = field(default_factory=dict)
    choice: str = ""
    hints: int = 0
    verdict: Verdict | None = None


class LessonPage(CoursePage):
    """One lesson. What a hand does can be done by program: `guess`, `choose`, `commit`, `predict`, `hint`,
    `other_numbers`, `go`, `reset`.
    """

    WORDS: ClassVar = {
        "commit": ("This is my prediction", "Give this prediction and see the answer"),
        "hint": ("A hint", "Show one more hint"),
        "other": ("New numbers", "Try the same question with new numbers"),
        "back": ("Back", "Go to the previous question"),
        "forward": ("Next question", "Go to the next question"),
        "reset": ("Reset", "Reset this page; your saved progress is kept"),
    }

    def __init__(self, lesson: Lesson, store: Store) -> None:
        self.lesson = lesson
        self.knobs: dict[str, Guess] = {}
        self.options: Options | None = None
        self.figure: FigureWidget[Seen] | None = None
        self._shown: Question | None = None
        self.frame, self.guesses = widgets.VBox([]), widgets.VBox([], layout=FULL)
        self.guesses.add_class("tubekit-across")
        self.guesses.add_class("tubekit-guesses")
        super().__init__(lesson.number, lesson.names, store)

    # ---- what a program asks and does

    @property
    def question(self) -> Question:
        """The question that is seen."""
        return self._now.question

    @property
    def variant(self) -> int:
        """Which numbers it has."""
        return self._now.variant

    @property
    def result(self) -> Verdict | None:
        """The verdict on this question; None before a prediction was given."""
        return self._now.verdict

    def guess(self, **values: float | str) -> None:
        """Put predicted values, by handle; text is read as if typed.

        Raises
        ------
        ChangeError : the question was answered, asks for a choice, or has no such handle.
        UnitError : no value of that unit.
        """
        self._open()
        if not isinstance(self.question.way, Numbers):
            raise ChangeError("this question asks for a choice", part=self.question.key, fix="Use choose()")
        for key, value in values.items():
            if key not in self.knobs:
                raise ChangeError("there is no such value", part=key, near=near_matches(key, self.knobs))
            handle = self.question.way.handle(key)
            self._now.guess[key] = read(value, handle) if isinstance(value, str) else float(value)
        self.show()

    def choose(self, key: str) -> None:
        """Choose an option.

        Raises
        ------
        ChangeError : the question was answered, asks for numbers, or has no such option.
        """
        self._open()
        way = self.question.way
        if not isinstance(way, Choice):
            raise ChangeError("this question asks for a value", part=self.question.key, fix="Use guess()")
        if key not in way.options:
            raise ChangeError("there is no such option", part=key, near=near_matches(key, way.options))
        self._now.choice = key
        self.show()

    def commit(self) -> Verdict:
        """Give the prediction; only now the answer is calculated, shown and kept.

        Raises
        ------
        ChangeError : nothing was predicted yet. TubekitError : the answer cannot be calculated.
        """
        self._open()
        missing, now = self._missing(), self._now
        if missing:
            for key, knob in self.knobs.items():
                knob.complain("" if key in now.guess else missing)
            raise ChangeError("no prediction was made", part=self.question.key, fix=missing)
        prediction: Prediction = now.choice if isinstance(now.question.way, Choice) else dict(now.guess)
        now.verdict = weighed(now.question, prediction, now.question.work())
        self.store.note(self.number, now.question.key, right=now.verdict.right, hints=now.hints)
        self.show()
        return now.verdict

    def predict(self, prediction: Prediction) -> Verdict:
        """Put a prediction and give it."""
        if isinstance(prediction, str):
            self.choose(prediction)
        else:
            self.guess(**prediction)
        return self.commit()

    def hint(self) -> None:
        """Show one hint more."""
        self._now.hints = min(self._now.hints + 1, len(self.question.hints))
        self.show()

    def other_numbers(self) -> None:
        """Try the same question with new numbers."""
        variant = self.variant + 1
        self._states[self.place] = State(self.lesson.question(self.place, variant), variant)
        self.show()

    def begin(self, variants: Sequence[int]) -> None:
        """Every question anew, with the numbers of its variant."""
        self._states = [State(self.lesson.question(k, n), n) for k, n in enumerate(variants)]

    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons do."""
        own = {"commit": self._committed, "hint": self.hint, "other": self.other_numbers}
        return {**super().actions(), **own}

    # ---- from the hand

    def _moved(self, knob: Setting, value: Any, _: str) -> None:
        if self._now.verdict is None:
            self._now.guess[knob.key] = float(value)
            self.show()

    def _chosen(self, key: str) -> None:
        if self._now.verdict is None:
            self.choose(key)

    def _committed(self) -> None:
        try:
            self.commit()
        except TubekitError as error:
            if not self._missing():
                self.notice.value = trouble(f"This cannot be calculated: {error}")

    # ---- how it is

    @property
    def _now(self) -> State:
        return self._states[self.place]

    def _open(self) -> None:
        if self._now.verdict is not None:
            raise ChangeError(
                "this question has been answered", part=self.question.key, fix="Ask for other_numbers()"
            )

    def _missing(self) -> str:
        """What to do before the prediction is whole; '' where it is."""
        way, now = self.question.way, self._now
        if isinstance(way, Choice):
            return "" if now.choice else "Choose one of the sentences"
        if all(each.key in now.guess for each in way.handles):
            return ""
        return MOVE_FIRST if len(way.handles) == 1 else MOVE_ALL

    # ---- what is seen

    def _lay_out(self) -> None:
        """Controls and figure for the question that is seen."""
        self._shown, way = self.question, self.question.way
        self.knobs, self.options, self.figure = {}, None, None
        if isinstance(way, Choice):
            self.options = Options(way.options, self._chosen)
            self.guesses.children, self.frame.children = [], [self.options]
            return
        self.knobs = {handle.key: Guess(handle) for handle in way.handles}
        for knob in self.knobs.values():
            knob.on_move(self._moved)
        self.guesses.children = [*self.knobs.values()]
        self.figure = live_picture(self.question, self._seen())
        self.frame.children = [self.figure]

    def _seen(self) -> Seen:
        verdict = self._now.verdict
        return Seen(dict(self._now.guess), verdict.answer if verdict else None)

    def show(self) -> None:
        """Bring everything in step with the question that is seen."""
        if self.question is not self._shown:
            self._lay_out()
        now, done = self._now, self._now.verdict is not None
        for key, knob in self.knobs.items():
            knob.put(now.guess.get(key))
            knob.freeze(done)
            if key in now.guess:
                knob.complain("")
        if self.figure is not None:
            self.figure.show(self._seen())
        if self.options is not None:
            self.options.put(now.choice, str(now.verdict.answer.value) if now.verdict else "")
        self.head.value = asked_html(self.lesson, self.place, now.question)
        hints = hints_html(now.question.hints[: now.hints])
        if now.verdict is not None:
            hints += verdict_html(now.question, now.verdict)
        self.told.value = hints or f'<p class="tubekit-waiting">{waiting(now.question)}</p>'
        self.show_buttons(done)
        total = len(now.question.hints)
        self.buttons["hint"].description = f"A hint ({now.hints} of {total} seen)"
        self.buttons["hint"].disabled = done or now.hints == total

    def arranged(self) -> list[widgets.Widget]:
        """Guesses and buttons under the steps, beside figure and words."""
        for name in ("commit", "hint"):
            self.buttons[name].layout.flex = "1 1 100%"
        below = [self.buttons[name] for name in ("commit", "hint", "other", "forward")]
        row = widgets.HBox(below, layout=widgets.Layout(flex_flow="row wrap"))
        return self.withseries([self.guesses, row], self.frame)


# ---- words


def asked_html(lesson: Lesson, place: int, question: Question) -> str:
    """The question with what is known, and the caution where a hand acts."""
    rows = (
        f"<li>{html.escape(name)}: <strong>{html.escape(value)}</strong></li>"
        for name, value in question.given.items()
    )
    given = listed(rows, "given")
    place_ = paragraph(f"Question {place + 1} of {len(lesson)}", "place")
    asks, caution = paragraph(question.asks, "asks"), paragraph(question.caution, "caution")
    return section(place_, asks, given, caution, css="asked")


def waiting(question: Question) -> str:
    """What to do before anything is shown."""
    if isinstance(question.way, Choice):
        how, counts = "Choose a sentence", ""
    else:
        one = len(question.way.handles) == 1
        how = (
            "Move the slider or type a value with its unit" if one
            else "Place every point where you expect it"
        )  # fmt: skip
        counts = f" Counts as right: {question.tolerance()}."
    return f"{how}, then press <strong>This is my prediction</strong>. Then the answer is calculated.{counts}"


def verdict_html(question: Question, verdict: Verdict) -> str:
    """Everything that is shown once a prediction was given."""
    reasons = (("What you overlooked.", verdict.missed), ("Why.", verdict.answer.reason))
    missed, why = (reason_html(head, lines) if lines else "" for head, lines in reasons)
    outside = _outside_html(question, verdict.answer.outside)
    marks = _marks_html(question, verdict)
    return section(headline(verdict.headline()), missed, marks, why, outside, live=True)


def _marks_html(question: Question, verdict: Verdict) -> str:
    """Prediction, answer and what others say, one below the other: the column is narrow."""
    if not isinstance(question.way, Numbers):
        words = question.way.options[str(verdict.answer.value)]
        return f"<p>Answer: <strong>{html.escape(words)}</strong></p>"
    outside = verdict.answer.outside
    value = outside.value if outside is not None and isinstance(outside.value, Mapping) else {}
    lines = []
    for handle, mark in zip(question.way.handles, verdict.marks, strict=True):
        cells = {"you": mark.guess, "calculated": mark.true}
        if handle.key in value:
            cells["other source"] = value[handle.key]
        said = ", ".join(
            f"{name} <strong>{html.escape(plain(cell, mark.unit))}</strong>" for name, cell in cells.items()
        )
        head = f"{html.escape(mark.label)} {'✓' if mark.right else '✗'}"
        lines.append(f"<li><strong>{head}</strong><br>{said}: {html.escape(mark.words)}</li>")
    counts = f'<p class="tubekit-note">Counts as right: {question.tolerance()}.</p>'
    return listed(lines, "marks") + counts


def _outside_html(question: Question, outside: Outside | None) -> str:
    if outside is None:
        return '<p class="tubekit-source">No outside source; calculated only.</p>'
    words = outside.words
    if isinstance(question.way, Choice) and isinstance(outside.value, str) and outside.value:
        words = words or question.way.options[outside.value]
    return (
        f'<p class="tubekit-source"><strong>From a data sheet or other source:</strong> {html.escape(words)} '
        f"<em>{html.escape(outside.source)} [{html.escape(outside.known)}]</em></p>"
    )
