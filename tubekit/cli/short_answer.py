"""The short answer of a command: dangers, the verdict and what matters most, within one screen."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable

from tubekit.layout import cut, fitted, one_line
from tubekit.text import OUTSIDE, Printed, Table

WIDTH, LINES = 100, 25
"""Columns and lines that a short answer never exceeds."""
HEAD_LINES, MOST_DANGER_LINES = 4, 12
SHORT_CAUTION = (
    "DANGER: Line voltage and B+ can kill. Unplug. Discharge each filter capacitor through a resistor. "
    "Check with a meter."
)


def short_answer(printed: Printed, spell: Callable[[str], str] = str) -> str:
    """The short answer of a result; its last line says what is left out.

    Parameters
    ----------
    spell : writes a piece of text in the signs the terminal has.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> short_answer(analyze(load_amp("vetch"))).splitlines()[0][:37]
    'DANGER: Line voltage and B+ can kill.'
    """
    first = _danger_lines(printed, spell)
    sentences = textwrap.wrap(spell(one_line(printed.answer())), WIDTH)
    if len(sentences) > HEAD_LINES:
        sentences = [*sentences[: HEAD_LINES - 1], sentences[HEAD_LINES - 1][: WIDTH - 4] + spell(" …")]
    head = [*first, *([""] if first else []), *sentences]
    shown: list[str] = []
    left_out: dict[str, int] = {_name(table): len(table.rows) for table in printed.tables()}
    whole = [table for table in printed.short() if table.rows]
    tables = [_paired(table) for table in whole]
    marked = any(OUTSIDE in str(row[0]) for table in tables for row in table.rows)
    room = LINES - len(head) - 1 - marked
    needs = [min(len(table.rows), 3) + 3 for table in tables]
    for k, table in enumerate(tables):
        if room < 4:
            break
        kept = sum(needs[k + 1 : k + 2])
        grant = room - (kept if needs[k] + kept <= room else 0)
        block, left = _table_lines(table, min(grant, room) - 1, spell)
        if len(block) + 1 > room or left == len(table.rows):
            break
        shown += ["", *block]
        room -= len(block) + 1
        count = len(table.rows) - left if left else len(whole[k].rows)
        left_out[_name(table)] = max(left_out.get(_name(table), 0) - count, 0)
    rest = {name: count for name, count in left_out.items() if count > 0}
    last = f"More (add --all): {', '.join(filter(None, rest))}"
    last = textwrap.shorten(spell(last), WIDTH, placeholder=spell(" …"))
    marks = (
        [spell(f"{OUTSIDE} beyond the published curves of this tube: an estimate.")]
        if marked and spell(OUTSIDE) in "".join(shown)
        else []
    )
    return "\n".join([*head, *shown, *marks, *([last] if rest else [])])


def _danger_lines(printed: Printed, spell: Callable[[str], str]) -> list[str]:
    """The amp's own dangers, then the standing one; where there are many, the first sentence of each."""
    texts = [f"DANGER: {note.text}" for note in printed.dangers]
    standing = [SHORT_CAUTION] if printed.caution else []
    for words in (texts, [text.split(". ")[0] + "." for text in texts]):
        lines = [line for text in (*words, *standing) for line in textwrap.wrap(spell(text), WIDTH)]
        if len(lines) <= MOST_DANGER_LINES:
            break
    return lines


def _table_lines(table: Table, lines: int, spell: Callable[[str], str]) -> tuple[list[str], int]:
    """The table within so many lines, without its note; and how many rows did not fit."""
    head = [spell(one_line(column.heading)) for column in table.columns]
    body = [[spell(cell) for cell in row] for row in table.cells(short=True)]
    top, rows = fitted(head, body, table.to_the_right(), WIDTH)
    top = textwrap.wrap(spell(one_line(table.title)), WIDTH)[:1] + [line for line in top if line]
    shown, left = cut(rows, lines - len(top))
    return top + shown, left


def _paired(table: Table) -> Table:
    """The table with what reads alike of a pair of tubes on one line."""
    heads = [column.name for column in table.columns]
    name = next((name for name in ("part", "tube", "capacitor", "measure") if name in heads), "")
    return table.alike(name) if name else table


def _name(table: Table) -> str:
    """A table as the last line of a short answer names it: 'tubes' of 'Tubes (volts to cathode)'."""
    name = re.split(r" ?[(,:]", one_line(table.title) or table.key)[0]
    return name if name[1:2].isupper() or name[1:2].isdigit() else name[:1].lower() + name[1:]
