"""Lays out what stands to the right of the output tubes: transformer, loudspeaker, feedback."""

from __future__ import annotations

from dataclasses import dataclass

from tubekit.plots.schematics.grid import HALF, LEFT, RIGHT, Box, Grid, Pin, Shape, TextBlock, TextLine
from tubekit.plots.schematics.net_layout import NetLayout
from tubekit.plots.schematics.sections import Item
from tubekit.plots.schematics.shapes import Maker, windings_of

ROOM = 5
"""Columns between a secondary and what hangs on it."""


def exit_shape(node: str, homes: str) -> Shape:
    """The end of a wire that goes on in other sections."""
    words = TextBlock((TextLine(f"to {homes}", "node"),), 1.5, 0.0, "left")
    return Shape("exit", "h", (Pin(node, 0, 0, LEFT),), (Box(0.2, -0.4, 1.3, 0.4),), (words,))


@dataclass
class Output:
    """Works on the board of a stage, once its tubes are laid; `placed` is shared with it."""

    board: Grid
    maker: Maker
    zone: dict[str, str]
    items: list[Item]
    placed: set[str]
    hanging: frozenset[str]
    rising: frozenset[str]
    exits: tuple[tuple[str, str], ...]

    def lay(self) -> None:
        """Transformers, then what their secondaries feed."""
        for item in self.items:
            if item.kind == "output transformer":
                self._transformer(item)
        self._secondaries()

    def _put(self, name: str, shape: Shape, x: int, y: int) -> None:
        self.placed.add(name)
        self.board.lay_near(name, shape, x, y, RIGHT)

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
        self._put(item.name, shape, x, top - first)

    def _secondaries(self) -> None:
        zone = sorted(node for node, where in self.zone.items() if where == "output")
        net = [i for i in self.items if any(n in zone for n in i.nodes) and i.kind != "output transformer"]
        for item in [i for i in net if i.two_ends and self._leaves(i)]:
            node = next(n for n in item.nodes if n in zone)
            pin = max(self.board.pins_of(node), key=lambda p: p.x)
            shape = self.maker.shape(item, "v", flip=item.pins[0][1] != node)
            self._put(item.name, shape, pin.x + ROOM, pin.y - HALF)
        for node, homes in self.exits:
            if node in zone and self.board.pins_of(node):
                pin = self.board.pins_of(node)[0]
                self._put(f"exit {node}", exit_shape(node, homes), pin.x + ROOM, pin.y + 3)
        speakers = [item for item in net if item.kind == "loudspeaker"]
        grower = NetLayout(
            self.board, self.maker, 1, frozenset(zone), self.hanging, self.rising, net, self.placed
        )
        for node in zone:
            pins = [p for p in self.board.pins_of(node) if p.way == RIGHT]
            if pins:
                grower.grow(node, pins[0].x, pins[0].y)
        for item in speakers:
            pins = [pin for node in item.nodes for pin in self.board.pins_of(node)]
            if pins:
                far = max(pins, key=lambda p: p.x)
                lying = [pin for pin in pins if pin.way == RIGHT] or [far]
                row = max(lying, key=lambda p: p.x).y
                self._put(
                    item.name, self.maker.shape(item), far.x + 1 + self.maker.reader.room(far.node), row - 1
                )

    def _leaves(self, item: Item) -> bool:
        """Feedback: from the secondary to an earlier stage."""
        far = [node for node in item.nodes if node not in self.zone]
        return item.name not in self.placed and len(far) == 1 and far[0] not in self.hanging | self.rising
