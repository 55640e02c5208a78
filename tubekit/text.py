"""Answers on paper: the same rows as aligned text for a terminal and as HTML for a notebook.

Computing rooms give `Table`s; nothing here draws or judges.
"""

from __future__ import annotations

import html
import re
import textwrap
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, reduce
from pathlib import Path
from typing import Any, ClassVar, Literal

import numpy as np

from tubekit.layout import column_widths, join, one_line
from tubekit.result_fields import (
    FieldDoc,
    described,
    fields_of,
    frozen_array,
    printed_as,
    quantity,
    to_json_value,
)
from tubekit.units import show

__all__ = [
    "Column",
    "FieldDoc",
    "Printed",
    "Table",
    "caution_html",
    "danger_html",
    "described",
    "fields_of",
    "frozen_array",
    "headed",
    "quantity",
    "style",
    "to_json_value",
]

_NOTE_WIDTH = 88
LEAST = {"V": 1e-3, "A": 1e-6, "W": 1e-3}
"""What a short answer shows at least, by base unit: a bench meter shows no less."""
DUST = {"V": 1e-6, "A": 1e-9, "W": 1e-9}
"""Less than this is printed as zero: rounding of the solver, no figure."""
ALIKE = 0.005
"""Figures that differ by less than this fraction read alike; common practice, no source."""
CAUTION = (
    "DANGER. Line voltage and B+ can kill, even after the amp is switched off and unplugged. These figures "
    "are calculated, not measured. Unplug, discharge the filter caps through a resistor, and check with a "
    "meter before you touch anything. Follow local codes; leave licensed work to licensed people."
)
OUTSIDE = "†"
"""Marks a tube at voltages outside the range its model was fitted in."""
_NOT_ABOUT = ("before", "drawn", "drawing")
"""Fields that hold an amp an answer is not about: another one, or the same before a change."""


@dataclass(frozen=True)
class Column:
    """How one column of a table is written.

    Parameters
    ----------
    name : heading.
    unit : base unit of the numbers in it ('ohm', 'V rms', …); cells then read '4.70 kΩ'.
    digits : significant figures.
    format : format specification such as '.1f'; the unit then stands in the heading instead.
    align : 'left', 'right' or 'auto' (numbers to the right).
    tiny : a short answer too shows what is below 1 mV, 1 µA or 1 mW (noise, hum, levels of a tone).
    """

    name: str
    unit: str = ""
    digits: int = 3
    format: str = ""
    align: Literal["auto", "left", "right"] = "auto"
    tiny: bool = False

    @property
    def heading(self) -> str:
        """Name, with the unit where the cells do not carry it."""
        stated = self.unit == "%" and self.name.startswith("%")
        return f"{self.name} [{self.unit}]" if self.format and self.unit and not stated else self.name

    def write(self, cell: Any, short: bool = False) -> str:
        """A cell as text: None is blank, NaN '—', an array 'least…greatest'.

        In `short`, what no meter on a bench shows is '< 1 mV', '< 1 µA', '< 1 mW'.
        """
        if cell is None or isinstance(cell, str):
            return one_line(cell or "")
        if isinstance(cell, (bool, np.bool_)):
            return "yes" if cell else "no"
        if _is_pair(cell):
            return self._write_number(cell[0], cell[1], short)
        if _is_number(cell):
            return self._write_number(cell, self.unit, short)
        return one_line(str(cell))

    def _write_number(self, cell: Any, unit: str, short: bool) -> str:
        if not self.format:
            whole = not unit and isinstance(cell, (int, np.integer))
            base = unit.split(" ", maxsplit=1)[0]
            if not self.tiny and base in DUST:
                cell = np.where(np.abs(np.asarray(cell, float)) < DUST[base], 0.0, cell)
            least = None if self.tiny or not short else LEAST.get(base)
            if least is not None and 0.0 < np.max(np.abs(np.asarray(cell, float)), initial=0.0) < least:
                return f"< {show(least, unit, 1)}"
            return str(cell) if whole else show(cell, unit, self.digits)
        values = np.asarray(cell, dtype=float)
        known = values[~np.isnan(values)]
        if known.size == 0:
            return "—"
        low, high = (_unsigned(format(float(end), self.format)) for end in (known.min(), known.max()))
        return low if low == high else f"{low}…{high}"


def headed(*heads: str) -> tuple[Column, ...]:
    """Columns of rows that are worked out, as they are headed: name, [unit], format, '>' (right), 'tiny'.

    Examples
    --------
    >>> headed("node", "DC [V]", "off [dB] +.1f", "from [] >")[2]
    Column(name='off', unit='dB', digits=3, format='+.1f', align='auto', tiny=False)
    """
    result = []
    for head in heads:
        name, _, rest = head.partition(" [")
        unit, _, options = rest.partition("]")
        words = options.split()
        shape = next((word for word in words if word not in (">", "tiny")), "")
        align: Literal["auto", "right"] = "right" if ">" in words else "auto"
        result.append(Column(name, unit, format=shape, align=align, tiny="tiny" in words))
    return tuple(result)


@dataclass(frozen=True, eq=False, repr=False)
class Table:
    """Rows under named columns, with a title and an optional note.

    `key` is what a program finds the table by, whatever its title and place.

    A cell is text, a number in the column's unit, a pair (number, unit) where the unit changes
    from row to row, True/False, None, or an array (shown as its range).

    Examples
    --------
    >>> print(Table("Supply", (Column("node"), Column("volts", "V"), Column("ripple", "V pp")),
    ...             [("B1", 335.2, 12.34), ("B2", 310.0, 0.4)], note="At 117 V line.").text())
    Supply
    node  volts     ripple
    ──────────────────────
    B1    335 V  12.3 V pp
    B2    310 V  400 mV pp
    At 117 V line.
    """

    title: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Any]]
    note: str = ""
    key: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", tuple(self.columns))
        object.__setattr__(self, "rows", tuple(tuple(row) for row in self.rows))
        for number, row in enumerate(self.rows, 1):
            if len(row) != len(self.columns):
                raise ValueError(
                    f"table '{self.title}': row {number} has {len(row)} cells for {len(self.columns)} columns"
                )

    @classmethod
    def of(cls, title: str, records: Iterable[Any], *fields: str, note: str = "", key: str = "") -> Table:
        """A row for each record, a column for each field: its label and unit are those of the field.

        Parameters
        ----------
        records : results of one class.
        fields : names of fields or properties, or 'heading=name'.

        Examples
        --------
        >>> from dataclasses import dataclass
        >>> @dataclass
        ... class Rail:
        ...     node: str
        ...     dc_v: float = quantity("V", "V", "mean voltage", label="DC")
        ...     used: float = quantity("", "", "used part of the rating", label="of rating", share=True)
        >>> print(Table.of("Rails", [Rail("B1", 335.2, 0.7)], "node", "dc_v", "used").text())
        Rails
        node     DC  of rating
        ──────────────────────
        B1    335 V     70.0 %
        """
        rows = list(records)
        split = [each.rpartition("=")[::2] for each in fields]
        kind = type(rows[0]) if rows else Table
        how = [printed_as(kind, name) for _, name in split]
        columns = [
            Column(
                heading if "=" in spec else each["label"], "%" if each.get("share") else each["unit"],
                format=each.get("format", ""), tiny=bool(each.get("tiny")),
            )
            for spec, (heading, _), each in zip(fields, split, how, strict=True)
        ]  # fmt: skip
        cells = [
            [_cell(getattr(row, name), each) for (_, name), each in zip(split, how, strict=True)]
            for row in rows
        ]
        return cls(title, columns, cells, note, key)

    def cells(self, short: bool = False) -> tuple[tuple[str, ...], ...]:
        """All cells as they are written, row by row."""
        return tuple(
            tuple(column.write(cell, short) for column, cell in zip(self.columns, row, strict=True))
            for row in self.rows
        )

    def to_the_right(self) -> tuple[bool, ...]:
        """Whether each column is aligned to the right."""
        return tuple(
            column.align == "right"
            or (column.align == "auto" and _all_numbers([row[place] for row in self.rows]))
            for place, column in enumerate(self.columns)
        )

    def text(self) -> str:
        """Aligned columns for a terminal; lines carry no trailing blanks."""
        head = tuple(one_line(column.heading) for column in self.columns)
        body, right = self.cells(), self.to_the_right()
        widths = column_widths([head, *body])
        lines = [join(line, widths, right) for line in (head, *body)]
        rule = "─" * (sum(widths) + 2 * max(0, len(widths) - 1))
        note = [part for line in self.note.splitlines() for part in textwrap.wrap(line, _NOTE_WIDTH)]
        title = [one_line(self.title)] if self.title else []
        return "\n".join([*title, lines[0], rule, *lines[1:], *note])

    def only(self, *names: str, title: str | None = None) -> Table:
        """The same table with these columns alone, in this order; names that it lacks are passed over."""
        at = {column.name: k for k, column in reversed(list(enumerate(self.columns)))}
        places = [at[name] for name in names if name in at]
        columns = [self.columns[k] for k in places]
        rows = [[row[k] for k in places] for row in self.rows]
        return Table(self.title if title is None else title, columns, rows, self.note, self.key)

    def alike(self, name: str) -> Table:
        """Rows that read alike but for the column `name`, as those of a pair of tubes, on one line.

        Examples
        --------
        >>> rows = [("V3", "rating", 9.71), ("R1", "rating", 1.0), ("V4", "rating", 9.73)]
        >>> Table("", headed("part", "", "now [W]"), rows).alike("part").rows
        (('V3, V4', 'rating', 9.71), ('R1', 'rating', 1.0))
        """
        place = [column.name for column in self.columns].index(name)
        kept: list[tuple[list[str], Sequence[Any], tuple[str, ...]]] = []
        for row, cells in zip(self.rows, self.cells(), strict=True):
            rest = cells[:place] + cells[place + 1 :]
            for names, _, one in kept:
                if all(map(_read_alike, one, rest)):
                    names.append(cells[place])
                    break
            else:
                kept.append(([cells[place]], row, rest))
        rows = [(*row[:place], ", ".join(sorted(names)), *row[place + 1 :]) for names, row, _ in kept]
        return Table(self.title, self.columns, rows, self.note, self.key)

    def html(self) -> str:
        """A table element, everything escaped, without the style sheet (see `style`)."""
        right = self.to_the_right()
        head = "".join(
            _element("th", column.heading, number, 'scope="col"')
            for column, number in zip(self.columns, right, strict=True)
        )
        body = "".join(f"<tr>{_html_row(row, right)}</tr>" for row in self.cells())
        caption = f"<caption>{html.escape(one_line(self.title))}</caption>" if self.title else ""
        note = f'<p class="tubekit-note">{html.escape(self.note)}</p>' if self.note else ""
        return (
            f'<table class="tubekit-table">{caption}<thead><tr>{head}</tr></thead>'
            f"<tbody>{body}</tbody></table>{note}"
        )

    def __str__(self) -> str:
        return self.text()

    __repr__ = __str__  # rounded as printed: saved notebooks are compared, on any machine

    def _repr_html_(self) -> str:
        return f"{style()}{self.html()}"


class Printed(ABC):
    """Mixin for results: a headline and tables give them their text and their HTML.

    Decorate the dataclass with `repr=False` to get the short repr as well.
    """

    @abstractmethod
    def headline(self) -> str:
        """The answer in one sentence."""

    @abstractmethod
    def tables(self) -> Sequence[Table]:
        """The numbers, most important table first."""

    json_keys: ClassVar[tuple[str, ...]] = ()
    """What the JSON of the answer holds: 'name', 'key=path.to.value', or '*path' for all that another has;
    every public field where nothing is stated."""

    def to_json(self) -> Any:
        """The answer in terms JSON has: SI units, keys from the glossary."""
        result: dict[str, Any] = {}
        fields = getattr(self, "__dataclass_fields__", ())
        for each in self.json_keys or [name for name in fields if not name.startswith("_")]:
            key, _, path = each.lstrip("*").rpartition("=")
            value = reduce(getattr, path.split("."), self)
            held = to_json_value(value() if callable(value) else value)
            result |= held if each.startswith("*") else {key or path: held}
        return result

    def table(self, key: str) -> Table:
        """The table with that key; KeyError where there is none."""
        return {table.key: table for table in self.tables()}[key]

    def tables_but(self, *keys: str) -> list[Table]:
        """The tables without those that bear one of the keys."""
        return [table for table in self.tables() if table.key not in keys]

    @property
    def dangers(self) -> tuple[Any, ...]:
        """What can kill or burn on the amp this is about, solved and as wired; of a change: after it."""
        result = (*(getattr(one, key, ()) for one in self._held() for key in ("idle_dangers", "dangers")),)
        return tuple({(note.code, note.part): note for notes in result for note in notes}.values())

    @property
    def live(self) -> bool:
        """Whether it is about an amp: line voltage and B+ are then in the reader's hands."""
        return any(getattr(one, "live", False) for one in self._held())

    @property
    def caution(self) -> str:
        """What is said above all figures about an amp; '' where there is none."""
        return CAUTION if self.live else ""

    def _held(self) -> list[Any]:
        names = getattr(self, "__dataclass_fields__", ())
        return [getattr(self, name, None) for name in names if name not in _NOT_ABOUT]

    def short(self) -> Sequence[Table]:
        """The tables of the short answer, the most important first; a result chooses its own."""
        return self.tables()

    def answer(self) -> str:
        """The answer as the short answer states it, in one or two sentences."""
        return self.headline()

    def __str__(self) -> str:
        caution = "\n".join(textwrap.wrap(self.caution, _NOTE_WIDTH))
        first = [*map(danger_text, self.dangers), *([caution] if caution else [])]
        return "\n\n".join([*first, self.headline(), *(table.text() for table in self.tables())])

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.headline()}>"

    def html(self) -> str:
        """Dangers, headline and tables as a section, without the style sheet (see `style`)."""
        tables = "".join(table.html() for table in self.tables())
        text = f'<p class="tubekit-headline">{html.escape(self.headline())}</p>'
        head = f"{danger_html(self.dangers)}{caution_html(self.caution)}{text}"
        return f'<section class="tubekit">{head}{tables}</section>'

    def _repr_html_(self) -> str:
        return f"{style()}{self.html()}"


def danger_text(danger: Any) -> str:
    """A danger as it stands above all else in a terminal."""
    return textwrap.fill(f"DANGER: {danger.text}", _NOTE_WIDTH)


def danger_html(dangers: Iterable[Any]) -> str:
    """The dangers of an amp or of a result about it, one paragraph each; '' where there is none."""
    return "".join(
        f'<p class="tubekit-danger" role="alert">DANGER: {html.escape(danger.text)}</p>' for danger in dangers
    )


def caution_html(*words: str) -> str:
    """The caution, where the hand goes next; '' where there is nothing to say."""
    text = html.escape(" ".join(words))
    return f'<p class="tubekit-caution"><strong>{text}</strong></p>' if text else ""


@cache
def style() -> str:
    """The style element for all tubekit HTML; put it once into a page."""
    sheet = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
    return f"<style>{sheet}</style>"


def _cell(value: Any, how: Mapping[str, Any]) -> Any:
    if how.get("share"):
        return 100.0 * np.asarray(value)
    if isinstance(value, tuple) and all(isinstance(each, str) for each in value):
        return ", ".join(dict.fromkeys(value))
    return value


_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def _read_alike(one: str, two: str) -> bool:
    """Whether two cells differ at most in figures that a bench meter does not tell apart."""
    if one == two or _NUMBER.sub("#", one) != _NUMBER.sub("#", two):
        return one == two
    figures = zip(_NUMBER.findall(one), _NUMBER.findall(two), strict=True)
    return all(abs(float(a) - float(b)) <= ALIKE * float(a) for a, b in figures)


def _unsigned(number: str) -> str:
    """A zero without its sign."""
    return number if number.strip("+-0.") else number.lstrip("+-")


def _is_number(cell: Any) -> bool:
    if isinstance(cell, (bool, np.bool_)):
        return False
    if isinstance(cell, (list, tuple)) and not cell:
        return False
    return isinstance(cell, (int, float, np.number, np.ndarray, list, tuple))


def _is_pair(cell: Any) -> bool:
    return isinstance(cell, tuple) and len(cell) == 2 and isinstance(cell[1], str)


def _all_numbers(cells: Sequence[Any]) -> bool:
    held = [cell for cell in cells if cell is not None]
    return bool(held) and all(_is_number(cell) for cell in held)


def _element(tag: str, text: str, number: bool, attributes: str = "") -> str:
    opening = " ".join(part for part in (tag, attributes, 'class="tubekit-number"' if number else "") if part)
    return f"<{opening}>{html.escape(one_line(text))}</{tag}>"


def _html_row(row: Sequence[str], right: Sequence[bool]) -> str:
    """First cell heads the row where it is words, so that a screen reader can name the row."""
    cells = []
    for place, (cell, number) in enumerate(zip(row, right, strict=True)):
        heads = place == 0 and not number
        cells.append(_element("th" if heads else "td", cell, number, 'scope="row"' if heads else ""))
    return "".join(cells)
