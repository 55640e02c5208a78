"""The board on which symbols are laid: an integer grid, what is taken on it, where the pins came to lie.

One step of the grid is `STEP` inches on paper; x runs to the right, y upward.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from matplotlib.font_manager import findfont
from matplotlib.ft2font import FT2Font

STEP = 0.165
SIZE = 8.0
MEASURED = 200.0
LINE = 0.86
"""Distance between lines of text [steps]."""

HALF = 2
"""Half the length of a part with two ends [steps]."""

OFF = 0.3
"""From a wire to the words over it [steps]."""

WORDS = "words"
"""The symbol that is nothing but words."""

UP, DOWN, LEFT, RIGHT = (0, 1), (0, -1), (-1, 0), (1, 0)
Point = tuple[int, int]


@dataclass(frozen=True)
class Box:
    """A rectangle [steps]."""

    left: float
    bottom: float
    right: float
    top: float

    def hits(self, other: Box, gap: float = 0.0) -> bool:
        """Whether they come closer than `gap`."""
        return (
            self.left < other.right + gap
            and other.left < self.right + gap
            and self.bottom < other.top + gap
            and other.bottom < self.top + gap
        )

    def moved(self, x: float, y: float) -> Box:
        """The same elsewhere."""
        return Box(self.left + x, self.bottom + y, self.right + x, self.top + y)

    def holds(self, x: float, y: float, gap: float = 0.0) -> bool:
        """Whether a point lies inside."""
        return self.left - gap < x < self.right + gap and self.bottom - gap < y < self.top + gap


@dataclass(frozen=True)
class TextLine:
    """One line of text: what it says and in which ink ('part', 'value', 'changed', 'node', 'volts')."""

    text: str
    ink: str = "part"


@dataclass(frozen=True)
class TextBlock:
    """Lines of text one below the other; `x, y` is the middle of the side that `ha` names."""

    lines: tuple[TextLine, ...]
    x: float
    y: float
    ha: str = "left"
    size: float = SIZE

    @property
    def box(self) -> Box:
        """What they cover."""
        wide = max((width(line.text, line.ink, self.size) for line in self.lines), default=0.0)
        left = {"left": self.x, "center": self.x - wide / 2, "right": self.x - wide}[self.ha]
        half = 0.5 * LINE * len(self.lines) * self.size / SIZE
        return Box(left - 0.12, self.y - half, left + wide, self.y + half)

    def moved(self, x: float, y: float) -> TextBlock:
        """The same elsewhere."""
        return TextBlock(self.lines, self.x + x, self.y + y, self.ha, self.size)


@lru_cache(maxsize=8)
def _font(weight: str) -> FT2Font:
    return FT2Font(findfont(f"DejaVu Sans:{weight}"))


@lru_cache(maxsize=4096)
def width(text: str, ink: str = "part", size: float = SIZE) -> float:
    """Width of a line of text [steps]."""
    font = _font("bold" if ink in BOLD else "regular")
    font.set_size(MEASURED, 72.0)  # large, so that no hinting rounds it
    font.set_text(text, 0.0)
    return float(font.get_width_height()[0]) / 64.0 / 72.0 / STEP * size / MEASURED + 0.15


BOLD = frozenset({"part", "changed", "head"})


@dataclass(frozen=True)
class Pin:
    """Where a terminal came to lie, and the way a wire leaves it."""

    node: str
    x: int
    y: int
    way: Point

    @property
    def at(self) -> Point:
        """Its place."""
        return self.x, self.y


@dataclass(frozen=True)
class Tag:
    """The end of a wire that is not drawn on: a ground, or a terminal with the name of its node."""

    node: str
    x: int
    y: int
    way: Point


@dataclass(frozen=True)
class Shape:
    """A symbol about its own origin: open pins, tagged ends, bodies, words, and how to draw it.

    `symbol` names the drawing routine; `turn` is 'h' or 'v'; `more` is what else it needs to know.
    """

    symbol: str
    turn: str
    pins: tuple[Pin, ...]
    bodies: tuple[Box, ...]
    words: tuple[TextBlock, ...] = ()
    more: tuple[Any, ...] = ()
    tags: tuple[Tag, ...] = ()
    changed: bool = False

    @property
    def boxes(self) -> tuple[Box, ...]:
        """Everything that must stay clear of others."""
        return (*self.bodies, *(w.box for w in self.words if w.lines))


@dataclass(frozen=True)
class Laid:
    """A shape in its place."""

    name: str
    shape: Shape
    x: int
    y: int

    @property
    def pins(self) -> tuple[Pin, ...]:
        """Its pins on the board."""
        return tuple(Pin(p.node, p.x + self.x, p.y + self.y, p.way) for p in self.shape.pins)

    @property
    def boxes(self) -> tuple[Box, ...]:
        """Its boxes on the board."""
        return tuple(box.moved(self.x, self.y) for box in self.shape.boxes)

    @property
    def bodies(self) -> tuple[Box, ...]:
        """Its bodies on the board."""
        return tuple(box.moved(self.x, self.y) for box in self.shape.bodies)

    @property
    def words(self) -> tuple[TextBlock, ...]:
        """Its words on the board."""
        return tuple(words.moved(self.x, self.y) for words in self.shape.words)


CLEAR = 0.3
"""Distance between symbols, and between words [steps]."""


@dataclass
class Grid:
    """Symbols in their places; nothing is laid over anything else."""

    laid: list[Laid] = field(default_factory=list)
    boxes: list[Box] = field(default_factory=list)
    pins: dict[Point, str] = field(default_factory=dict)

    def fits(self, shape: Shape, x: int, y: int) -> bool:
        """Whether a shape has room there, its pins and the points in front of them included."""
        boxes = [box.moved(x, y) for box in shape.boxes]
        if any(box.hits(other, CLEAR) for box in boxes for other in self.boxes):
            return False
        for pin in shape.pins:
            at = (pin.x + x, pin.y + y)
            ahead = (at[0] + pin.way[0], at[1] + pin.way[1])
            for place in (at, ahead):
                if self.pins.get(place, pin.node) != pin.node or any(b.holds(*place) for b in self.boxes):
                    return False
        if any(self.pins.get((tag.x + x, tag.y + y), tag.node) != tag.node for tag in shape.tags):
            return False
        return not any(box.holds(*place) for box in boxes for place in self.ahead())

    def ahead(self) -> Iterable[Point]:
        """Pins, and the first point in front of each, which must stay free for its wire."""
        return [at for one in self.laid for p in one.pins for at in (p.at, (p.x + p.way[0], p.y + p.way[1]))]

    def lay(self, name: str, shape: Shape, x: int, y: int) -> Laid:
        """Put a shape there."""
        one = Laid(name, shape, x, y)
        self.laid.append(one)
        self.boxes.extend(one.boxes)
        for pin in one.pins:
            self.pins[pin.at] = pin.node
        for tag in shape.tags:  # no other wire may run over the end of this one
            self.pins[tag.x + x, tag.y + y] = tag.node
        return one

    def lay_near(self, name: str, shape: Shape, x: int, y: int, step: Point, *, tries: int = 60) -> Laid:
        """Put a shape there, or as few steps onward as it takes to have room."""
        for n in range(tries):
            if self.fits(shape, x + n * step[0], y + n * step[1]):
                return self.lay(name, shape, x + n * step[0], y + n * step[1])
        return self.lay(name, shape, x + tries * step[0], y + tries * step[1])

    def extent(self) -> Box:
        """What is covered so far."""
        boxes = self.boxes or [Box(0, 0, 1, 1)]
        return Box(
            min(b.left for b in boxes), min(b.bottom for b in boxes),
            max(b.right for b in boxes), max(b.top for b in boxes),
        )  # fmt: skip

    def pins_of(self, node: str) -> list[Pin]:
        """Pins on a node."""
        return [pin for one in self.laid for pin in one.pins if pin.node == node]

    def lowest(self, left: float, right: float, default: float) -> float:
        """The lowest thing between two columns."""
        return min((b.bottom for b in self.boxes if b.right > left and b.left < right), default=default)


def shifted(pins: Sequence[Pin], x: int, y: int) -> tuple[Pin, ...]:
    """Pins moved."""
    return tuple(Pin(p.node, p.x + x, p.y + y, p.way) for p in pins)
