"""Symbols in US style (IEEE Std 315, from memory), each drawn about the place where it was laid."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tubekit.amp.parts import GROUND
from tubekit.plots import ink
from tubekit.plots.schematics import fittings, tube_symbols
from tubekit.plots.schematics.grid import LEFT, RIGHT, UP, WORDS, Laid, Tag
from tubekit.plots.schematics.pen import PLAIN, THIN, Pen, Spot, at

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
    pen.lines([at(one, 2 * side if not strap else 1.2 * side, 0), at(one, 0.55 * side, 0)])
    pen.lines([at(one, 1.0 * side, 0.28), at(one, 0.5 * side, 0), at(one, 1.0 * side, -0.28)], fill=True)
    if strap:
        end = 2 if strap == "top" else -2
        pen.lines([at(one, 1.2 * side, 0), at(one, 1.2 * side, 0.85 * end), at(one, 0, 0.85 * end)])


_DRAWERS: Mapping[str, Callable[[Pen, Laid], None]] = {
    "two ends": _two_ends, "potentiometer": _potentiometer, "tube": tube_symbols.draw_tube,
    "rectifier": tube_symbols.draw_rectifier, "heater": tube_symbols.draw_heater, "jack": fittings.draw_jack,
    "loudspeaker": fittings.draw_loudspeaker, "mains plug": fittings.draw_mains_plug,
    "selector": fittings.draw_selector, "transformer": fittings.draw_transformer, "box": fittings.draw_box,
    "exit": fittings.draw_exit, "entry": fittings.draw_entry,
}  # fmt: skip
