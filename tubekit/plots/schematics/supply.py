"""Lays out the power supply from plug to last filter, and the heaters between their two wires."""

from __future__ import annotations

from dataclasses import replace

from tubekit.amp.parts import GROUND
from tubekit.plots.schematics.grid import HALF, RIGHT, Box, Grid, Pin, Shape, TextBlock, TextLine
from tubekit.plots.schematics.net_layout import STACK, NetLayout, settle_all
from tubekit.plots.schematics.sections import DrawnSection, Item, SectionMap
from tubekit.plots.schematics.shapes import Maker
from tubekit.plots.schematics.stage import StagePlan, drawn_nodes
from tubekit.plots.schematics.words import Reader

APART = 6
"""Steps from heater to heater."""

WIDEST = 38
"""Columns to the right of a transformer before the filter chain goes on in another row."""


def lay_supply(section: DrawnSection, reader: Reader) -> StagePlan:
    """Transformers in the middle, mains to their left, rectifiers and filters to their right."""
    items = [_turned(item, section.items) for item in section.items]
    reader = replace(reader, with_ripple=True)
    rectifiers = [item for item in items if item.kind == "rectifier"]
    inner = drawn_nodes(section, items) - {node for item in rectifiers for node in _only_heater(item)}
    maker = Maker(reader, inner)
    board, placed = Grid(), set[str]()
    for item in [i for i in items if i.kind == "power transformer"]:
        placed.add(item.name)
        top = 0 if not board.laid else round(board.extent().bottom) - 2 * STACK
        shape = maker.ending(*(one.at("cathode") for one in rectifiers)).shape(item)
        one = board.lay_near(item.name, shape, 0, top, (0, -1))
        for pin in one.pins:
            if not _waits(pin.node, items, placed):
                continue
            side = pin.way[0]
            grower = NetLayout(
                board, maker, side, inner, frozenset({GROUND}), frozenset(), items, placed,
                drop=side < 0, limit=WIDEST,
            )  # fmt: skip
            row = pin.y
            if any(one.x > 4 for one in board.laid) and side > 0:
                row = min(row, round(board.lowest(pin.x + 3, 10_000, 0.0)) - STACK)
            grower.grow(pin.node, pin.x - (4 if side < 0 else 0), row)
    also = settle_all(board, maker, [item for item in items if item.name not in placed])
    return StagePlan(section, board, inner, also, reader=reader)


def _turned(item: Item, items: tuple[Item, ...]) -> Item:
    """A selector with its contacts in the order of the taps they go to, so that the wires do not cross."""
    if item.kind != "selector switch":
        return item
    taps = [node for one in items if one.kind == "power transformer" for node in one.nodes]
    order = {node: place for place, node in enumerate(taps)}
    contacts = sorted(item.pins[1:], key=lambda pin: order.get(pin[1], len(taps)))
    return replace(item, pins=(item.pins[0], *contacts))


def _only_heater(rectifier: Item) -> set[str]:
    """Nodes of a rectifier's heater that are not its cathode."""
    return {node for name, node in rectifier.pins if name.startswith("heater")} - {rectifier.at("cathode")}


def _waits(node: str, items: list[Item], placed: set[str]) -> bool:
    return any(node in item.nodes and item.name not in placed for item in items)


def lay_heaters(territory: SectionMap, section: DrawnSection, reader: Reader) -> StagePlan:
    """Heaters side by side between their two wires; behind a cable the next pair of wires goes on."""
    nodes = [node for item in section.items for node in item.nodes if node in territory.supply.heater_nodes]
    section = replace(section, zone=dict.fromkeys(nodes, "heater"))
    entries = _entries(territory, section)
    inner = drawn_nodes(section, section.items, [node for node, _ in entries])
    maker = Maker(reader, inner)
    board = Grid()
    for place, (node, words) in enumerate(entries):
        text = TextBlock((TextLine(words, "node"),), -0.2, 0, "right")
        shape = Shape("entry", "h", (Pin(node, 2, 0, RIGHT),), (Box(-0.1, -0.4, 1.9, 0.4),), (text,))
        board.lay(f"entry {node} {place}", shape, 0, HALF - APART - 2 * HALF * place)
    left = [item for item in section.items if not _is_cable(item)]
    cables = [item for item in section.items if _is_cable(item)]
    x, also = APART, []
    while left or cables:
        row = [item for item in left if all(board.pins_of(n) for n in item.nodes if n in inner)]
        for item in sorted(row, key=lambda i: _order(board, i)):
            shape, y = _upright(maker, board, item)
            x = board.lay_near(item.name, shape, x, y, RIGHT).x + APART
        left = [item for item in left if item not in row]
        links = [item for item in cables if any(board.pins_of(n) for n in item.nodes if n in inner)]
        for item in links:
            near = next(n for n in item.nodes if board.pins_of(n))
            shape = maker.shape(item, "h", flip=item.pins[0][1] != near)
            board.lay_near(item.name, shape, x + 2 * HALF, board.pins_of(near)[-1].y, (0, -1))
        x += 2 * APART if links else 0
        cables = [item for item in cables if item not in links]
        if not row and not links:
            also = settle_all(board, maker, [*left, *cables])
            break
    return StagePlan(section, board, inner, also, reader=reader)


def _order(board: Grid, item: Item) -> tuple[bool, bool, int]:
    """Heaters first, what goes to ground last: from the lower wire first, then from the upper."""
    rows = [pin.y for node in item.nodes for pin in board.pins_of(node)]
    return GROUND in item.nodes, item.kind != "heater", min(rows, default=0)


def _upright(maker: Maker, board: Grid, item: Item) -> tuple[Shape, int]:
    """Between the two wires; what goes to ground hangs on its own."""
    if not item.two_ends or GROUND not in item.nodes:
        return maker.shape(item), -APART
    node = item.other(GROUND)
    row = board.pins_of(node)[0].y if board.pins_of(node) else -APART
    return maker.shape(item, "v", flip=item.pins[0][1] == GROUND), row - HALF


def _is_cable(item: Item) -> bool:
    return item.kind in ("cable", "plug out", "switch", "fuse") and GROUND not in item.nodes


def _entries(territory: SectionMap, section: DrawnSection) -> tuple[tuple[str, str], ...]:
    """(node, whence) of the winding ends that feed the heaters."""
    result = []
    for item in territory.supply.items:
        if item.kind == "power transformer":
            taps = [node for _, node in item.pins if node in section.zone]
            result += [(node, f"from {item.name}") for node in dict.fromkeys(taps)]
    return tuple(result)
