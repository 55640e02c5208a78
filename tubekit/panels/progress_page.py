"""How far one has come: every lesson once, and the way on to the first that is not finished."""

from __future__ import annotations

import html
from pathlib import Path
from typing import NamedTuple

import ipywidgets as widgets

from tubekit.lessons.book import LESSONS
from tubekit.lessons.fault_hunt import CASES, NUMBER
from tubekit.lessons.lesson import words_of
from tubekit.lessons.store import Kept, Store
from tubekit.panels import layout
from tubekit.panels.course_page import trouble
from tubekit.panels.layout import FULL
from tubekit.text import Table, headed

NOTE = (
    "A lesson is finished when each of its questions has been answered, right or wrong. Saved in "
    "my-progress.json, in the folder of the lessons. To start over, delete that file."
)


class ProgressRow(NamedTuple):
    """One lesson: questions, those answered right once, answers given, hints taken, questions answered."""

    number: str
    title: str
    questions: int
    right: int
    tries: int
    hints: int
    answered: int

    @property
    def finished(self) -> bool:
        """Whether each question has been answered."""
        return self.answered == self.questions

    def words(self) -> str:
        """How far it has come."""
        if not self.tries:
            return f"{self.questions} questions"
        answers = f"{self.tries} answer{'s' * (self.tries > 1)}"
        return f"{self.answered} of {self.questions} answered, {self.right} right; {answers}"


def progress_rows(store: Store) -> list[ProgressRow]:
    """One row for each lesson, in order."""
    known = {number: (each.title, each.names) for number, each in LESSONS.items()}
    known[NUMBER] = (words_of(NUMBER)["title"], tuple(f"case{k + 1}" for k in range(CASES)))
    rows = []
    for number, (title, keys) in sorted(known.items()):
        kept = [store.of(number).get(key, Kept()) for key in keys]
        counts = (sum(bool(k.right) for k in kept), sum(k.tries for k in kept), sum(k.hints for k in kept))
        rows.append(ProgressRow(number, title, len(keys), *counts, sum(bool(k.tries) for k in kept)))
    return rows


class ProgressPage(widgets.VBox):
    """What the file beside the lessons says. By program: `look`, `rows`, `following`."""

    def __init__(self, store: Store) -> None:
        self.store, self.rows = store, progress_rows(store)
        self.told, self.notice = widgets.HTML(layout=FULL), widgets.HTML(layout=FULL)
        self.again = layout.button("Reload", "Reload the progress file", self.look)
        self._show()
        box = widgets.VBox([self.notice, self.told], layout=FULL)
        super().__init__([*layout.page(box), layout.tools({"again": self.again})])
        self.add_class("tubekit-lesson")

    @property
    def following(self) -> ProgressRow | None:
        """The lesson to go on with: the first that is not finished, then the first not all right."""
        unfinished = [row for row in self.rows if not row.finished]
        return next(iter(unfinished + [row for row in self.rows if row.right < row.questions]), None)

    def look(self) -> None:
        """Read the file again."""
        self.store.look()
        self.rows = progress_rows(self.store)
        self._show()

    def table(self) -> Table:
        """Every lesson with its counts."""
        rows = [
            (f"{int(row.number)} {row.title}", f"{row.right} of {row.questions}", row.tries, row.hints)
            for row in self.rows
        ]
        return Table("", headed("lesson", "right [] >", "answers", "hints"), rows)

    def _show(self) -> None:
        done, asked = sum(row.answered for row in self.rows), sum(row.questions for row in self.rows)
        right, now = sum(row.right for row in self.rows), self.following
        onward = (
            f"<p>{_link(now, f'Continue: lesson {int(now.number)}', 'tubekit-continue')}</p>" if now else ""
        )
        items = "".join(
            f'<li class="{"tubekit-now" if row is now else ""}">{"✓ " if row.finished else ""}'
            f"{_link(row, row.title)}<br>{html.escape(row.words())}</li>"
            for row in self.rows
        )
        self.told.value = (
            f'<section class="tubekit"><p class="tubekit-headline">{done} of {asked} questions answered, '
            f"{right} right.</p>{onward}"
            f'<ol class="tubekit-course">{items}</ol><p class="tubekit-note">{NOTE}</p></section>'
        )
        self.notice.value = trouble(self.store.trouble)


def _link(row: ProgressRow, words: str, css: str = "") -> str:
    """Words that open the notebook of a lesson in a tab of its own, where it is in this folder."""
    book = next(Path.cwd().glob(f"{row.number}-*.ipynb"), None)
    if book is None:
        return html.escape(words)
    title = html.escape(f"Open lesson {int(row.number)}: {row.title}")
    return (
        f'<a class="{css}" href="{book.name}" target="_blank" rel="noopener" title="{title}">'
        f"{html.escape(words)}</a>"
    )
