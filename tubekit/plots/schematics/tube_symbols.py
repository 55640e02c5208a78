"""Tubes: bottles with electrodes, heaters."""

from __future__ import annotations

from tubekit.plots.schematics.grid import Laid
from tubekit.plots.schematics.pen import THICK, THIN, Pen, at

ENVELOPE = 2.5


def draw_tube(pen: Pen, one: Laid) -> None:
    """Control grid on the row of the grid pin; the screen, where there is one, a row above it."""
    look, half, filament = one.shape.more
    top = 0.0 if look == "triode" else 1.0
    plate = 1.15 if look == "triode" else 2.1
    _envelope(pen, one, top, half)
    high = 3 if look == "triode" else 4
    pen.lines([at(one, 0, high), at(one, 0, plate)])
    pen.lines([at(one, -1.1, plate), at(one, 1.1, plate)], lw=THICK)
    _grid(pen, one, 0.0)
    pen.lines([at(one, -3, 0), at(one, -1.3, 0)])
    if filament:  # its middle is the cathode; its ends are with the heaters
        pen.lines([at(one, -1, -3), at(one, -1, -1.8), at(one, 0.0, -0.8), at(one, 1.0, -1.8)])
    else:
        pen.lines([at(one, -1, -3), at(one, -1, -1.0), at(one, 1.0, -1.0), at(one, 1.0, -1.3)])
    if look != "triode":
        _grid(pen, one, 1.0)
        pen.lines([at(one, 1.3, 1), at(one, 3, 1)])
    if look == "pentode":
        _grid(pen, one, 1.55)
        pen.lines([at(one, 1.2, 1.55), at(one, 1.75, 1.55), at(one, 1.75, -1.0), at(one, 1.0, -1.0)], lw=THIN)
    elif look == "beam":
        for side in (-1, 1):
            pen.lines(
                [at(one, 1.1 * side, 1.6), at(one, 1.7 * side, 1.6), at(one, 1.7 * side, 0.55)], lw=THIN
            )
        pen.lines([at(one, 1.7, 0.55), at(one, 1.7, -1.0), at(one, 1.0, -1.0)], lw=THIN)


def _envelope(pen: Pen, one: Laid, lift: float, half: str) -> None:
    """Round, taller where there are more grids; half of it for one section of a twin."""
    r, low, high = ENVELOPE, 0.0, lift
    left, right = (half != "right"), (half != "left")
    for y, base in ((high, 0), (low, 180)):
        start, end = base, base + 180
        if half:
            side_start, side_end = (70, 180) if left else (0, 110)
            if base:
                side_start, side_end = (180, 290) if left else (250, 360)
            start, end = side_start, side_end
        pen.arc(at(one, 0, y), 2 * r, 2 * r, start, end)
    if lift:
        pen.lines(*[[at(one, s * r, low), at(one, s * r, high)] for s, on in ((-1, left), (1, right)) if on])


def _grid(pen: Pen, one: Laid, y: float) -> None:
    for x in (-1.2, -0.3, 0.6):
        pen.lines([at(one, x, y), at(one, x + 0.6, y)])


def draw_rectifier(pen: Pen, one: Laid) -> None:
    """Plates to the left, cathode or filament to the right."""
    rows, direct, heated = one.shape.more
    s = -1 if one.shape.turn == "mirrored" else 1
    pen.circle(at(one, 0, 0), ENVELOPE)
    reach = 0.75 if len(rows) == 2 else 1.1
    for row in rows:
        pen.lines([at(one, -3 * s, row), at(one, -0.9 * s, row)])
        pen.lines([at(one, -0.9 * s, row - reach), at(one, -0.9 * s, row + reach)], lw=THICK)
    if direct:
        pen.lines(
            [
                at(one, 0.9 * s, -1.5),
                at(one, 0.25 * s, -0.9),
                at(one, 0.25 * s, 0.9),
                at(one, 0.9 * s, 1.5),
            ]
        )
        pen.lines([at(one, 0.9 * s, 1.5), at(one, 1.5 * s, 1.5), at(one, 1.5 * s, 0), at(one, 3 * s, 0)])
        pen.lines([at(one, 0.9 * s, -1.5), at(one, 0.9 * s, -2.35)])
        return
    pen.lines([at(one, 0.5 * s, -1.3), at(one, 0.3 * s, -1.3), at(one, 0.3 * s, 1.3), at(one, 0.5 * s, 1.3)])
    pen.lines([at(one, 0.3 * s, 0), at(one, 3 * s, 0)])
    if heated:
        pen.lines(
            [
                at(one, 0.7 * s, -2.4),
                at(one, 0.7 * s, -1.1),
                at(one, 1.0 * s, -0.6),
                at(one, 1.3 * s, -1.1),
                at(one, 1.3 * s, -2.1),
            ],
            lw=THIN,
        )


def draw_heater(pen: Pen, one: Laid) -> None:
    """A bent filament, tapped where its middle is brought out."""
    (tapped,) = one.shape.more
    pen.lines(
        [
            at(one, 0, 2),
            at(one, 0, 1.1),
            at(one, 0.7, 0.55),
            at(one, 0.7, -0.55),
            at(one, 0, -1.1),
            at(one, 0, -2),
        ]
    )
    if tapped:
        pen.lines([at(one, 0.7, 0), at(one, -2, 0)])
