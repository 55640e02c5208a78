"""Lays out one stage: tubes in the middle, what feeds them above, bias below, grids left, outputs right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from tubekit.amp.parts import GROUND
from tubekit.plots.schematics.board import DOWN, HALF, LEFT, RIGHT, Board, Line, Pin, Shape, Words
from tubekit.plots.schematics.grow import INLINE, Grower
from tubekit.plots.schematics.items import Item
from tubekit.plots.schematics.settle import settle_all
from tubekit.plots.schematics.shapes import Maker
from tubekit.plots.schematics.territory import Section, Territory
from tubekit.plots.schematics.words import Reader
from tubekit.plots.schematics.wound import windings_of

COLUMN = 4
FIRST_ROOM = 5


@dataclass
class Plan:
    """A section laid out: the board, the nodes that are drawn on, and what found no place."""

    section: Section
    board: Board
    inner: frozenset[str]
    also: list[Item] = field(default_factory=list)
    exits: tuple[tuple[str, str], ...] = ()
    reader: Reader | None = None


def drawn_nodes(section: Section, items: Iterable[Item], exits: Iterable[str] = ()) -> frozenset[str]:
    """Nodes of a section that more than one symbol meets at; the others end in a label."""
    meets = Counter(node for item in items for node in item.nodes)
    meets.update(exits)
    return frozenset(node for node in section.zone if meets[node] > 1)


def lay_stage(territory: Territory, section: Section, reader: Reader, *, onward: bool = True) -> Plan:
    """Lay out a stage; with `onward` also the parts by which it feeds what follows, else labels of those."""
    items = [*section.items, *(section.onward if onward else ())]
    exits = () if onward else _exits(territory, section)
    inner = drawn_nodes(section, [*section.tubes, *items], [node for node, _ in exits])
    return _Stage(territory, section, Maker(reader, inner), items, exits).plan()


def _exits(territory: Territory, section: Section) -> tuple[tuple[str, str], ...]:
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
        self, territory: Territory, section: Section, maker: Maker, items: list[Item],
        exits: tuple[tuple[str, str], ...],
    ) -> None:  # fmt: skip
        self.section, self.maker, self.items, self.exits = section, maker, items, exits
        self.board = Board()
        self.placed: set[str] = set()
        supply = territory.supply
        self.rising = supply.positive
        self.hanging = (supply.nodes | supply.heater_nodes | {GROUND}) - self.rising
        self.zone = {node: zone for node, zone in section.zone.items() if node in maker.inner}
        self.iron = [item for item in items if item.kind == "output transformer"]

    def plan(self) -> Plan:
        for number, tube in enumerate(self.section.tubes):
            self._cell(number, tube)
        for item in self.iron:
            self._transformer(item)
        self._outputs()
        also = self._rest()
        return Plan(self.section, self.board, self.maker.inner, also, self.exits, self.maker.reader)

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
                self._lie_right(item, node, FIRST_ROOM + 3, y)

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
        grower = Grower(
            self.board, self.maker, -1, zone, frozenset(self.hanging | lower), self.rising, net, self.placed
        )
        grower.grow(grid, -3, y)

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
        for place, (name, _) in enumerate(self.exits):
            key = f"exit {name}"
            if name == node and key not in self.placed:
                self.placed.add(key)
                shape = self._exit(place)
                self.board.lay_near(key, shape, max(x, FIRST_ROOM) + 1, row, RIGHT)

    def _exit(self, place: int) -> Shape:
        node, homes = self.exits[place]
        words = Words((Line(f"to {homes}", "node"),), 0.9, 0.0, "left")
        return Shape("exit", "h", (Pin(node, 0, 0, LEFT),), (), (words,))

    def _room(self, row: int) -> int:
        """First column to the right of everything near a row."""
        near = [b.right for b in self.board.boxes if b.bottom < row + 3 and b.top > row - 2]
        return round(max(near, default=0.0)) + 1

    # ---- the output transformer and what is behind it

    def _transformer(self, item: Item) -> None:
        coils = windings_of(item)
        taps = next(iter(coils.values()))
        heights = {tap: [p.y for p in self.board.pins_of(tap)] for tap in taps}
        ends = [max(heights[tap]) for tap in (taps[0], taps[-1]) if heights[tap]]
        if (heights[taps[0]] and not heights[taps[-1]]) or (len(ends) == 2 and ends[0] < ends[1]):
            taps = taps[::-1]
        step, top = 0, max(ends, default=0)
        if len(ends) == 2 and len(taps) == 3:
            step = max(4, (max(ends) - min(ends)) // 2)
        elif len(ends) == 1 and len(taps) > 1:
            top += 4 * (len(taps) - 1)
        shape = self.maker.transformer(item, taps, step)
        first = max((p.y for p in shape.pins if p.x == 0), default=0)
        tags = [t.y for t in shape.tags if t.x == 0]
        first = max([first, *tags]) if tags else first
        x = round(self.board.extent().right) + 2
        self.placed.add(item.name)
        self.board.lay_near(item.name, shape, x, top - first, RIGHT)

    def _outputs(self) -> None:
        zone = frozenset(node for node, where in self.zone.items() if where == "output")
        net = [
            item for item in self.items if any(node in zone for node in item.nodes) and item not in self.iron
        ]
        for item in [i for i in net if i.two_ends and self._leaves(i)]:
            node = next(n for n in item.nodes if n in zone)
            pin = max(self.board.pins_of(node), key=lambda p: p.x)
            self._hang(item, node, pin.x + COLUMN + 1, pin.y - HALF)
        for item in [i for i in net if i.kind == "loudspeaker"]:
            hot = [n for n in item.nodes if n in zone and self.board.pins_of(n)]
            if hot:
                self.placed.add(item.name)
                pin = max(self.board.pins_of(hot[0]), key=lambda p: p.x)
                self.board.lay_near(item.name, self.maker.shape(item), pin.x + 5, pin.y - 1, RIGHT)
        grower = Grower(
            self.board, self.maker, 1, zone, frozenset(self.hanging), self.rising, net, self.placed
        )
        for node in zone:
            pins = [p for p in self.board.pins_of(node) if p.way == RIGHT]
            if pins:
                grower.grow(node, pins[0].x, pins[0].y)
        for item in [i for i in net if i.kind == "loudspeaker" and i.name not in self.placed]:
            pins = [p for n in item.nodes for p in self.board.pins_of(n)]
            if pins:
                far = max(pins, key=lambda p: p.x)
                self.placed.add(item.name)
                room = grower.room(far.node) + 1
                self.board.lay_near(item.name, self.maker.shape(item), far.x + room, far.y - 1, RIGHT)

    def _leaves(self, item: Item) -> bool:
        """Feedback: from the secondary to an earlier stage."""
        far = [node for node in item.nodes if node not in self.zone]
        return item.name not in self.placed and len(far) == 1 and far[0] not in self.hanging | self.rising

    def _rest(self) -> list[Item]:
        """Everything else goes where it is near to what it joins; what finds no room is listed."""
        also = settle_all(self.board, self.maker, [i for i in self.items if i.name not in self.placed])
        for place, (node, _) in enumerate(self.exits):
            if f"exit {node}" not in self.placed:
                pins = self.board.pins_of(node)
                at = max(pins, key=lambda p: p.x) if pins else Pin(node, 0, 0, RIGHT)
                self.board.lay_near(f"exit {node}", self._exit(place), at.x + 3, at.y, RIGHT)
        return also
