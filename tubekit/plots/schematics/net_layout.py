"""Lays a net out from its root: what leads on lies in line, what goes to ground hangs, branches stack."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.amp.parts import GROUND
from tubekit.plots.schematics.grid import DOWN, HALF, Grid, Pin, Shape
from tubekit.plots.schematics.sections import Item
from tubekit.plots.schematics.shapes import Maker

INLINE = {
    "resistor",
    "capacitor",
    "choke",
    "cable",
    "plug out",
    "wire",
    "switch",
    "fuse",
    "thermistor",
    "diode",
    "selenium rectifier",
    "Zener diode",
}
MANY_ENDED = {"jack", "mains plug", "selector switch", "rectifier"}
STACK = 4
"""Rows between branches."""


@dataclass
class NetLayout:
    """Grows nets from their roots to one side: -1 to the left, +1 to the right.

    `inner` are the nodes of the net; `hanging` the nodes that parts hang on down (ground, bias), `rising`
    those they rise to (B+). All other far ends are signal: they lie in line and end in a label.
    """

    board: Grid
    maker: Maker
    side: int
    inner: frozenset[str]
    hanging: frozenset[str]
    rising: frozenset[str]
    items: list[Item]
    placed: set[str] = field(default_factory=set)
    drop: bool = False
    limit: int = 10_000

    def grow(self, root: str, x: int, y: int) -> None:
        """Lay the net that hangs on `root`, whose wire comes out at (x, y)."""
        self.tree = self._tree(root)
        self.later: list[tuple[Item, str, int, int]] = []
        self.cut: list[tuple[Item, str]] = []
        self._node(root, x, y)
        for item, node, at, row in self.later:
            if item.name not in self.placed:
                self._many(item, node, at, row, [])
        while self.cut:
            self._next_row(*self.cut.pop(0), x)

    def _next_row(self, item: Item, node: str, x: int) -> None:
        """What ran off the paper goes on below, from the left, behind a label of its node."""
        maker, left = self.maker, x + self.side * (self.maker.reader.room(node) + 3)
        self.maker = maker.ending(node)
        shape = self.lying(item, node if self.side > 0 else item.other(node))
        self.maker = maker
        y = round(self.board.lowest(*self._beyond(x), 0.0)) - STACK
        at = self._put(item, shape, left + self.side * (HALF + 1), y, (0, -1))
        self._node(item.other(node), at + self.side * self._half(item), self.board.laid[-1].y)

    # ---- the tree

    def _tree(self, root: str) -> dict[str, list[tuple[Item, list[str]]]]:
        """For each node the items that lead on from it, with the nodes they lead to; controls first."""
        result: dict[str, list[tuple[Item, list[str]]]] = {root: []}
        used = set(self.placed)
        todo = deque([root])
        while todo:
            node = todo.popleft()
            here = [i for i in self.items if node in i.nodes and i.name not in used]
            for item in sorted(here, key=lambda i: i.kind not in ("potentiometer", *MANY_ENDED)):
                fresh = [n for n in item.nodes if n in self.inner and n not in result]
                if not fresh or item.kind not in INLINE | MANY_ENDED | {"potentiometer"}:
                    continue
                used.add(item.name)
                result[node].append((item, fresh))
                for one in fresh:
                    result[one] = []
                    todo.append(one)
        return result

    def _size(self, node: str) -> int:
        return 1 + sum(self._size(one) for _, fresh in self.tree[node] for one in fresh)

    # ---- laying

    def _node(self, node: str, x: int, y: int, *, under: bool = False) -> None:
        """What hangs on a node, then what leads on; `under`: the first that hangs goes straight down."""
        start = x
        x = self._hang(node, x, y, under=under)
        if not under and abs(x - start) < (room := self.maker.reader.room(node)):
            x = start + self.side * room
        leads = [(item, fresh) for item, fresh in self.tree.get(node, []) if item.name not in self.placed]
        ends: list[tuple[Item, list[str]]] = [(item, []) for item in self.items if self._is_end(item, node)]
        self.later += [(item, node, x, y) for item, _ in ends if item.kind == "jack"]
        ways = [way for way in (*leads, *ends) if way[0].kind != "jack" or way[1]]
        ways.sort(key=lambda way: (not self._live(*way), -sum(self._size(one) for one in way[1])))
        for place, (item, fresh) in enumerate(ways):
            if item.name in self.placed:
                continue
            row = y if not place else self._below(x)
            if fresh:
                self._lead(item, node, fresh, x, row)
            else:
                self._end(item, node, x, row)

    def _live(self, item: Item, fresh: list[str]) -> bool:
        """Whether signal comes in this way: from another stage, or from a jack."""
        if not fresh or item.kind in MANY_ENDED:
            return True
        return any(
            self._is_end(other, node) or self._live(other, more)
            for node in fresh
            for other, more in [*((i, []) for i in self.items if self._is_end(i, node)), *self.tree[node]]
        )

    def _is_end(self, item: Item, node: str) -> bool:
        """A part whose far end is signal that is not drawn on, or that has the last say on its net."""
        if node not in item.nodes or item.name in self.placed:
            return False
        if item.kind == "jack":
            return item.at("tip") == node or item.at("tip") not in self.inner
        if item.kind in MANY_ENDED:
            return True
        return item.two_ends and not self._hangs(item, node) and item.other(node) not in self.inner

    def _below(self, x: int) -> int:
        """A row below everything on this side of a column."""
        return round(self.board.lowest(*self._beyond(x), 0.0)) - STACK

    def _beyond(self, x: int) -> tuple[int, int]:
        return (-10_000, x) if self.side < 0 else (x, 10_000)

    def _hangs(self, item: Item, node: str) -> bool:
        far = item.other(node)
        return far == GROUND or far in self.hanging or far in self.rising

    def _hang(self, node: str, x: int, y: int, *, under: bool = False) -> int:
        """Parts to ground and to the supply, upright, one beside the other; returns the column beyond."""
        for item in list(self.items):
            if item.name in self.placed or node not in item.nodes:
                continue
            if item.two_ends and self._hangs(item, node):
                up = item.other(node) in self.rising
                shape = self.upright(item, node, up=up)
                at = y + HALF if up else y - HALF
                step = 0 if under else 2 * self.side
                x, under = self._put(item, shape, x + step, at, (self.side, 0)) + self.side, False
            elif item.kind == "potentiometer" and self._dead_end(item, node):
                turned = item.at("bottom") == node
                shape = self.maker.shape(item, mirror=self.side < 0, flip=turned)
                at = y - HALF
                x = self._put(item, shape, x + 2 * self.side, at, (self.side, 0)) + self.side
        return x

    def _dead_end(self, item: Item, node: str) -> bool:
        """A control that hangs on one node and leads to no other of this net."""
        return all(one == node or one not in self.inner for one in item.nodes) and item.at("wiper") != node

    def upright(self, item: Item, node: str, *, up: bool = False) -> Shape:
        """A part with two ends standing on (or hanging from) a node."""
        first_on_top = item.pins[0][1] == node
        return self.maker.shape(item, "v", flip=first_on_top if up else not first_on_top)

    def lying(self, item: Item, left: str) -> Shape:
        """A part with two ends, `left` to the left."""
        return self.maker.shape(item, "h", flip=item.pins[0][1] != left)

    def _put(self, item: Item, shape: Shape, x: int, y: int, step: tuple[int, int]) -> int:
        self.placed.add(item.name)
        return self.board.lay_near(item.name, shape, x, y, step).x

    def _lead(self, item: Item, node: str, fresh: list[str], x: int, y: int) -> None:
        if item.kind == "potentiometer":
            self._control(item, node, x, y)
            return
        if item.kind in MANY_ENDED:
            self._many(item, node, x, y, fresh)
            return
        far = item.other(node)
        if self.drop:
            shape = self.upright(item, node)
            self._put(item, shape, x, y - 2 * HALF, (self.side, 0))
            one = self.board.laid[-1]
            self._node(far, one.x, one.y - HALF - 1, under=True)
            return
        if abs(x) > self.limit:
            self.cut.append((item, node))
            return
        half = self._half(item)
        x += self.side * (half - HALF) * 2
        shape = self.lying(item, far if self.side < 0 else node)
        at = self._put(item, shape, x + self.side * (half + 1), y, (0, -1))
        self._node(far, at + self.side * half, self.board.laid[-1].y)

    @staticmethod
    def _half(item: Item) -> int:
        return HALF + (1 if item.kind in ("cable", "plug out") else 0)

    def _end(self, item: Item, node: str, x: int, y: int) -> None:
        if item.kind in MANY_ENDED:
            self._many(item, node, x, y, [])
            return
        half = self._half(item)
        far = item.other(node)
        shape = self.lying(item, far if self.side < 0 else node)
        self._put(item, shape, x + self.side * (half + 1), y, (0, -1))

    def _control(self, item: Item, node: str, x: int, y: int) -> None:
        """Upright; with its wiper in line where the net comes from the wiper."""
        by_wiper = item.at("wiper") == node
        shape = self.maker.shape(item, mirror=(self.side > 0) == by_wiper)
        off = 1
        if by_wiper:
            x, off = self._beside(item, x, y)
            self._put(item, shape, x + 2 * self.side, y, (self.side, 0))
        else:
            down = item.at("top") == node
            self._put(item, shape, x + 2 * self.side, y - HALF if down else y + HALF, (self.side, 0))
        one = self.board.laid[-1]
        for pin in one.pins:
            if pin.node != node and pin.node in self.tree and self._opens(item, node, pin.node):
                self._node(pin.node, pin.x, pin.y + off * pin.way[1], under=pin.way == DOWN)

    def _beside(self, control: Item, x: int, y: int) -> tuple[int, int]:
        """Parts across half of a control stand between it and what its wiper feeds, above and below the wire.

        Returns the column reached, and how far beyond its ends the control's own wires turn.
        """
        halves = {
            frozenset((control.at(end), control.at("wiper"))): row
            for end, row in (("top", HALF), ("bottom", -HALF))
        }
        reached, off = x, 1
        for item in self.items:
            row = halves.get(frozenset(item.nodes))
            if row is None or item.name in self.placed or not item.two_ends or len(item.nodes) < 2:
                continue
            upper = control.at("top") if row > 0 else control.at("wiper")
            at = self._put(item, self.upright(item, upper), x + 3 * self.side, y + row, (self.side, 0))
            reached, off = (min if self.side < 0 else max)(reached, at), HALF
        return reached, off

    def _opens(self, item: Item, node: str, far: str) -> bool:
        return any(lead is item and far in fresh for lead, fresh in self.tree[node])

    def _many(self, item: Item, node: str, x: int, y: int, fresh: list[str]) -> None:
        """A jack, a plug, a selector: the pin on this node in line, the others grown from where they lie."""
        shape = self.maker.shape(item, mirror=self.side > 0)
        if item.kind in ("selector switch", "rectifier") and not self._faces(shape, node):
            shape = mirrored(shape)
        pin = next(pin for pin in shape.pins if pin.node == node)
        edge = max(abs(p.x) for p in shape.pins)
        row, step = y - pin.y, (0, -1)
        if item.kind == "rectifier":  # between the ends of its winding
            rows = [
                p.y for name, one in item.pins if name.startswith("plate") for p in self.board.pins_of(one)
            ]
            row, step = round(sum(rows) / len(rows)) if rows else row, (self.side, 0)
        self._put(item, shape, x + self.side * (edge + 2), row, step)
        for other in self.board.laid[-1].pins:
            if other.node in fresh:
                self._node(other.node, other.x, other.y)

    def _faces(self, shape: Shape, node: str) -> bool:
        pin = next(pin for pin in shape.pins if pin.node == node)
        return pin.way[0] != self.side


def mirrored(shape: Shape) -> Shape:
    """A lying symbol turned left to right; words stay level."""
    pins = tuple(Pin(p.node, -p.x, p.y, (-p.way[0], p.way[1])) for p in shape.pins)
    return Shape(
        shape.symbol, "mirrored", pins, shape.bodies, shape.words, shape.more, shape.tags, shape.changed
    )


REACH = 9
TURNED = 1.5
"""Lying costs so many steps more between nodes at unlike heights."""


def settle_all(board: Grid, maker: Maker, items: list[Item]) -> list[Item]:
    """Settle what joins something laid, then what joins that, then the rest below; returns what is left."""
    left = list(items)
    while left:
        done = [item for item in left if settle(board, maker, item)]
        left = [item for item in left if item not in done]
        if not done and left:
            _lay_below(board, maker, left.pop(0))
    return left


def _lay_below(board: Grid, maker: Maker, item: Item) -> None:
    """What joins nothing that is drawn stands below, by itself."""
    extent = board.extent()
    shape = maker.shape(item, "h" if item.two_ends else "v")
    high = max(box.top for box in shape.boxes)
    board.lay_near(item.name, shape, round(extent.left) + 6, round(extent.bottom - high) - 2, (1, 0))


def settle(board: Grid, maker: Maker, item: Item) -> bool:
    """Lay an item where its wires come out shortest; False where there is no room or nothing to join."""
    pins = {node: board.pins_of(node) for node in item.nodes if maker.open(node)}
    known = [pin for result in pins.values() for pin in result]
    if not known and board.laid:
        return False
    best: tuple[float, int, int, Shape] | None = None
    for cost, x, y, shape in sorted(_places(maker, item, pins, known), key=lambda place: place[:3]):
        if board.fits(shape, x, y):
            best = (cost, x, y, shape)
            break
    if best is None:
        return False
    board.lay(item.name, best[3], best[1], best[2])
    return True


def _places(
    maker: Maker, item: Item, pins: dict[str, list[Pin]], known: list[Pin]
) -> Iterator[tuple[float, int, int, Shape]]:
    xs = [pin.x for pin in known] or [0]
    ys = [pin.y for pin in known] or [0]
    for shape, price in _shapes(maker, item):
        for x in range(min(xs) - REACH, max(xs) + REACH + 1):
            for y in range(min(ys) - REACH, max(ys) + REACH + 1):
                yield price + _far(shape, x, y, pins), x, y, shape


def _shapes(maker: Maker, item: Item) -> Iterator[tuple[Shape, float]]:
    if not item.two_ends:
        yield maker.shape(item), 0.0
        yield maker.shape(item, mirror=True), 0.5
        return
    for turn in ("v", "h"):
        for flip in (False, True):
            shape = maker.shape(item, turn, flip=flip)
            yield shape, _against(shape) + (TURNED if turn == "h" else 0.0)


def _against(shape: Shape) -> float:
    """Grounds look down: any other way is dear."""
    return sum(20.0 for tag in shape.tags if tag.node == "ground" and tag.way != (0, -1))


def _far(shape: Shape, x: int, y: int, pins: dict[str, list[Pin]]) -> float:
    """Steps and bends from each pin to the nearest one of its node."""
    total = 0.0
    for pin in shape.pins:
        px, py = pin.x + x, pin.y + y
        others = pins.get(pin.node, [])
        if others:
            total += min(
                abs(o.x - px) + abs(o.y - py) + (1.0 if o.x != px and o.y != py else 0.0) for o in others
            )
    return total
