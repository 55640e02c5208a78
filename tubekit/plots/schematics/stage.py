"""Lays out one stage: tubes in the middle, what feeds them above, bias below, grids left, outputs right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from tubekit.amp.parts import GROUND
from tubekit.plots.schematics.grid import DOWN, HALF, LINE, OFF, RIGHT, WORDS, Grid, Pin, Shape, TextBlock
from tubekit.plots.schematics.net_layout import INLINE, NetLayout, settle_all
from tubekit.plots.schematics.output import Output, exit_shape
from tubekit.plots.schematics.sections import DrawnSection, Item, SectionMap
from tubekit.plots.schematics.shapes import Maker
from tubekit.plots.schematics.words import Reader

COLUMN = 4
FIRST_ROOM = 5


@dataclass
class StagePlan:
    """A section laid out: the board, the nodes that are drawn on, and what found no place."""

    section: DrawnSection
    board: Grid
    inner: frozenset[str]
    also: list[Item] = field(default_factory=list)
    exits: tuple[tuple[str, str], ...] = ()
    reader: Reader | None = None


def drawn_nodes(section: DrawnSection, items: Iterable[Item], exits: Iterable[str] = ()) -> frozenset[str]:
    """Nodes of a section that more than one symbol meets at; the others end in a label."""
    meets = Counter(node for item in items for node in item.nodes)
    meets.update(exits)
    return frozenset(node for node in section.zone if meets[node] > 1)


def lay_stage(
    territory: SectionMap, section: DrawnSection, reader: Reader, *, onward: bool = True
) -> StagePlan:
    """Lay out a stage; with `onward` also the parts by which it feeds what follows, else labels of those."""
    items = [*section.items, *(section.onward if onward else ())]
    exits = () if onward else _exits(territory, section)
    inner = drawn_nodes(section, [*section.tubes, *items], [node for node, _ in exits])
    return _Stage(territory, section, Maker(reader, inner), items, exits).plan()


def _exits(territory: SectionMap, section: DrawnSection) -> tuple[tuple[str, str], ...]:
    """(node, names of the sections it feeds) of every node that parts drawn elsewhere hang on."""
    fed: dict[str, list[str]] = {}
    for item in section.onward:
        home = next(one.name for one in territory.sections if item in one.items)
        for node in item.nodes:
            if node in section.zone and home not in fed.setdefault(node, []):
                fed[node].append(home)
    return tuple((node, ", ".join(homes)) for node, homes in fed.items())


class _Stage:
    def __init__(
        self, territory: SectionMap, section: DrawnSection, maker: Maker, items: list[Item],
        exits: tuple[tuple[str, str], ...],
    ) -> None:  # fmt: skip
        self.section, self.maker, self.items, self.exits = section, maker, items, exits
        self.board = Grid()
        self.placed: set[str] = set()
        supply = territory.supply
        self.rising = supply.positive
        self.hanging = (supply.nodes | supply.heater_nodes | {GROUND}) - self.rising
        self.zone = {node: zone for node, zone in section.zone.items() if node in maker.inner}

    def plan(self) -> StagePlan:
        for number, tube in enumerate(self.section.tubes):
            self._cell(number, tube)
        Output(
            self.board, self.maker, self.zone, self.items, self.placed, self.hanging, self.rising, self.exits
        ).lay()
        also = self._rest()
        return StagePlan(self.section, self.board, self.maker.inner, also, self.exits, self.maker.reader)

    # ---- one tube with what stands about it

    def _cell(self, number: int, tube: Item) -> None:
        shape = self.maker.shape(tube)
        plate, grid, cathode = (dict(tube.pins)[one] for one in ("plate", "grid", "cathode"))
        high = shape.pins[0].y if shape.pins and shape.pins[0].node == plate else 3
        y = 0
        if number:
            above = 10 if any(self._rises(item, plate) for item in self.items) else 4
            y = round(self.board.extent().bottom) - high - above
        self.board.lay(tube.name, shape, 0, y)
        self._plate(plate, y + high)
        self._screen(dict(tube.pins).get("screen"), y + 1)
        if cathode in self.zone and not any(cathode in t.nodes for t in self.section.tubes[number + 1 :]):
            self._chain(cathode, -1, y - 5)
        if grid in self.zone and self.zone[grid] == "grid":
            self._grid_net(grid, y)
        self._right(tube, y)

    def _rises(self, item: Item, node: str) -> bool:
        return item.two_ends and node in item.nodes and item.other(node) in self.rising

    def _mine(self, node: str) -> list[Item]:
        """Parts with two ends on a node that are still to be laid."""
        return [i for i in self.items if node in i.nodes and i.name not in self.placed and i.two_ends]

    def _plate(self, node: str, y: int) -> None:
        if self.zone.get(node) != "plate":
            return
        for item in self._mine(node):
            far = item.other(node)
            up_chain = self.zone.get(far) == "plate" and any(self._rises(i, far) for i in self._mine(far))
            if self._rises(item, node) or (up_chain and item.kind in ("resistor", "choke")):
                self._stand(item, node, 0, y + 1 + HALF)
                if up_chain:
                    self._plate(far, y + 2 + 2 * HALF)

    def _stand(self, item: Item, node: str, x: int, y: int) -> None:
        """Upright, with `node` at its lower end."""
        self.placed.add(item.name)
        shape = self.maker.shape(item, "v", flip=item.pins[0][1] == node)
        self.board.lay_near(item.name, shape, x, y, RIGHT)

    def _hang(self, item: Item, node: str, x: int, y: int) -> Pin | None:
        """Upright, with `node` at its upper end; returns the lower pin where it is drawn on."""
        self.placed.add(item.name)
        shape = self.maker.shape(item, "v", flip=item.pins[0][1] != node)
        one = self.board.lay_near(item.name, shape, x, y, RIGHT)
        return next((pin for pin in one.pins if pin.way == DOWN), None)

    def _screen(self, node: str | None, y: int) -> None:
        if node is None or self.zone.get(node) != "screen":
            return
        mine = self._mine(node)
        for item in mine:
            if item.other(node) in self.hanging or self.zone.get(item.other(node)) == "cathode":
                self._hang(item, node, FIRST_ROOM + 2, y - HALF)
        for item in mine:
            if item.name not in self.placed:
                self._lie_right(item, node, FIRST_ROOM + self.maker.reader.room(node), y)
        self._keep_for_words(node, 3, y)

    def _keep_for_words(self, node: str, x: int, y: int) -> None:
        """Letter a node over its wire before other wires can take the place."""
        lines = self.maker.reader.node(node)
        words = TextBlock(lines, x + 0.3, y + OFF + 0.5 * LINE * len(lines))
        shape = Shape(WORDS, "h", (), (), (words,))
        if self.board.fits(shape, 0, 0):
            self.board.lay(f"{WORDS} {node}", shape, 0, 0)

    def _lie_right(self, item: Item, node: str, x: int, y: int, step: tuple[int, int] = RIGHT) -> None:
        self.placed.add(item.name)
        shape = self.maker.shape(item, "h", flip=item.pins[0][1] != node)
        self.board.lay_near(item.name, shape, x, y, step)

    def _chain(self, node: str, x: int, y: int) -> None:
        """From a cathode down: what leads on first, then resistors to ground, then what bypasses them."""
        mine = [i for i in self._mine(node) if self._goes_down(i, node)]
        mine.sort(key=lambda i: (i.other(node) not in self.zone, i.kind != "resistor"))
        onward: list[tuple[str, Pin]] = []
        for place, item in enumerate(mine):
            pin = self._hang(item, node, x + COLUMN * place, y - HALF)
            if pin is not None and pin.node != node and pin.node in self.zone:
                onward.append((pin.node, pin))
        for item in self.items:
            if item.kind == "potentiometer" and item.name not in self.placed and item.at("top") == node:
                self.placed.add(item.name)
                self.board.lay_near(
                    item.name, self.maker.shape(item), x + COLUMN * len(mine), y - HALF, RIGHT
                )
        for far, pin in onward:
            self._chain(far, pin.x, pin.y - 1)

    def _goes_down(self, item: Item, node: str) -> bool:
        far = item.other(node)
        return far in self.hanging or (
            self.zone.get(far) == "cathode" and far != node and item.kind != "cable"
        )

    def _grid_net(self, grid: str, y: int) -> None:
        zone = frozenset(node for node, where in self.zone.items() if where == "grid")
        lower = {node for node, where in self.zone.items() if where == "cathode"}
        later = {node for node, where in self.zone.items() if where not in ("grid", "cathode")}
        net = [
            item
            for item in self.items
            if any(node in zone for node in item.nodes)
            and not any(node in later for node in item.nodes)
            and item.kind not in ("tube", "output transformer")
        ]
        grower = NetLayout(
            self.board, self.maker, -1, zone, frozenset(self.hanging | lower), self.rising, net, self.placed
        )
        shared = len({tube.at("cathode") for tube in self.section.tubes}) < len(self.section.tubes)
        grower.grow(grid, -5 if shared else -3, y)  # the wire of a common cathode goes down beside it

    # ---- to the right

    def _right(self, tube: Item, y: int) -> None:
        """What a tube's plate and cathode feed onward: lying, to the right of all that stands about it."""
        nodes = dict(tube.pins)
        for name in ("plate", "cathode"):
            node = nodes[name]
            if self.zone.get(node) != name:
                continue
            pins = self.board.pins_of(node)
            if not pins:
                continue
            row = max(p.y for p in pins if p.y <= y + 5) if name == "plate" else y - 5
            self._feed(node, row)
        for node in [n for n, z in self.zone.items() if z == "cathode" and n != nodes["cathode"]]:
            pins = self.board.pins_of(node)
            if pins:
                self._feed(node, min(p.y for p in pins))

    def _feed(self, node: str, row: int) -> None:
        x = self._room(row)
        for item in self._mine(node):
            far = item.other(node)
            if item.kind in INLINE and far not in self.zone and far not in self.hanging | self.rising:
                self._lie_right(item, node, max(x, FIRST_ROOM) + HALF + 1, row, (1, 0))
                row -= 4
        for name, homes in self.exits:
            key = f"exit {name}"
            if name == node and key not in self.placed:
                self.placed.add(key)
                self.board.lay_near(key, exit_shape(name, homes), max(x, FIRST_ROOM) + 1, row, RIGHT)

    def _room(self, row: int) -> int:
        """First column to the right of everything near a row."""
        near = [b.right for b in self.board.boxes if b.bottom < row + 3 and b.top > row - 2]
        return round(max(near, default=0.0)) + 1

    def _rest(self) -> list[Item]:
        """Everything else goes where it is near to what it joins; what finds no room is listed."""
        also = settle_all(self.board, self.maker, [i for i in self.items if i.name not in self.placed])
        for node, homes in self.exits:
            if f"exit {node}" not in self.placed:
                pins = self.board.pins_of(node)
                at = max(pins, key=lambda p: p.x) if pins else Pin(node, 0, 0, RIGHT)
                self.board.lay_near(f"exit {node}", exit_shape(node, homes), at.x + 3, at.y, RIGHT)
        return also
