"""How one field of a part is written in an amp file: read, checked for plausible range, written back.

Each form reads what stood in the file (or in a change) and raises `InputError` without a place;
the caller knows the file and the designator and fills them in.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from tubekit.errors import InputError, near_matches
from tubekit.layout import as_typed
from tubekit.unit_words import EXAMPLES, SYMBOL
from tubekit.units import parse, show

FloatArray = npt.NDArray[np.float64]
Value = float | FloatArray
"""A value, or one value per member of a batch (1-D, read-only)."""

PREFIXES = (("M", 1e6), ("k", 1e3), ("", 1.0), ("m", 1e-3), ("u", 1e-6), ("n", 1e-9), ("p", 1e-12))
MANY = 60
LONGEST_NAME = 40
FEW = 4
NEARLY_ONE = 1 - 1e-9


class Form:
    """How one field is written; `batch` says whether a change may give it as a sequence."""

    batch: ClassVar[bool] = False

    def read(self, raw: object) -> Any:
        """The value of what was written; InputError (without a place) where it cannot be."""
        raise NotImplementedError

    def write(self, value: Any) -> object:
        """The value as it goes into an amp file."""
        return value

    def show(self, value: Any) -> str:
        """The value for the eye."""
        return str(value)


def as_text(raw: object) -> str:
    """Quote what was written, in words a technician can look for in the file."""
    if isinstance(raw, Mapping):
        return "a group of entries"
    if isinstance(raw, str):
        return repr(raw if len(raw) <= MANY else raw[:MANY] + "…")
    if is_sequence(raw):
        return "a list"
    if isinstance(raw, bool):
        return str(raw).lower()
    return str(raw)[:MANY]


def written_word(raw: object) -> str | None:
    """Quote what was written, where it is text or a number."""
    return str(raw) if isinstance(raw, (str, int, float)) and not isinstance(raw, bool) else None


def is_sequence(raw: object) -> bool:
    """True for a list, tuple or array (not for text)."""
    return isinstance(raw, (list, tuple)) or (isinstance(raw, np.ndarray) and raw.ndim > 0)


@dataclass(frozen=True)
class Quantity(Form):
    """A number with a unit, in IEC 60062 marking or engineering notation; '' is a bare number.

    `below` says what would fail, and how, with a value of nil or less.
    """

    unit: str
    low: float
    high: float
    below: str = ""
    batch: ClassVar[bool] = True

    def read(self, raw: object) -> float:
        """A float in the base unit."""
        if isinstance(raw, np.generic):
            raw = raw.item()
        if isinstance(raw, bool) or not isinstance(raw, (int, float, str)):
            raise InputError(
                f"is {as_text(raw)}, but must be one number", fix=f"Write it like {self._like()}", code="unit"
            )
        value = self._number(raw)
        if not math.isfinite(value) or not self.low <= value <= self.high:
            low, high = self._shown(self.low), self._shown(self.high)
            why = f": {self.below}" if self.below and value <= 0 else ""
            raise InputError(
                f"{as_text(raw)} is outside the plausible range {low} to {high}{why}",
                fix=f"Check the unit and the decimal point; write it like {self._like()}",
                code="range",
                word=written_word(raw),
            )
        return value

    def write(self, value: float) -> object:
        """Shortest text that reads back as exactly the same number, else the number itself."""
        if not self.unit:
            return float(value)
        if self.unit == "%":
            return self._exact(f"{value:.10g} %", value)
        prefix, size = self._prefix(value)
        unit = "" if self.unit in {"ohm", "F", "H"} else self.unit
        between = " " if unit else ""
        return self._exact(f"{value / size:.10g}{between}{prefix}{unit}", value)

    def show(self, value: Value) -> str:
        """As a technician writes it: '4.7 kΩ'; a batch as its members, or as its range where long."""
        if np.ndim(value) and np.size(value) > FEW:
            return show(value, self.unit)
        return ", ".join(self._shown(float(one)) for one in np.atleast_1d(value))

    def _number(self, raw: float | str) -> float:
        word = written_word(raw)
        if isinstance(raw, str) and len(raw) > MANY:
            problem, fix = f"{as_text(raw)} is too long for a value", f"Write it like {self._like()}"
            raise InputError(problem, fix=fix, code="unit", word=word)
        try:
            return parse(raw, self.unit) if self.unit else float(raw)
        except InputError as error:
            raise InputError.of(error, word=word) from error
        except (ValueError, OverflowError) as error:
            problem, fix = f"{as_text(raw)} is not a number", "Write a plain number"
            raise InputError(problem, fix=fix, code="unit", word=word) from error

    def _exact(self, text: str, value: float) -> object:
        try:
            return text if parse(text, self.unit) == value else float(value)
        except InputError:  # a prefix this unit does not take
            return float(value)

    def _like(self) -> str:
        return EXAMPLES.get(self.unit, f"{min(max(self.low, 0.5), self.high):g}")

    def _shown(self, value: float) -> str:
        prefix, size = self._prefix(value)
        text = f"{value / size:.6g} {prefix.replace('u', 'µ')}{SYMBOL.get(self.unit, self.unit)}"
        return text.rstrip()

    def _prefix(self, value: float) -> tuple[str, float]:
        if self.unit in {"", "%"} or value == 0.0:
            return "", 1.0
        return next(((p, s) for p, s in PREFIXES if abs(value) >= s * NEARLY_ONE), PREFIXES[-1])


@dataclass(frozen=True)
class Choice(Form):
    """One of a few words."""

    options: tuple[str, ...]

    def read(self, raw: object) -> str:
        """One of the words."""
        if isinstance(raw, str) and raw in self.options:
            return raw
        raise InputError(
            f"is {as_text(raw)}, which is not one of the choices",
            fix="Write one of: " + ", ".join(f"'{one}'" for one in self.options),
            near=near_matches(raw, self.options) if isinstance(raw, str) else (),
            code="choice",
            word=written_word(raw),
        )


@dataclass(frozen=True)
class Words(Form):
    """Plain words, kept as they are (a year may stand as a number)."""

    def read(self, raw: object) -> str:
        """The text."""
        if isinstance(raw, str):
            return as_typed(raw)
        if isinstance(raw, int) and not isinstance(raw, bool):
            return str(raw)
        raise InputError(f"is {as_text(raw)}, not words", fix="Write it in quotation marks", code="text")


@dataclass(frozen=True)
class YesNo(Form):
    """true or false; `words` say it for the eye."""

    words: tuple[str, str] = ("yes", "no")

    def read(self, raw: object) -> bool:
        """The answer."""
        if isinstance(raw, bool):
            return raw
        answers = {"true": True, "yes": True, "false": False, "no": False}
        if isinstance(raw, str) and raw.strip().lower() in answers:
            return answers[raw.strip().lower()]
        problem = f"is {as_text(raw)}, neither true nor false"
        raise InputError(problem, fix="Write true or false", code="choice", word=written_word(raw))

    def show(self, value: bool) -> str:
        """One of the two words."""
        return self.words[0 if value else 1]


@dataclass(frozen=True)
class NodeName(Form):
    """The name of a node: a word without blanks; 'ground' is the reference."""

    def read(self, raw: object) -> str:
        """The name."""
        if not isinstance(raw, str):
            problem, fix = f"is {as_text(raw)}, not the name of a connection", 'Write it like "B1"'
            raise InputError(problem, fix=fix, code="node_name", word=written_word(raw))
        if not re.fullmatch(r"[^\s\"'\\]+", raw) or len(raw) > LONGEST_NAME or not raw.isprintable():
            raise InputError(
                f"{as_text(raw)} cannot be the name of a connection",
                fix=f"Use one word of at most {LONGEST_NAME} letters, digits, _ + - or .",
                code="node_name",
                word=raw,
            )
        return raw


@dataclass(frozen=True)
class Listed(Form):
    """A list in the file, each entry of one form; `shortest` and `longest` bound how many."""

    entry: Form
    shortest: int
    longest: int
    what: str = "connections"

    def read(self, raw: object) -> tuple[Any, ...]:
        """The entries in order."""
        entries = list(raw) if is_sequence(raw) and isinstance(raw, Sequence) else None
        if entries is None or not self.shortest <= len(entries) <= self.longest:
            got = as_text(raw) if entries is None else f"a list of {len(entries)}"
            few = f"{self.shortest}" if self.shortest == self.longest else f"{self.shortest} or more"
            more = ', "…"' if self.shortest > 1 else ""
            like = f', like ["{raw}"{more}]' if isinstance(raw, str) and 0 < len(raw) <= LONGEST_NAME else ""
            raise InputError(
                f"is {got}", fix=f"Write a list of {few} {self.what}{like}",
                code="list" if entries is None else "count", word=written_word(raw),
            )  # fmt: skip
        return tuple(self.entry.read(one) for one in entries)

    def write(self, value: tuple[Any, ...]) -> object:
        """A list, entry by entry."""
        return [self.entry.write(one) for one in value]

    def show(self, value: tuple[Any, ...]) -> str:
        """The entries with commas between."""
        return ", ".join(self.entry.show(one) for one in value)


@dataclass(frozen=True)
class Together(Form):
    """Several quantities in one text, such as a lamp's '6.3 V 0.15 A'."""

    forms: tuple[Quantity, ...]

    def read(self, raw: object) -> tuple[float, ...]:
        """The numbers in order."""
        texts = re.findall(r"[0-9.]+\s*[^\s0-9]*", raw) if isinstance(raw, str) else []
        if len(texts) != len(self.forms):
            example = " ".join(f"1 {form.unit}" for form in self.forms)
            fix = f"Write it like '{example}'"
            raise InputError(f"is {as_text(raw)}", fix=fix, code="unit", word=written_word(raw))
        return tuple(form.read(text) for form, text in zip(self.forms, texts, strict=True))

    def write(self, value: tuple[float, ...]) -> object:
        """One text."""
        # repr keeps every digit, so that the copy reads back as the same numbers
        return " ".join(f"{one!r} {form.unit}" for one, form in zip(value, self.forms, strict=True))

    def show(self, value: tuple[float, ...]) -> str:
        """One text."""
        return " ".join(form.show(one) for one, form in zip(value, self.forms, strict=True))


def written(form: Form, key: str = "", *, main: bool = False) -> dict[str, Any]:
    """Metadata of a field: its form, its key in the file, whether a bare swap means this field."""
    return {"form": form, "key": key, "main": main, "unit": getattr(form, "unit", "")}


@dataclass(frozen=True)
class FieldSpec:
    """One written field of a part: attribute name, key in the file, form, must it be there."""

    name: str
    key: str
    form: Form
    main: bool
    required: bool


def fields_of(kind: type) -> Iterator[FieldSpec]:
    """The written fields of a kind of part, in the order they stand in a file."""
    for one in dataclasses.fields(kind):
        if "form" not in one.metadata:
            continue
        required = one.default is dataclasses.MISSING
        key = one.metadata["key"] or one.name
        yield FieldSpec(one.name, key, one.metadata["form"], one.metadata["main"], required)
