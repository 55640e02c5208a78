"""Jacks, plugs, selectors, loudspeakers and what is wound on iron."""

from __future__ import annotations

from tubekit.plots import ink
from tubekit.plots.schematics.grid import Laid
from tubekit.plots.schematics.pen import THICK, THIN, Pen, at


def draw_jack(pen: Pen, one: Laid) -> None:
    """Sleeve below with its bush, the spring of the tip above; the arrow is the contact it rests on."""
    switch, s = one.shape.more
    tip = 3 if switch else 2
    pen.lines([at(one, s, 0), at(one, -3.2 * s, 0)])
    pen.lines(
        [
            at(one, -3.2 * s, 0),
            at(one, -3.2 * s, 1.4),
            at(one, -3.7 * s, 1.4),
            at(one, -3.7 * s, 0),
            at(one, -3.2 * s, 0),
        ]
    )
    pen.lines([at(one, s, tip), at(one, -1.4 * s, tip), at(one, -2.0 * s, tip - 0.7), at(one, -2.5 * s, tip)])
    if switch:
        pen.lines([at(one, s, 2), at(one, -0.6 * s, 2), at(one, -0.6 * s, 2.75)])
        pen.lines([at(one, -0.85 * s, 2.5), at(one, -0.6 * s, 2.95), at(one, -0.35 * s, 2.5)], fill=True)


def draw_loudspeaker(pen: Pen, one: Laid) -> None:
    """Voice coil and cone."""
    pen.lines([at(one, 0, 1), at(one, 0.6, 1)], [at(one, 0, -1), at(one, 0.6, -1)])
    pen.lines(
        [at(one, 0.6, 1.2), at(one, 1.6, 1.2), at(one, 1.6, -1.2), at(one, 0.6, -1.2), at(one, 0.6, 1.2)]
    )
    pen.lines([at(one, 1.6, 0.7), at(one, 2.9, 1.7), at(one, 2.9, -1.7), at(one, 1.6, -0.7)])


def draw_mains_plug(pen: Pen, one: Laid) -> None:
    """Blades to the left, the cord's wires to the right."""
    (earth,) = one.shape.more
    pen.lines([at(one, 0.6, 3), at(one, -0.6, 3), at(one, -0.6, -3), at(one, 0.6, -3), at(one, 0.6, 3)])
    for row in (2, -2):
        pen.lines([at(one, -1.2, row), at(one, -0.6, row)], lw=THICK)
        pen.lines([at(one, 0.6, row), at(one, 2, row)])
    if earth:
        pen.circle(at(one, -0.9, 0), 0.25)
        pen.lines([at(one, 0.6, 0), at(one, 2, 0)])


def draw_selector(pen: Pen, one: Laid) -> None:
    """The arm on the contact it stands on."""
    rows, middle = one.shape.more
    side = -1 if one.shape.turn == "mirrored" else 1
    pen.lines([at(one, -2 * side, middle), at(one, -1.0 * side, middle)])
    pen.lines([at(one, -1.0 * side, middle), at(one, 0.85 * side, middle + 0.15)])
    for row in rows:
        pen.lines([at(one, 1.0 * side, row), at(one, 2 * side, row)])
        pen.circle(at(one, 1.0 * side, row), 0.18, fill=ink.PAPER)
    pen.circle(at(one, -1.0 * side, middle), 0.18, fill=ink.PAPER)


def draw_transformer(pen: Pen, one: Laid) -> None:
    """Windings on both sides of an iron core."""
    primary, others, low = one.shape.more
    for coil, x, lead in [(primary, 1.05, 0), *((coil, 2.95, 4) for coil in others)]:
        for row in coil.rows:
            pen.lines([at(one, lead, row), at(one, x, row)])
        for high, deep in zip(coil.rows[:-1], coil.rows[1:], strict=True):
            _coil(pen, one, x, high, deep, 1 if x < 2 else -1)
    for x in (1.85, 2.15):
        pen.lines([at(one, x, 0.2), at(one, x, low - 0.2)], lw=THIN)


def _coil(pen: Pen, one: Laid, x: float, high: int, low: int, side: int) -> None:
    """Half rounds along a winding, in the middle of its stretch where that is long."""
    turns = max(3, min(6, high - low))
    size = min((high - low) / turns, 1.0)
    top = (high + low) / 2 + size * turns / 2
    pen.lines([at(one, x, high), at(one, x, top)], [at(one, x, low), at(one, x, top - size * turns)])
    for n in range(turns):
        middle = top - size * (n + 0.5)
        start, end = (-90, 90) if side > 0 else (90, 270)
        pen.arc(at(one, x, middle), 1.1 * size, size, start, end)


def draw_box(pen: Pen, one: Laid) -> None:
    """For whatever has no symbol of its own."""
    (rows,) = one.shape.more
    pen.lines(
        [
            at(one, -1, 0.8),
            at(one, 2, 0.8),
            at(one, 2, rows[-1] - 0.8),
            at(one, -1, rows[-1] - 0.8),
            at(one, -1, 0.8),
        ]
    )
    for row in rows:
        pen.lines([at(one, -2, row), at(one, -1, row)])


def draw_entry(pen: Pen, one: Laid) -> None:
    """A wire that comes from another drawing."""
    pen.lines([at(one, 0, 0.35), at(one, 0.6, 0), at(one, 0, -0.35)], fill=True)
    pen.lines([at(one, 0.6, 0), at(one, 2, 0)])


def draw_exit(pen: Pen, one: Laid) -> None:
    """A wire that goes on in another drawing."""
    pen.lines([at(one, 0, 0), at(one, 0.6, 0)])
    pen.lines([at(one, 0.6, 0.35), at(one, 1.2, 0), at(one, 0.6, -0.35)], fill=True)
