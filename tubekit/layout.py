"""Rows of text laid out in columns: aligned, wrapped to a width, cut to a number of lines."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from itertools import zip_longest
from typing import Any

from tubekit.errors import InputError

NARROW = 14
"""A column of words is not made narrower than this to save a whole table; a column is then left out."""
GAP = 2
MARK = "\0"


LONGEST_TEXT = 5_000
TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""They turn what follows around, digits too: a reader would see 033 for 330."""


def as_typed(text: Any, field: str = "", where: str = "", kind: type[InputError] = InputError) -> str:
    r"""Words that someone typed, as they are.

    Raises
    ------
    kind : no text, too long, or with a control character or one that turns the text around.

    Examples
    --------
    >>> as_typed("line one" + chr(10) + "$5 {each}")
    'line one\n$5 {each}'
    """
    if not isinstance(text, str):
        problem = f"is a {type(text).__name__}, not text"
    elif len(text) > LONGEST_TEXT:
        problem = f"has {len(text):,} characters; {LONGEST_TEXT:,} at most"
    else:
        hidden = next((s for s in text if _is_hidden(s)), "")
        if not hidden:
            return text
        problem = f"has an invisible character ({hidden!a})"
    raise kind(problem, where=where, part=field, fix="Clear the field and retype it", code="text")


def _is_hidden(sign: str) -> bool:
    return sign in TURNING or (unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\r\t")


def one_line(text: str) -> str:
    """Line breaks and control characters (terminal commands among them) become blanks."""
    if text.isprintable():
        return text
    return "".join(" " if unicodedata.category(char) in ("Cc", "Zl", "Zp") else char for char in text)


def text_width(text: str) -> int:
    """Places the text takes in a terminal: wide characters two, combining marks none."""
    if text.isascii() and text.isprintable():
        return len(text)
    return sum(
        0
        if unicodedata.combining(char) or unicodedata.category(char) == "Cf"
        else 1 + (unicodedata.east_asian_width(char) in ("W", "F"))
        for char in text
    )


def column_widths(rows: Sequence[Sequence[str]]) -> list[int]:
    """The widest cell of each column."""
    return [max(map(text_width, column)) for column in zip(*rows, strict=True)]


def join(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    """One line: every cell padded to its column, numbers to the right; no trailing blanks."""
    padded = []
    for cell, width, to_right in zip(cells, widths, right, strict=True):
        blank = " " * (width - text_width(cell))
        padded.append(blank + cell if to_right else cell + blank)
    return (" " * GAP).join(padded).rstrip()


def fitted(
    head: Sequence[str], body: Sequence[Sequence[str]], right: Sequence[bool], width: int
) -> tuple[list[str], list[list[str]]]:
    """Head and rows as lines no longer than `width`: long words wrap, then the last columns are left out.

    Returns
    -------
    tuple[list[str], list[list[str]]] : the lines of the head; of each row its lines.

    Examples
    --------
    >>> fitted(("part", "why"), [("V1", "too hot by far for this one")], (False, False), 20)
    (['part  why'], [['V1    too hot by far', '      for this one']])
    """
    count = len(head)
    while True:
        widths = column_widths([head[:count], *(row[:count] for row in body)])
        least = [
            max(map(_longest_word, (head[k], *(() if right[k] else (row[k] for row in body)))))
            for k in range(count)
        ]
        least = [
            max(min(word, NARROW), max((text_width(row[k]) for row in body), default=0) if right[k] else 0)
            for k, word in enumerate(least)
        ]
        excess = sum(widths) + GAP * (count - 1) - width
        while excess > 0:
            slack = [wide - small for wide, small in zip(widths, least, strict=True)]
            widest = max(range(count), key=lambda k: (slack[k] > 0, widths[k]))
            if slack[widest] <= 0:
                break
            widths[widest] -= 1
            excess -= 1
        if excess <= 0 or count == 1:
            break
        count -= 1
    lines = [_wrapped(row[:count], widths, right[:count]) for row in (head, *body)]
    return lines[0], lines[1:]


def _longest_word(text: str) -> int:
    return max(map(text_width, text.split()), default=0)


def _wrapped(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> list[str]:
    columns = [
        _wrapped_words(cell, wide) or [""] if text_width(cell) > wide else [cell]
        for cell, wide in zip(cells, widths, strict=True)
    ]
    return [join(line, widths, right) for line in zip_longest(*columns, fillvalue="")]


def _wrapped_words(text: str, width: int) -> list[str]:
    """The text wrapped to `width` places: a mark before a wide character takes the second of its places."""
    marked = "".join(MARK * (text_width(char) - 1) + char for char in text)
    return [line.replace(MARK, "") for line in textwrap.wrap(marked, width)]


def cut(rows: Sequence[Sequence[str]], lines: int) -> tuple[list[str], int]:
    """As many whole rows as fit, the last line saying how many more there are; and that number.

    Examples
    --------
    >>> cut([["B1"], ["B2"], ["B3"]], 2)
    (['B1', '… 2 more'], 2)
    """
    if sum(map(len, rows)) <= lines:
        return [line for row in rows for line in row], 0
    shown: list[str] = []
    for number, row in enumerate(rows):
        if len(shown) + len(row) > lines - 1:
            return [*shown, f"… {len(rows) - number} more"], len(rows) - number
        shown += row
    return shown, 0
