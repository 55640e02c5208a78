"""A lesson: its words from `data/lessons`, and for each question one function that has its numbers.

The function of a question first yields what is known (`Asked`), then what comes out (`Found`): it is
resumed only once a prediction was given, so no answer is in memory before. All words are in the lesson's
file, with the numbers by name: `{volts:.1f}`; `{r:ohm}` writes a value with its unit, `{amps:.1fm}` in
thousandths, `{share:.0fp}` in percent.
"""

from __future__ import annotations

import random
import string
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, TypeVar

import numpy as np

from tubekit.errors import TableError
from tubekit.files import data_file
from tubekit.lessons.question import Answer, Choice, Handle, Numbers, Outside, Picture, Prediction, Question
from tubekit.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.units import show

T = TypeVar("T")
Words = Mapping[str, Any]
UNITS = ("ohm", "F", "A", "V", "Hz")
SCALES = {"m": 1e3, "p": 100.0}
MEMORY, PRACTICE = "from memory", "common practice"


class Draw:
    """What a variant of a question draws its numbers from; variant 0 takes the first of everything.

    Examples
    --------
    >>> draws = [Draw("02", "idle", n) for n in range(4)]
    >>> draws[0].one_of((250, 300, 200)), sorted(draw.one_of((250, 300, 200)) for draw in draws[1:3])
    (250, [200, 300])
    """

    def __init__(self, lesson: str, question: str, variant: int) -> None:
        self.variant = variant
        self._name, self._drawn = f"{lesson}/{question}", 0

    def one_of(self, items: Sequence[T]) -> T:
        """One of the items; none comes again before all others have."""
        self._drawn += 1
        if self.variant == 0 or len(items) == 1:
            return items[0]
        order = random.Random(f"{self._name}/{self._drawn}").sample(range(1, len(items)), len(items) - 1)  # noqa: S311
        place = (self.variant - 1) % len(items)
        return items[(*order, 0)[place]]

    def shuffled(self, options: Mapping[str, str]) -> dict[str, str]:
        """Options in another order each time; the first variant has an order of its own as well."""
        keys = list(options)
        random.Random(f"{self._name}/{self.variant}/order").shuffle(keys)  # noqa: S311
        return {key: options[key] for key in keys}


@dataclass(frozen=True)
class Asked:
    """What is known before the answer: numbers for the words, and what only the draw decides.

    `options` are those of a choice, `handles` changes bounds and steps, `picture` its options.
    """

    facts: Words
    options: Mapping[str, str] = field(default_factory=dict)
    handles: Mapping[str, Words] = field(default_factory=dict)
    picture: Words = field(default_factory=dict)


@dataclass(frozen=True)
class Found:
    """What comes out: the values by handle or the key of the choice, and more numbers for the words.

    `errors` has the values that a usual error gives, by its name in `missed` and by handle,
    where there are several. `facts["of"]`
    has numbers for the words about one option.
    """

    value: Prediction
    outside: Outside | None = None
    facts: Words = field(default_factory=dict)
    curve: tuple[np.ndarray, np.ndarray] | None = None
    errors: Mapping[str, Mapping[str, float] | float] = field(default_factory=dict)


Steps = Iterator[Asked | Found]
Maker = Callable[[Draw], Steps]


def of_row(row: Row, value: Prediction = "", within: float = 10, miss: str = "") -> Outside:
    """Answer of a handbook row; `within` [%] is how near the computed value should be."""
    return Outside("", f"{row.source} ({row.where})", row.status, value, Within(within), miss)


def textbook(value: Prediction, within: float = 3) -> Outside:
    """Answer of a formula in any electronics textbook."""
    return Outside("", "any electronics textbook", MEMORY, value, Within(within))


def practice(value: Prediction = "") -> Outside:
    """Answer by shop practice; nobody printed it."""
    return Outside("", f"{PRACTICE}, no source", PRACTICE, value)


def from_file(lesson: str, name: str) -> Maker:
    """A question whose `cases` and `answer` are in its file, by a `row` of the handbook or by practice."""

    def maker(draw: Draw) -> Steps:
        """The question as its file has it."""
        words = words_of(lesson)["question"][name]
        case = draw.one_of(words.get("cases", [{}]))
        answer = case.get("answer", words.get("answer"))
        row = handbook(words["row"]["table"], topic=words["row"]["topic"])[0] if "row" in words else None
        yield Asked({**case, "row": row})
        yield Found(answer, of_row(row, answer) if row else practice(answer))

    maker.__name__ = name
    return maker


@dataclass(frozen=True)
class Lesson:
    """A lesson by its number; `makers` are the functions of its questions, named as in its file."""

    number: str
    makers: Sequence[Maker]

    def __len__(self) -> int:
        return len(self.makers)

    @property
    def title(self) -> str:
        """Question that the lesson answers."""
        return str(words_of(self.number)["title"])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the questions, in order."""
        return tuple(maker.__name__ for maker in self.makers)

    def question(self, place: int, variant: int = 0) -> Question:
        """One question with the numbers of a variant."""
        name, lesson = self.names[place], words_of(self.number)
        if name not in lesson["question"]:
            raise TableError(f"there is no question '{name}'", where=f"data/lessons/{self.number}.toml")
        words = lesson["question"][name]
        draw = Draw(self.number, name, variant)
        asked = next(self.makers[place](draw))
        assert isinstance(asked, Asked)
        known = {each: lesson["known"][each] for each in words.get("known", ())} | words.get("given", {})
        picture: dict[str, Any] = {**words.get("picture", {"kind": "scale"}), **asked.picture}
        return Question(
            name,
            filled(words["asks"], asked.facts),
            _way(words, asked, draw),
            tuple(filled(hint, asked.facts) for hint in words["hints"]),
            lambda: self._answer(place, variant, words),
            {key: filled(value, asked.facts) for key, value in known.items()},
            Picture(picture.pop("kind"), picture),
            words_of("cautions")[words["caution"]] if "caution" in words else "",
        )

    def _answer(self, place: int, variant: int, words: Words) -> Answer:
        """The same question again, this time beyond the prediction."""
        draw = Draw(self.number, self.names[place], variant)
        asked, result = self.makers[place](draw)
        assert isinstance(asked, Asked)
        assert isinstance(result, Found)
        facts = {**asked.facts, **result.facts}
        outside = result.outside
        if outside is not None:
            outside = replace(outside, words=filled(words["outside"], facts))
        why = tuple(text for each in words["why"] if (text := filled(each, facts)))
        missed = self._missed(words, _way(words, asked, draw), facts)
        errors = {
            name: each if isinstance(each, Mapping) else dict.fromkeys(result.value, float(each))
            for name, each in result.errors.items()
        }
        return Answer(result.value, why, outside, result.curve, missed, errors)

    @staticmethod
    def _missed(words: Words, way: Numbers | Choice, facts: Words) -> dict[str, str]:
        """What each wrong prediction overlooked; '*' in the file holds for every option without its own."""
        said = words["missed"]
        if isinstance(way, Numbers):
            return {key: filled(text, facts) for key, text in said.items()}
        result = {}
        for key, option in way.options.items():
            own = {**facts, "chosen": option, **facts.get("of", {}).get(key, {})}
            result[key] = filled(said.get(own.get("side", key), said.get("*", "")), own)
        return result


def _way(words: Words, asked: Asked, draw: Draw) -> Numbers | Choice:
    if "predict" not in words:
        text = asked.options or {key: filled(each, asked.facts) for key, each in words["options"].items()}
        return Choice(draw.shuffled(text) if words.get("shuffled") else text)
    handles = []
    for key, each in words["predict"].items():
        terms = {**words.get("scale", {}), **each, **asked.handles.get(key, {})}
        handles.append(Handle(key, **{**terms, "within": Within(**terms["within"])}))
    return Numbers(tuple(handles))


@cache
def words_of(name: str) -> Words:
    """A file of `data/lessons`."""
    with data_file("lessons", f"{name}.toml").open("rb") as file:
        return tomllib.load(file)


class _Filled(string.Formatter):
    def format_field(self, value: Any, spec: str) -> str:
        if spec in UNITS:
            return show(value, spec)
        if spec and spec[-1] in SCALES:
            value, spec = SCALES[spec[-1]] * value, spec[:-1]
        return format(value, spec)


def filled(words: str, facts: Words) -> str:
    """Words of a lesson with the numbers in place.

    Examples
    --------
    >>> filled("{r:ohm} at {i:.1fm} mA, {s:+.0fp} %", {"r": 4700.0, "i": 0.0453, "s": 0.07})
    '4.70 kΩ at 45.3 mA, +7 %'
    """
    return _Filled().vformat(words, (), facts)
