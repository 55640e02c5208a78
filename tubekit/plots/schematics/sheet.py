"""The whole amp on paper: stages in signal order, then supply and heaters, in rows and pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.figure import Figure

from tubekit.plots import ink
from tubekit.plots.schematics.paint import Panel, inches, paint
from tubekit.plots.schematics.pen import UNIT

MARGIN, GAP, HEAD, FOOT = 0.4, 0.3, 0.42, 0.3
"""White border, distance between drawings, room for the title and for the caution [inches]."""

SCALE, LEAST = 0.75, 0.65
"""Scale of drawings on paper: the usual one, and the least before another page is begun."""

PAPERS = {"A4": (11.69, 8.27), "Letter": (11.0, 8.5)}
"""The long and the short side [inches]."""

Row = list[Panel]


def free(high: float) -> float:
    """Height of a page without borders, title and caution [inches]."""
    return high - 2 * MARGIN - HEAD - FOOT


def rows_of(panels: Sequence[Panel], wide: float) -> list[Row]:
    """Drawings side by side as far as they fit [inches at full scale]."""
    rows: list[Row] = []
    room = 0.0
    for panel in panels:
        need = inches(panel.box)[0] + GAP / SCALE
        if not rows or need > room:
            rows.append([])
            room = wide
        rows[-1].append(panel)
        room -= need
    return rows


def pages_of(rows: Sequence[Row], high: float) -> list[list[Row]]:
    """Rows on pages so high [inches at the least scale]."""
    pages: list[list[Row]] = []
    room = 0.0
    for row in rows:
        need = _height(row) + GAP / LEAST
        if not pages or need > room:
            pages.append([])
            room = high
        pages[-1].append(row)
        room -= need
    return pages


def _height(row: Row) -> float:
    return max(inches(panel.box)[1] for panel in row)


def _width(row: Row) -> float:
    return sum(inches(panel.box)[0] for panel in row) + (len(row) - 1) * GAP / SCALE


def scale_for(rows: Sequence[Row], wide: float, high: float) -> float:
    """The scale at which rows fit, at most the usual one."""
    tall = sum(_height(row) for row in rows) + (len(rows) - 1) * GAP / SCALE
    return min(SCALE, wide / max(_width(row) for row in rows), high / tall)


def lay_page(figure: Figure, rows: Sequence[Row], scale: float, top: float) -> list[Any]:
    """Ink rows onto a figure from `top` down [inches from the lower edge]; returns the texts."""
    texts: list[Any] = []
    for row in rows:
        left = MARGIN
        for panel in row:
            texts += place(figure, panel, left, top, scale)
            left += scale * inches(panel.box)[0] + GAP
        top -= scale * _height(row) + GAP
    return texts


def place(figure: Figure, panel: Panel, left: float, top: float, scale: float) -> list[Any]:
    """Ink one drawing with its upper left corner there [inches]."""
    wide, high = figure.get_size_inches()
    width, height = (scale * each for each in inches(panel.box))
    axes = figure.add_axes((left / wide, (top - height) / high, width / wide, height / high))
    axes.set_axis_off()
    texts = paint(axes, panel, scale=scale)
    axes.set_xlim(panel.box.left * UNIT, panel.box.right * UNIT)
    axes.set_ylim(panel.box.bottom * UNIT, panel.box.top * UNIT)
    axes.set_aspect("auto")
    return texts


def write(figure: Figure, x: float, y: float, text: str, **options: Any) -> Any:
    """A line of text on the paper itself [inches]."""
    wide, high = figure.get_size_inches()
    return figure.text(x / wide, y / high, text, color=ink.IRON, **options)
