"""Ink on paper: a laid-out section as a figure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from matplotlib.axes import Axes

from tubekit.plots import ink
from tubekit.plots.schematics.grid import (
    BOLD,
    LINE,
    SIZE,
    STEP,
    UP,
    Box,
    Grid,
    Pin,
    TextBlock,
    TextLine,
    shifted,
    width,
)
from tubekit.plots.schematics.pen import PLAIN, UNIT, Pen
from tubekit.plots.schematics.route import Wires, dots, route, runs
from tubekit.plots.schematics.shapes import ended
from tubekit.plots.schematics.stage import StagePlan
from tubekit.plots.schematics.symbols import draw
from tubekit.plots.schematics.words import Labels, Reader, label_nodes

INKS = {
    "part": ink.IRON, "value": ink.IRON, "changed": ink.OXIDE, "node": "#4d5563", "volts": "#17636c",
    "head": ink.IRON, "note": ink.IRON,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Panel:
    """A section with its wires and labels, ready to be inked; `box` holds everything, title and notes too."""

    plan: StagePlan
    wires: Wires
    labels: Labels
    box: Box
    title: tuple[str, ...] = ()
    notes: tuple[TextBlock, ...] = ()

    @property
    def board(self) -> Grid:
        """The symbols in their places."""
        return self.plan.board

    def heading(self) -> tuple[TextBlock, ...]:
        """Title lines, at the upper left."""
        inks = ("head", "note")
        return tuple(
            TextBlock(
                (TextLine(text, inks[min(n, 1)]),), self.box.left, self.box.top - (0.5 + n) * LINE * 1.15
            )
            for n, text in enumerate(self.title)
        )


def prepare(plan: StagePlan, reader: Reader, title: tuple[str, ...] = ()) -> Panel:
    """Run the wires, place the labels, and say what could not be drawn."""
    reader = plan.reader or reader
    nodes = sorted(plan.inner)
    wires = route(plan.board, nodes)
    if wires.missed:
        plan = replace(plan, board=_with_labels(plan.board, wires.missed, reader))
        wires = route(plan.board, nodes)
    shown = [node for node in nodes if plan.board.pins_of(node)]
    labels = label_nodes(plan.board, wires, shown, reader)
    boxes = [*plan.board.boxes, *(words.box for words in labels.words)]
    points = [point for one in wires.owner for point in one]
    left, right = (
        min([b.left for b in boxes] + [x for x, _ in points]),
        max([b.right for b in boxes] + [x for x, _ in points]),
    )
    low, high = (
        min([b.bottom for b in boxes] + [y for _, y in points]),
        max([b.top for b in boxes] + [y for _, y in points]),
    )
    lines = [line for text in remarks(plan, wires, labels, reader) for line in textwrap.wrap(text, 90)]
    left, right, low, high = left - 0.3, right + 0.3, low - 0.3, high + 0.3
    notes = tuple(
        TextBlock((TextLine(text, "note"),), left, low - 1.2 - n * LINE) for n, text in enumerate(lines)
    )
    wide = [width(text, "head") for text in title[:1]] + [
        width(text, "note") for text in (*title[1:], *lines)
    ]
    box = Box(
        left, low - (1.2 + LINE * len(lines) if lines else 0), max([right, *(left + w for w in wide)]),
        high + 0.4 + 1.15 * LINE * len(title),
    )  # fmt: skip
    return Panel(plan, wires, labels, box, title, notes)


def _with_labels(board: Grid, missed: Sequence[Pin], reader: Reader) -> Grid:
    """The board with a label at each pin that no wire reaches, moved up where the label needs room."""
    relaid = Grid()
    cut = [one for one in board.laid if any(pin in missed for pin in one.pins)]
    for one in board.laid:
        if one not in cut:
            relaid.lay(one.name, one.shape, one.x, one.y)
    for one in cut:
        closed = shifted([pin for pin in one.pins if pin in missed], -one.x, -one.y)
        relaid.lay_near(one.name, ended(one.shape, closed, reader), one.x, one.y, UP)
    return relaid


def remarks(plan: StagePlan, wires: Wires, labels: Labels, reader: Reader) -> list[str]:
    """Parts, ends of wires and volts for which there was no room on the drawing, in words."""
    lines = []
    if plan.also:
        parts = "; ".join(
            f"{' '.join(line.text for line in reader.label(i)[:2])} at {', '.join(i.nodes)}"
            for i in plan.also
        )
        lines.append(f"Also connected here: {parts}")
    if wires.missed:
        nodes = dict.fromkeys(pin.node for pin in wires.missed)
        lines.append(f"Leads without a wire connect wherever the same label is: {', '.join(nodes)}")
    if labels.missed:
        volts = ", ".join(" ".join(line.text for line in reader.node(node)) for node in labels.missed)
        lines.append(f"Also: {volts}")
    return lines


def paint(axes: Axes, panel: Panel, *, scale: float = 1.0) -> list[Any]:
    """Draw a section on axes whose data are drawing units; returns the texts."""
    pen = Pen(axes, scale)
    texts = []
    for one in panel.board.laid:
        draw(pen, one)
        texts += [text for words in one.words for text in letter(axes, words, scale)]
    pen.color = ink.IRON
    for node in sorted({*panel.wires.owner.values()}):
        pen.lines(*runs(panel.wires.of(node)), lw=PLAIN)
        for at in dots(panel.wires, node, [pin.at for pin in panel.board.pins_of(node)]):
            pen.circle(at, 0.17, fill=ink.IRON)
    pen.finish()
    for words in (*panel.labels.words, *panel.heading(), *panel.notes):
        texts += letter(axes, words, scale)
    return texts


def letter(axes: Axes, words: TextBlock, scale: float = 1.0) -> list[Any]:
    """Lines of text where they belong."""
    texts = []
    line = LINE * words.size / SIZE
    top = words.y + 0.5 * line * (len(words.lines) - 1)
    for n, each in enumerate(words.lines):
        texts.append(
            axes.text(
                words.x * UNIT, (top - line * n) * UNIT, each.text, ha=words.ha, va="center_baseline",
                fontsize=words.size * scale, color=INKS[each.ink], zorder=6,
                fontweight="bold" if each.ink in BOLD else "normal",
            )
        )  # fmt: skip
    return texts


def inches(box: Box) -> tuple[float, float]:
    """Size of a box on paper."""
    return (box.right - box.left) * STEP, (box.top - box.bottom) * STEP
