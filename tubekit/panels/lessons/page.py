"""A lesson as a panel: predict first, then see; hints one after another; other numbers for another try."""

from __future__ import annotations

import html
from dataclasses import dataclass, field
from typing import Any

import ipywidgets as widgets

from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.knobs import FULL, Knob
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.guess import Guess, Options, read
from tubekit.panels.lessons.page_words import asked, trouble, waiting
from tubekit.panels.lessons.question import Choice, Numbers, Prediction, Question
from tubekit.panels.lessons.sight import Seen, live
from tubekit.panels.lessons.store import Kept, Store
from tubekit.panels.lessons.verdict import Verdict, said, weighed
from tubekit.panels.lessons.views import VIEWS
from tubekit.panels.live import LiveFigure

WORDS = {
    "commit": ("This is my prediction", "Give this prediction and see the answer"),
    "hint": ("A hint", "Show one more hint"),
    "other": ("New numbers", "Try the same question with new numbers"),
    "back": ("Back", "Go to the previous question"),
    "forward": ("Next question", "Go to the next question"),
    "reset": ("Reset", "Reset this page; your saved progress is kept"),
}
MOVE_FIRST = "Move the slider or type a value first."
MOVE_ALL = "Place every point first."


@dataclass(eq=False)
class Standing:
    """Where one question stands: its numbers, the prediction as far as it goes, what was shown."""

    question: Question
    variant: int
    guess: dict[str, float] = field(default_factory=dict)
    choice: str = ""
    hints: int = 0
    verdict: Verdict | None = None


class LessonPage(widgets.VBox):
    """One lesson. What a hand does can be done by program: `guess`, `choose`, `commit`, `predict`, `hint`,
    `other_numbers`, `go`, `reset`.
    """

    def __init__(self, lesson: Lesson, store: Store) -> None:
        self.lesson, self.store = lesson, store
        self.knobs: dict[str, Knob] = {}
        self.options: Options | None = None
        self.figure: LiveFigure[Seen] | None = None
        self.head, self.told, self.notice = (widgets.HTML(layout=FULL) for _ in range(3))
        self.frame, self.guesses = widgets.VBox([]), widgets.VBox([], layout=FULL)
        self.guesses.add_class("tubekit-across")
        self.guesses.add_class("tubekit-guesses")
        self.buttons = {name: self._button(name) for name in WORDS}
        self.buttons["commit"].button_style = "primary"
        self.steps = [self._step(place) for place in range(len(lesson))]
        self._begin(*self._where_to_begin())
        super().__init__(self._arranged())
        self.add_class("tubekit-lesson")

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
        self._show()

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
        self._show()

    def commit(self) -> Verdict:
        """Give the prediction; only now the answer is worked out, shown and kept.

        Raises
        ------
        ChangeError : nothing was predicted yet. TubekitError : the answer cannot be worked out.
        """
        self._open()
        if not self._is_predicted():
            self._say_why_not()
            raise ChangeError("no prediction was made", part=self.question.key, fix=self._missing())
        now = self._now
        now.verdict = weighed(now.question, self._prediction(), now.question.work())
        self.store.note(self.lesson.number, now.question.key, right=now.verdict.right, hints=now.hints)
        self._show()
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
        self._show()

    def other_numbers(self) -> None:
        """Try the same question with new numbers."""
        place = self.place
        self._standing[place] = Standing(
            self.lesson.question(place, self.variant + 1), self.variant + 1, hints=0
        )
        self.go(place)

    def go(self, place: int) -> None:
        """Another question, counted from 0."""
        self.place = min(max(0, place), len(self.lesson) - 1)
        self._lay_out()
        self._show()

    def reset(self) -> None:
        """The page as it came; what is kept in the file stays there."""
        self._begin(*self._came)
        self._show()

    # ---- from the hand

    def _moved(self, knob: Knob, value: Any, _: str) -> None:
        if self._now.verdict is None:
            self._now.guess[knob.key] = float(value)
            self._show()

    def _committed(self) -> None:
        try:
            self.commit()
        except TubekitError as error:
            if self._is_predicted():
                self.notice.value = trouble(f"This cannot be calculated: {error}")

    # ---- how it stands

    @property
    def _now(self) -> Standing:
        return self._standing[self.place]

    def _where_to_begin(self) -> tuple[int, tuple[int, ...]]:
        """The first question not yet answered right; numbers that were not seen before."""
        kept = self.store.of(self.lesson.number)
        each = [kept.get(key, Kept()) for key in self.lesson.names]
        place = next((k for k, one in enumerate(each) if not one.right), 0)
        return place, tuple(one.tries for one in each)

    def _begin(self, place: int, variants: tuple[int, ...]) -> None:
        self._came = place, variants
        self._standing = [Standing(self.lesson.question(k, n), n) for k, n in enumerate(variants)]
        self.go(place)

    def _open(self) -> None:
        if self._now.verdict is not None:
            raise ChangeError(
                "this question has been answered", part=self.question.key, fix="Ask for other_numbers()"
            )

    def _prediction(self) -> Prediction:
        return self._now.choice if isinstance(self.question.way, Choice) else dict(self._now.guess)

    def _is_predicted(self) -> bool:
        way = self.question.way
        if isinstance(way, Choice):
            return bool(self._now.choice)
        return all(each.key in self._now.guess for each in way.handles)

    def _missing(self) -> str:
        way = self.question.way
        if isinstance(way, Choice):
            return "Choose one of the sentences"
        return MOVE_FIRST if len(way.handles) == 1 else MOVE_ALL

    def _say_why_not(self) -> None:
        for key, knob in self.knobs.items():
            knob.complain("" if key in self._now.guess else self._missing())

    # ---- what is seen

    def _lay_out(self) -> None:
        """Controls and figure for the question that is seen."""
        way = self.question.way
        self.knobs, self.options, self.figure = {}, None, None
        if isinstance(way, Choice):
            self.options = Options(way.options, self._chosen)
            self.guesses.children, self.frame.children = [], [self.options.box]
            return
        for handle in way.handles:
            knob = Guess(handle)
            knob.on_change = self._moved
            self.knobs[handle.key] = knob
        self.guesses.children = [knob.box for knob in self.knobs.values()]
        self.figure = live(self.question, self._seen(), VIEWS)
        self.frame.children = [self.figure.picture.image]

    def _chosen(self, key: str) -> None:
        if self._now.verdict is None:
            self.choose(key)

    def _seen(self) -> Seen:
        verdict = self._now.verdict
        return Seen(dict(self._now.guess), verdict.answer if verdict else None)

    def _show(self) -> None:
        now = self._now
        done = now.verdict is not None
        for key, knob in self.knobs.items():
            assert isinstance(knob, Guess)
            knob.put(now.guess.get(key))
            knob.freeze(done)
            if key in now.guess:
                knob.complain("")
        if self.figure is not None:
            self.figure.show(self._seen())
        if self.options is not None:
            self.options.put(now.choice)
            if now.verdict is not None:
                self.options.mark(str(now.verdict.answer.value))
        self._write()
        self._set_buttons(done)

    def _write(self) -> None:
        now = self._now
        self.head.value = asked(self.lesson, self.place, now.question)
        hints = "".join(f"<li>{html.escape(each)}</li>" for each in now.question.hints[: now.hints])
        told = f'<ol class="tubekit-hints" aria-live="polite">{hints}</ol>' if hints else ""
        if now.verdict is not None:
            told += said(now.question, now.verdict)
        elif not told:
            told = f'<p class="tubekit-waiting">{waiting(now.question)}</p>'
        self.told.value = told
        self.notice.value = trouble(self.store.trouble)

    def _set_buttons(self, done: bool) -> None:
        total, shown = len(self.question.hints), self._now.hints
        self.buttons["commit"].disabled = done
        self.buttons["hint"].description = f"A hint ({shown} of {total} seen)"
        self.buttons["hint"].disabled = done or shown == total
        self.buttons["back"].disabled = self.place == 0
        self.buttons["forward"].disabled = self.place == len(self.lesson) - 1
        self.buttons["other"].disabled = not done
        kept = self.store.of(self.lesson.number)
        for place, (step, key) in enumerate(zip(self.steps, self.lesson.names, strict=True)):
            one = kept.get(key, Kept())
            word, sign = ("right", " ✓") if one.right else ("tried", " ·") if one.tries else ("open", "")
            step.description = f"{'▸ ' if place == self.place else ''}{place + 1}{sign}"
            step.tooltip = f"Question {place + 1}: {word}"

    # ---- where things stand

    def _button(self, name: str) -> widgets.Button:
        words, tooltip = WORDS[name]
        flex = (
            "1 1 100%"
            if name in ("commit", "hint")
            else "1 1 110px"
            if name in ("other", "forward")
            else "0 1 auto"
        )
        made = widgets.Button(
            description=words, tooltip=tooltip, layout=widgets.Layout(width="auto", flex=flex)
        )
        act = {
            "commit": self._committed, "hint": self.hint, "other": self.other_numbers, "reset": self.reset,
            "back": lambda: self.go(self.place - 1), "forward": lambda: self.go(self.place + 1),
        }[name]  # fmt: skip
        made.on_click(lambda _: act())
        return made

    def _step(self, place: int) -> widgets.Button:
        made = widgets.Button(layout=widgets.Layout(width="auto", min_width="48px"))
        made.on_click(lambda _: self.go(place))
        return made

    def _arranged(self) -> list[widgets.Widget]:
        below = [self.buttons[name] for name in ("commit", "hint", "other", "forward")]
        under = layout.column(
            [self.guesses, widgets.HBox(below, layout=widgets.Layout(flex_flow="row wrap"))]
        )
        above = {f"step{k}": step for k, step in enumerate(self.steps)}
        above |= {name: self.buttons[name] for name in ("back", "reset")}
        top = widgets.VBox([layout.tools(above), self.head], layout=FULL)
        return layout.side_by_side(under, self.frame, [self.notice, self.told], top)
