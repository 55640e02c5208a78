"""Finds room for a part between nodes that are already laid: as near to them as it can be."""

from __future__ import annotations

from collections.abc import Iterator

from tubekit.plots.schematics.grid import Grid, Pin, Shape
from tubekit.plots.schematics.items import Item
from tubekit.plots.schematics.shapes import Maker

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
