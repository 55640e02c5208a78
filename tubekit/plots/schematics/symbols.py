"""Symbols in US style (IEEE Std 315, from memory), each drawn about the place where it was laid."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tubekit.amp.parts import GROUND
from tubekit.plots import ink
from tubekit.plots.schematics.grid import LEFT, RIGHT, UP, WORDS, Laid, Tag
from tubekit.plots.schematics.pen import PLAIN, THICK, THIN, Pen, Spot, at

LIBRARY = {
    "resistor": "ResistorIEEE", "capacitor": "Capacitor", "diode": "Diode", "selenium rectifier": "Diode",
    "Zener diode": "Zener", "fuse": "FuseUS", "lamp": "Lamp", "thermistor": "Thermistor",
}  # fmt: skip


def draw(pen: Pen, one: Laid) -> None:
    """Draw a symbol where it lies."""
    if one.shape.symbol == WORDS:
        return
    pen.color = ink.OXIDE if one.shape.changed else ink.IRON
    _DRAWERS[one.shape.symbol](pen, one)
    pen.color = ink.IRON
    for tag in one.shape.tags:
        _tag(pen, tag, (one.x + tag.x, one.y + tag.y))


def _tag(pen: Pen, tag: Tag, spot: Spot) -> None:
    x, y = spot
    if tag.node != GROUND:
        pen.circle(spot, 0.2, lw=PLAIN, fill=ink.PAPER)
        return
    if tag.way in (LEFT, RIGHT):
        x += 0.4 * tag.way[0]
        pen.lines([spot, (x, y)])
    down = 1 if tag.way == UP else -1
    pen.lines([(x, y), (x, y + 0.4 * down)])
    for n, half in enumerate((0.6, 0.4, 0.18)):
        level = y + down * (0.4 + 0.28 * n)
        pen.lines([(x - half, level), (x + half, level)])


def _two_ends(pen: Pen, one: Laid) -> None:
    kind, flip = one.shape.more
    box = one.shape.bodies[0]
    if one.shape.turn == "v":
        start, end = at(one, 0, 2), at(one, 0, -2)
    else:
        half = round(box.right + 0.1)
        start, end = at(one, -half, 0), at(one, half, 0)
    if flip:
        start, end = end, start
    if kind in LIBRARY:
        pen.part(LIBRARY[kind], start, end)
    elif kind == "electrolytic":
        pen.part("Capacitor2", start, end)
        _plus(pen, start, end)
    elif kind == "choke":
        pen.part("Inductor2", start, end)
        _core(pen, start, end)
    elif kind == "regulator tube":
        _glow(pen, start, end)
    elif kind.startswith("switch"):
        _blade(pen, start, end, closed=kind.endswith("closed"))
    else:
        _cable(pen, start, end, joined=kind != "plug out")


def _along(start: Spot, end: Spot) -> tuple[Spot, Spot, Spot]:
    """Middle, unit vector along, unit vector to its left."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    far = (dx * dx + dy * dy) ** 0.5
    ux, uy = dx / far, dy / far
    return ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2), (ux, uy), (-uy, ux)


def _plus(pen: Pen, start: Spot, end: Spot) -> None:
    (mx, my), (ux, uy), (nx, ny) = _along(start, end)
    if nx > 0.5 or ny < -0.5:  # left of an upright part, above a lying one: its words stand elsewhere
        nx, ny = -nx, -ny
    x, y = mx - 0.62 * ux + 0.45 * nx, my - 0.62 * uy + 0.45 * ny
    pen.lines([(x - 0.17, y), (x + 0.17, y)], [(x, y - 0.17), (x, y + 0.17)], lw=THIN)


def _core(pen: Pen, start: Spot, end: Spot) -> None:
    (mx, my), (ux, uy), (nx, ny) = _along(start, end)
    for off in (0.62, 0.82):
        pen.lines(
            [(mx - ux + off * nx, my - uy + off * ny), (mx + ux + off * nx, my + uy + off * ny)], lw=THIN
        )


def _blade(pen: Pen, start: Spot, end: Spot, *, closed: bool) -> None:
    (mx, my), (ux, uy), (nx, ny) = _along(start, end)
    if ny < -0.5:
        nx, ny = -nx, -ny
    a, b = (mx - 0.9 * ux, my - 0.9 * uy), (mx + 0.9 * ux, my + 0.9 * uy)
    pen.lines([start, a], [b, end])
    tip = 0.22 if closed else 0.8
    pen.lines([a, (b[0] - 0.1 * ux + tip * nx, b[1] - 0.1 * uy + tip * ny)])
    for spot in (a, b):
        pen.circle(spot, 0.16, fill=ink.PAPER)


def _glow(pen: Pen, start: Spot, end: Spot) -> None:
    """Plate and cold cathode in a bottle with gas."""
    (mx, my), (ux, uy), (nx, ny) = _along(start, end)
    pen.circle((mx, my), 1.0)
    for sign, far in ((-1, start), (1, end)):
        x, y = mx + 0.35 * sign * ux, my + 0.35 * sign * uy
        pen.lines([far, (x, y)], [(x - 0.5 * nx, y - 0.5 * ny), (x + 0.5 * nx, y + 0.5 * ny)])
    pen.circle((mx + 0.65 * nx, my + 0.65 * ny), 0.12, fill=ink.IRON)


def _cable(pen: Pen, start: Spot, end: Spot, *, joined: bool) -> None:
    """Two arrow heads one in the other: contacts that part; apart where the plug is out."""
    (mx, my), (ux, uy), (nx, ny) = _along(start, end)
    gap = 0.0 if joined else 0.5
    pen.lines([start, (mx - gap * ux, my - gap * uy)], [(mx + (0.4 + gap) * ux, my + (0.4 + gap) * uy), end])
    for off in (-gap, 0.4 + gap):
        x, y = mx + off * ux, my + off * uy
        bx, by = x - 0.4 * ux, y - 0.4 * uy
        pen.lines([(bx + 0.4 * nx, by + 0.4 * ny), (x, y), (bx - 0.4 * nx, by - 0.4 * ny)])
    if joined:
        pen.lines([(mx, my), (mx + 0.4 * ux, my + 0.4 * uy)])


def _potentiometer(pen: Pen, one: Laid) -> None:
    strap, side = one.shape.more
    pen.part("ResistorIEEE", at(one, 0, 2), at(one, 0, -2))
    pen.trace(one, (2 * side if not strap else 1.2 * side, 0), (0.55 * side, 0))
    pen.trace(one, (1.0 * side, 0.28), (0.5 * side, 0), (1.0 * side, -0.28), fill=True)
    if strap:
        end = 2 if strap == "top" else -2
        pen.trace(one, (1.2 * side, 0), (1.2 * side, 0.85 * end), (0, 0.85 * end))


ENVELOPE = 2.5


def draw_tube(pen: Pen, one: Laid) -> None:
    """Control grid on the row of the grid pin; the screen, where there is one, a row above it."""
    look, half, filament = one.shape.more
    top = 0.0 if look == "triode" else 1.0
    plate = 1.15 if look == "triode" else 2.1
    _envelope(pen, one, top, half)
    high = 3 if look == "triode" else 4
    pen.trace(one, (0, high), (0, plate))
    pen.trace(one, (-1.1, plate), (1.1, plate), lw=THICK)
    _grid(pen, one, 0.0)
    pen.trace(one, (-3, 0), (-1.3, 0))
    if filament:  # its middle is the cathode; its ends are with the heaters
        pen.trace(one, (-1, -3), (-1, -1.8), (0.0, -0.8), (1.0, -1.8))
    else:
        pen.trace(one, (-1, -3), (-1, -1.0), (1.0, -1.0), (1.0, -1.3))
    if look != "triode":
        _grid(pen, one, 1.0)
        pen.trace(one, (1.3, 1), (3, 1))
    if look == "pentode":
        _grid(pen, one, 1.55)
        pen.trace(one, (1.2, 1.55), (1.75, 1.55), (1.75, -1.0), (1.0, -1.0), lw=THIN)
    elif look == "beam":
        for side in (-1, 1):
            pen.trace(one, (1.1 * side, 1.6), (1.7 * side, 1.6), (1.7 * side, 0.55), lw=THIN)
        pen.trace(one, (1.7, 0.55), (1.7, -1.0), (1.0, -1.0), lw=THIN)


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
        pen.trace(one, (x, y), (x + 0.6, y))


def draw_rectifier(pen: Pen, one: Laid) -> None:
    """Plates to the left, cathode or filament to the right."""
    rows, direct, heated = one.shape.more
    s = -1 if one.shape.turn == "mirrored" else 1
    pen.circle(at(one, 0, 0), ENVELOPE)
    reach = 0.75 if len(rows) == 2 else 1.1
    for row in rows:
        pen.trace(one, (-3 * s, row), (-0.9 * s, row))
        pen.trace(one, (-0.9 * s, row - reach), (-0.9 * s, row + reach), lw=THICK)
    if direct:
        pen.trace(one, (0.9 * s, -1.5), (0.25 * s, -0.9), (0.25 * s, 0.9), (0.9 * s, 1.5))
        pen.trace(one, (0.9 * s, 1.5), (1.5 * s, 1.5), (1.5 * s, 0), (3 * s, 0))
        pen.trace(one, (0.9 * s, -1.5), (0.9 * s, -2.35))
        return
    pen.trace(one, (0.5 * s, -1.3), (0.3 * s, -1.3), (0.3 * s, 1.3), (0.5 * s, 1.3))
    pen.trace(one, (0.3 * s, 0), (3 * s, 0))
    if heated:
        pen.trace(
            one, (0.7 * s, -2.4), (0.7 * s, -1.1), (1.0 * s, -0.6), (1.3 * s, -1.1), (1.3 * s, -2.1), lw=THIN
        )


def draw_heater(pen: Pen, one: Laid) -> None:
    """A bent filament, tapped where its middle is brought out."""
    (tapped,) = one.shape.more
    pen.trace(one, (0, 2), (0, 1.1), (0.7, 0.55), (0.7, -0.55), (0, -1.1), (0, -2))
    if tapped:
        pen.trace(one, (0.7, 0), (-2, 0))


def draw_jack(pen: Pen, one: Laid) -> None:
    """Sleeve below with its bush, the spring of the tip above; the arrow is the contact it rests on."""
    switch, s = one.shape.more
    tip = 3 if switch else 2
    pen.trace(one, (s, 0), (-3.2 * s, 0))
    pen.trace(one, (-3.2 * s, 0), (-3.2 * s, 1.4), (-3.7 * s, 1.4), (-3.7 * s, 0), (-3.2 * s, 0))
    pen.trace(one, (s, tip), (-1.4 * s, tip), (-2.0 * s, tip - 0.7), (-2.5 * s, tip))
    if switch:
        pen.trace(one, (s, 2), (-0.6 * s, 2), (-0.6 * s, 2.75))
        pen.trace(one, (-0.85 * s, 2.5), (-0.6 * s, 2.95), (-0.35 * s, 2.5), fill=True)


def draw_loudspeaker(pen: Pen, one: Laid) -> None:
    """Voice coil and cone."""
    pen.trace(one, (0, 1), (0.6, 1))
    pen.trace(one, (0, -1), (0.6, -1))
    pen.trace(one, (0.6, 1.2), (1.6, 1.2), (1.6, -1.2), (0.6, -1.2), (0.6, 1.2))
    pen.trace(one, (1.6, 0.7), (2.9, 1.7), (2.9, -1.7), (1.6, -0.7))


def draw_mains_plug(pen: Pen, one: Laid) -> None:
    """Blades to the left, the cord's wires to the right."""
    (earth,) = one.shape.more
    pen.trace(one, (0.6, 3), (-0.6, 3), (-0.6, -3), (0.6, -3), (0.6, 3))
    for row in (2, -2):
        pen.trace(one, (-1.2, row), (-0.6, row), lw=THICK)
        pen.trace(one, (0.6, row), (2, row))
    if earth:
        pen.circle(at(one, -0.9, 0), 0.25)
        pen.trace(one, (0.6, 0), (2, 0))


def draw_selector(pen: Pen, one: Laid) -> None:
    """The arm on the contact it stands on."""
    rows, middle = one.shape.more
    side = -1 if one.shape.turn == "mirrored" else 1
    pen.trace(one, (-2 * side, middle), (-1.0 * side, middle))
    pen.trace(one, (-1.0 * side, middle), (0.85 * side, middle + 0.15))
    for row in rows:
        pen.trace(one, (1.0 * side, row), (2 * side, row))
        pen.circle(at(one, 1.0 * side, row), 0.18, fill=ink.PAPER)
    pen.circle(at(one, -1.0 * side, middle), 0.18, fill=ink.PAPER)


def draw_transformer(pen: Pen, one: Laid) -> None:
    """Windings on both sides of an iron core."""
    primary, others, low = one.shape.more
    for coil, x, lead in [(primary, 1.05, 0), *((coil, 2.95, 4) for coil in others)]:
        for row in coil.rows:
            pen.trace(one, (lead, row), (x, row))
        for high, deep in zip(coil.rows[:-1], coil.rows[1:], strict=True):
            _coil(pen, one, x, high, deep, 1 if x < 2 else -1)
    for x in (1.85, 2.15):
        pen.trace(one, (x, 0.2), (x, low - 0.2), lw=THIN)


def _coil(pen: Pen, one: Laid, x: float, high: int, low: int, side: int) -> None:
    """Half rounds along a winding, in the middle of its stretch where that is long."""
    turns = max(3, min(6, high - low))
    size = min((high - low) / turns, 1.0)
    top = (high + low) / 2 + size * turns / 2
    pen.trace(one, (x, high), (x, top))
    pen.trace(one, (x, low), (x, top - size * turns))
    for n in range(turns):
        middle = top - size * (n + 0.5)
        start, end = (-90, 90) if side > 0 else (90, 270)
        pen.arc(at(one, x, middle), 1.1 * size, size, start, end)


def draw_box(pen: Pen, one: Laid) -> None:
    """For whatever has no symbol of its own."""
    (rows,) = one.shape.more
    pen.trace(one, (-1, 0.8), (2, 0.8), (2, rows[-1] - 0.8), (-1, rows[-1] - 0.8), (-1, 0.8))
    for row in rows:
        pen.trace(one, (-2, row), (-1, row))


def draw_entry(pen: Pen, one: Laid) -> None:
    """A wire that comes from another drawing."""
    pen.trace(one, (0, 0.35), (0.6, 0), (0, -0.35), fill=True)
    pen.trace(one, (0.6, 0), (2, 0))


def draw_exit(pen: Pen, one: Laid) -> None:
    """A wire that goes on in another drawing."""
    pen.trace(one, (0, 0), (0.6, 0))
    pen.trace(one, (0.6, 0.35), (1.2, 0), (0.6, -0.35), fill=True)


_DRAWERS: Mapping[str, Callable[[Pen, Laid], None]] = {
    "two ends": _two_ends, "potentiometer": _potentiometer, "tube": draw_tube,
    "rectifier": draw_rectifier, "heater": draw_heater, "jack": draw_jack,
    "loudspeaker": draw_loudspeaker, "mains plug": draw_mains_plug,
    "selector": draw_selector, "transformer": draw_transformer, "box": draw_box,
    "exit": draw_exit, "entry": draw_entry,
}  # fmt: skip
