"""Answers on paper: the same rows as aligned text for a terminal and as HTML for a notebook.

Computing rooms give `Table`s; nothing here draws or judges.
"""

from __future__ import annotations

import html
import textwrap
import unicodedata
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from tubekit.result_fields import FieldDoc, fields_of, frozen_array, quantity, to_json_value
from tubekit.units import show

__all__ = [
    "Column",
    "FieldDoc",
    "Printed",
    "Table",
    "danger_html",
    "fields_of",
    "frozen_array",
    "quantity",
    "style",
    "to_json_value",
]

_NOTE_WIDTH = 88
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
    """

    name: str
    unit: str = ""
    digits: int = 3
    format: str = ""
    align: Literal["auto", "left", "right"] = "auto"

    @property
    def heading(self) -> str:
        """Name, with the unit where the cells do not carry it."""
        return f"{self.name} [{self.unit}]" if self.format and self.unit else self.name

    def write(self, cell: Any) -> str:
        """A cell as text: None is blank, NaN '—', an array 'least…greatest'."""
        if cell is None or isinstance(cell, str):
            return _one_line(cell or "")
        if isinstance(cell, (bool, np.bool_)):
            return "yes" if cell else "no"
        if _is_pair(cell):
            return show(cell[0], cell[1], self.digits)
        if _is_number(cell):
            return self._write_number(cell)
        return _one_line(str(cell))

    def _write_number(self, cell: Any) -> str:
        if not self.format:
            whole = not self.unit and isinstance(cell, (int, np.integer))
            return str(cell) if whole else show(cell, self.unit, self.digits)
        values = np.asarray(cell, dtype=float)
        known = values[~np.isnan(values)]
        if known.size == 0:
            return "—"
        low, high = (format(float(end), self.format) for end in (known.min(), known.max()))
        return low if low == high else f"{low}…{high}"


@dataclass(frozen=True, eq=False, repr=False)
class Table:
    """Rows under named columns, with a title and an optional note.

    `key` is what a program finds the table by, whatever its title and place.

    A cell is text, a number in the column's unit, a pair (number, unit) where the unit changes
    from row to row, True/False, None, or an array (shown as its range).

    Examples
    --------
    >>> print(Table("Supply", (Column("node"), Column("volts", "V"), Column("ripple", "V pp")),
    ...             [("B1", 335.2, 12.34), ("B2", 310.0, 0.4)], note="At 117 V mains.").text())
    Supply
    node  volts     ripple
    ──────────────────────
    B1    335 V  12.3 V pp
    B2    310 V  400 mV pp
    At 117 V mains.
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

    def cells(self) -> tuple[tuple[str, ...], ...]:
        """All cells as they are written, row by row."""
        return tuple(
            tuple(column.write(cell) for column, cell in zip(self.columns, row, strict=True))
            for row in self.rows
        )

    def _to_the_right(self) -> tuple[bool, ...]:
        return tuple(
            column.align == "right"
            or (column.align == "auto" and _all_numbers([row[place] for row in self.rows]))
            for place, column in enumerate(self.columns)
        )

    def text(self) -> str:
        """Aligned columns for a terminal; lines carry no trailing blanks."""
        head = tuple(_one_line(column.heading) for column in self.columns)
        body, right = self.cells(), self._to_the_right()
        widths = [max(map(_width, column)) for column in zip(head, *body, strict=True)]
        lines = [_join(line, widths, right) for line in (head, *body)]
        rule = "─" * (sum(widths) + 2 * max(0, len(widths) - 1))
        note = [part for line in self.note.splitlines() for part in textwrap.wrap(line, _NOTE_WIDTH)]
        title = [_one_line(self.title)] if self.title else []
        return "\n".join([*title, lines[0], rule, *lines[1:], *note])

    def html(self) -> str:
        """A table element, everything escaped, without the style sheet (see `style`)."""
        right = self._to_the_right()
        head = "".join(
            _element("th", column.heading, number, 'scope="col"')
            for column, number in zip(self.columns, right, strict=True)
        )
        body = "".join(f"<tr>{_html_row(row, right)}</tr>" for row in self.cells())
        caption = f"<caption>{html.escape(_one_line(self.title))}</caption>" if self.title else ""
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

    def table(self, key: str) -> Table:
        """The table with that key; KeyError where there is none."""
        return {table.key: table for table in self.tables()}[key]

    def tables_but(self, *keys: str) -> list[Table]:
        """The tables without those that bear one of the keys."""
        return [table for table in self.tables() if table.key not in keys]

    @property
    def dangers(self) -> tuple[Any, ...]:
        """What can kill or burn on the amp this is about, and that it oscillates; of a change: after it."""
        names = [name for name in getattr(self, "__dataclass_fields__", ()) if name not in _NOT_ABOUT]
        held = [getattr(self, name, None) for name in names]
        found = (*(getattr(one, key, ()) for one in held for key in ("oscillation", "dangers")),)
        return tuple(dict.fromkeys(note for notes in found for note in notes))

    def __str__(self) -> str:
        first = map(danger_text, self.dangers)
        return "\n\n".join([*first, self.headline(), *(table.text() for table in self.tables())])

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.headline()}>"

    def html(self) -> str:
        """Dangers, headline and tables as a section, without the style sheet (see `style`)."""
        tables = "".join(table.html() for table in self.tables())
        head = f'{danger_html(self.dangers)}<p class="tubekit-headline">{html.escape(self.headline())}</p>'
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


@cache
def style() -> str:
    """The style element for all tubekit HTML; put it once into a page."""
    sheet = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
    return f"<style>{sheet}</style>"


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


def _one_line(text: str) -> str:
    """Line breaks and control characters (terminal commands among them) become blanks."""
    return "".join(" " if unicodedata.category(char) in ("Cc", "Zl", "Zp") else char for char in text)


def _width(text: str) -> int:
    """Places the text takes in a terminal: wide characters two, combining marks none."""
    return sum(
        0
        if unicodedata.combining(char) or unicodedata.category(char) == "Cf"
        else 1 + (unicodedata.east_asian_width(char) in ("W", "F"))
        for char in text
    )


def _join(line: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = []
    for cell, width, to_right in zip(line, widths, right, strict=True):
        blank = " " * (width - _width(cell))
        padded.append(blank + cell if to_right else cell + blank)
    return "  ".join(padded).rstrip()


def _element(tag: str, text: str, number: bool, attributes: str = "") -> str:
    opening = " ".join(part for part in (tag, attributes, 'class="tubekit-number"' if number else "") if part)
    return f"<{opening}>{html.escape(_one_line(text))}</{tag}>"


def _html_row(row: Sequence[str], right: Sequence[bool]) -> str:
    """First cell heads the row where it is words, so that a screen reader can name the row."""
    cells = []
    for place, (cell, number) in enumerate(zip(row, right, strict=True)):
        heads = place == 0 and not number
        cells.append(_element("th" if heads else "td", cell, number, 'scope="row"' if heads else ""))
    return "".join(cells)
