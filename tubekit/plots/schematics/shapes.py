"""The geometry of every kind of symbol: where its pins lie, what it covers, where its words stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from tubekit.amp.parts import GROUND, Capacitor, Part
from tubekit.plots.schematics.forms import Ask, form
from tubekit.plots.schematics.grid import (
    DOWN,
    HALF,
    LEFT,
    LINE,
    RIGHT,
    UP,
    Box,
    Pin,
    Shape,
    Tag,
    TextBlock,
    TextLine,
    width,
)
from tubekit.plots.schematics.sections import Item
from tubekit.plots.schematics.words import Reader


@dataclass(frozen=True)
class Coil:
    """One winding in its place: its taps from the top, as (row, node)."""

    rows: tuple[int, ...]
    nodes: tuple[str, ...]


def windings_of(item: Item) -> dict[str, list[str]]:
    """Nodes along each winding."""
    result: dict[str, list[str]] = {}
    for name, node in item.pins:
        result.setdefault(name.rpartition(" ")[0], []).append(node)
    return result


def transformer(
    label: Sequence[TextLine], item: Item, *, primary_up: Sequence[str] = (), tall: int = 0
) -> Shape:
    """Primary to the left, the others to the right, one below the other.

    `primary_up`: taps of the primary from the top down, where not as written; `tall`: least height of its
    sections.
    """
    coils = windings_of(item)
    names = list(coils)
    first = "primary" if "primary" in names and item.kind == "power transformer" else names[0]
    left = list(primary_up) or coils[first]
    right = _stack([coils[name] for name in names if name != first])
    height = max((-coil.rows[-1] for coil in right), default=0)
    step = max(4 if len(left) < 4 else 3, tall)
    span = step * (len(left) - 1)
    drop = max(0, (height - span) // 2)
    primary = Coil(tuple(-drop - step * n for n in range(len(left))), tuple(left))
    lift = max(0, (span - height) // 2)
    right = [Coil(tuple(row - lift for row in coil.rows), coil.nodes) for coil in right]
    pins = [Pin(node, 0, row, LEFT) for row, node in zip(primary.rows, primary.nodes, strict=True)]
    pins += [
        Pin(node, 4, row, RIGHT) for coil in right for row, node in zip(coil.rows, coil.nodes, strict=True)
    ]
    low = min(primary.rows[-1], min((coil.rows[-1] for coil in right), default=0))
    words = (TextBlock((label[0], TextLine(item.words, "value"), *label[1:]), 2.0, 0.8 + LINE, "center"),)
    more = (primary, tuple(right), low)
    return Shape("transformer", "v", tuple(pins), (Box(0.1, low - 0.3, 3.9, 0.3),), words, more)


def _stack(coils: list[list[str]]) -> list[Coil]:
    """Windings one below the other; taps three steps apart, so that their labels do not touch."""
    result: list[Coil] = []
    top = 0
    for nodes in coils:
        step = 4 if len(nodes) == 2 and not result else 3
        rows = tuple(top - step * n for n in range(len(nodes)))
        result.append(Coil(rows, tuple(nodes)))
        top = rows[-1] - 3
    return result


GROUND_BOX = {
    DOWN: Box(-0.6, -1.1, 0.6, -0.1), UP: Box(-0.6, 0.1, 0.6, 1.1),
    LEFT: Box(-1.1, -1.1, 0.3, 0.3), RIGHT: Box(-0.3, -1.1, 1.1, 0.3),
}  # fmt: skip


WIDE = ("lamp", "thermistor", "regulator tube", "choke")
"""Symbols with two ends that are wider than a resistor."""


@dataclass(frozen=True)
class Maker:
    """Makes shapes; `inner` are the nodes that are drawn on: an end on any other becomes a label."""

    reader: Reader
    inner: frozenset[str]

    def shape(self, item: Item, turn: str = "v", *, flip: bool = False, mirror: bool = False) -> Shape:
        """The shape of an item; `flip` turns one round top to bottom, `mirror` puts a wiper to the left."""
        label = self.reader.label(item)
        if item.two_ends and item.kind != "heater":
            shape = self._two_ends(item, label, turn, flip)
        elif item.kind.endswith("transformer"):
            shape = transformer(label, item)
        else:
            shape = form(Ask(self.reader, item, label, mirror, flip))
        return self._tagged(shape, bool(self.reader.was(item)))

    def open(self, node: str) -> bool:
        """Whether a node is drawn on."""
        return node in self.inner

    def ending(self, *nodes: str) -> Maker:
        """The same, with labels at these nodes too."""
        return Maker(self.reader, self.inner - set(nodes))

    def _two_ends(self, item: Item, label: Sequence[TextLine], turn: str, flip: bool) -> Shape:
        a, b = (item.pins[1][1], item.pins[0][1]) if flip else (item.pins[0][1], item.pins[1][1])
        part = self.reader.amp.parts[item.parts[0]]
        more = (_symbol_of(item, part), flip)
        if turn == "v":
            pins = (Pin(a, 0, HALF, UP), Pin(b, 0, -HALF, DOWN))
            wide = 1.05 if item.kind in WIDE else 0.55
            words = (TextBlock(tuple(label), wide + 0.25, 0.0, "left"),)
            return Shape("two ends", "v", pins, (Box(-wide, -1.9, wide, 1.9),), words, more)
        half = HALF + (1 if item.kind in ("cable", "plug out") else 0)
        pins = (Pin(a, -half, 0, LEFT), Pin(b, half, 0, RIGHT))
        stacked = item.kind in ("cable", "plug out")
        over = _above(label, stacked=stacked, lift=0.5 if item.kind in WIDE else 0.0)
        tall = 1.05 if item.kind in WIDE else 0.55
        return Shape("two ends", "h", pins, (Box(0.1 - half, -tall, half - 0.1, tall),), over, more)

    def transformer(self, item: Item, primary_up: Sequence[str], tall: int) -> Shape:
        """A transformer with its primary turned and stretched to suit the tubes beside it."""
        shape = transformer(self.reader.label(item), item, primary_up=primary_up, tall=tall)
        return self._tagged(shape, bool(self.reader.was(item)))

    def _tagged(self, shape: Shape, changed: bool) -> Shape:
        """Pins on nodes that are not drawn end in a ground symbol or a label."""
        closed = [pin for pin in shape.pins if not self.open(pin.node)]
        return replace(ended(shape, closed, self.reader), changed=changed)


def ended(shape: Shape, closed: Sequence[Pin], reader: Reader) -> Shape:
    """The shape with some of its pins ending in a ground symbol or in a terminal with the node's name."""
    pins, tags, bodies, words = [], list(shape.tags), list(shape.bodies), list(shape.words)
    for pin in shape.pins:
        if pin not in closed:
            pins.append(pin)
            continue
        tags.append(Tag(pin.node, pin.x, pin.y, pin.way))
        if pin.node == GROUND:
            bodies.append(GROUND_BOX[pin.way].moved(pin.x, pin.y))
        else:
            bodies.append(Box(pin.x - 0.25, pin.y - 0.25, pin.x + 0.25, pin.y + 0.25))
            words.append(tag_words(reader.node(pin.node), pin))
    return replace(shape, pins=tuple(pins), bodies=tuple(bodies), words=tuple(words), tags=tuple(tags))


def tag_words(lines: tuple[TextLine, ...], pin: Pin) -> TextBlock:
    """Name and volts beyond the end of a wire."""
    far = 0.45 + 0.5 * LINE * len(lines)
    if pin.way == UP:
        return TextBlock(lines, pin.x, pin.y + far, "center")
    if pin.way == DOWN:
        return TextBlock(lines, pin.x, pin.y - far, "center")
    side = pin.way[0]
    return TextBlock(lines, pin.x + 0.5 * side, pin.y, "left" if side > 0 else "right")


def _above(label: Sequence[TextLine], *, stacked: bool = False, lift: float = 0.0) -> tuple[TextBlock, ...]:
    """Designator and value side by side over a lying part, the rest over them."""
    if stacked or len(label) < 2:
        return (TextBlock(tuple(label), 0.0, 0.7 + lift + 0.5 * LINE * len(label), "center"),)
    wide = [width(line.text, line.ink) for line in label[:2]]
    left = -0.5 * (sum(wide) + 0.35)
    low = 0.7 + lift + 0.5 * LINE
    words = [TextBlock((label[0],), left, low), TextBlock((label[1],), left + wide[0] + 0.35, low)]
    if label[2:]:
        words.append(TextBlock(tuple(label[2:]), 0.0, low + 0.5 * LINE * (1 + len(label[2:])), "center"))
    return tuple(words)


def _symbol_of(item: Item, part: Part) -> str:
    if isinstance(part, Capacitor) and part.style == "electrolytic":
        return "electrolytic"
    if item.kind == "switch":
        return f"switch {getattr(part, 'position', 'closed')}"
    return item.kind
