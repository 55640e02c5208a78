"""How far one has come: every lesson and question, from the file beside the lessons."""

from __future__ import annotations

import html
from typing import NamedTuple

import ipywidgets as widgets
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from tubekit.panels import layout
from tubekit.panels.knobs import FULL
from tubekit.panels.lessons.book import LESSONS
from tubekit.panels.lessons.hunt import NUMBER
from tubekit.panels.lessons.hunt_case import CASES
from tubekit.panels.lessons.store import Kept, Store
from tubekit.panels.live import LiveFigure
from tubekit.plots import ink
from tubekit.text import Table, headed

HUNT = "Which part is bad?"
NOTE = "Saved in my-progress.json, in the folder of the lessons. To start over, rename that file."


class Row(NamedTuple):
    """One lesson: questions, those answered right once, answers given, hints taken."""

    number: str
    title: str
    questions: int
    right: int
    tries: int
    hints: int


Rows = list[Row]


def rows_of(store: Store) -> Rows:
    """One row for each lesson, the last one with its cases."""
    known = {number: (each.title, each.names) for number, each in LESSONS.items()}
    known[NUMBER] = (HUNT, tuple(f"case{k + 1}" for k in range(CASES)))
    rows = []
    for number, (title, keys) in sorted(known.items()):
        kept = [store.of(number).get(key, Kept()) for key in keys]
        right = sum(1 for each in kept if each.right)
        tries, hints = sum(each.tries for each in kept), sum(each.hints for each in kept)
        rows.append(Row(number, title, len(keys), right, tries, hints))
    return rows


class DoneView:
    """One bar for each lesson: how much of it was answered right at least once."""

    def __init__(self, figure: Figure, rows: Rows) -> None:
        axes = figure.add_axes((0.13, 0.08, 0.75, 0.84))
        axes.set_title("Questions answered right at least once")
        axes.set(xlim=(0.0, 1.0), ylim=(len(rows) - 0.5, -0.5), xticks=[])
        axes.set_yticks(range(len(rows)), [f"Lesson {int(row.number)}" for row in rows])
        ink.bare(axes)
        fill = ink.FILLS["within"]
        axes.barh(range(len(rows)), 1.0, height=0.6, facecolor=ink.PAPER, edgecolor=ink.HAIR, zorder=1)
        self.bars = axes.barh(
            range(len(rows)), 0.0, height=0.6, facecolor=fill.face, edgecolor=fill.edge, zorder=2
        )
        self.words = [axes.text(1.02, k, "", va="center", ha="left") for k in range(len(rows))]

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [*self.bars, *self.words]

    def show(self, now: Rows, before: Rows | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """As far as it has come."""
        for bar, word, (_, _, total, right, _, _) in zip(self.bars, self.words, now, strict=True):
            bar.set_width(right / total)
            word.set_text(f"{right} of {total}")

    def fade(self, faded: bool) -> None:
        """Progress is never out of date."""


class ProgressPage(widgets.VBox):
    """What the file beside the lessons says. By program: `look`, `rows`."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.told, self.notice = widgets.HTML(layout=FULL), widgets.HTML(layout=FULL)
        self.rows = rows_of(store)
        self.figure: LiveFigure[Rows] = LiveFigure(DoneView, self.rows, height=430)
        self.again = widgets.Button(
            description="Reload", tooltip="Read the progress file again",
            layout=widgets.Layout(width="auto"),
        )  # fmt: skip
        self.again.on_click(lambda _: self.look())
        self._show()
        frame = widgets.VBox(
            [self.figure.picture.image], layout=widgets.Layout(flex="1 1 420px", max_width="634px")
        )
        words = widgets.VBox([self.notice, self.told], layout=widgets.Layout(flex="1 1 460px", min_width="0"))
        columns = widgets.HBox([frame, words], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
        columns.add_class("tubekit-panel")
        super().__init__([widgets.HTML(layout.css()), layout.tools({"again": self.again}), columns])
        self.add_class("tubekit-lesson")

    def look(self) -> None:
        """Read the file again."""
        self.store.look()
        self.rows = rows_of(self.store)
        self._show()

    def table(self) -> Table:
        """Every lesson with its counts."""
        heads = headed("lesson", "right [] >", "answers", "hints")
        rows = [
            (f"{int(row.number)} {row.title}", f"{row.right} of {row.questions}", row.tries, row.hints)
            for row in self.rows
        ]
        return Table("", heads, rows)

    def _show(self) -> None:
        self.figure.show(self.rows)
        done, asked = sum(row.right for row in self.rows), sum(row.questions for row in self.rows)
        self.told.value = (
            f'<section class="tubekit"><p class="tubekit-headline">{done} of {asked} answered right.</p>'
            f'{self.table().html()}<p class="tubekit-note">{NOTE}</p></section>'
        )
        trouble = html.escape(self.store.trouble)
        self.notice.value = f'<p class="tubekit-stale" role="alert">{trouble}</p>' if trouble else ""
