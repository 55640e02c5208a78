"""Names and volts of the nodes that are drawn on: beside their wires, where nothing else is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.plots.schematics.grid import LINE, OFF, WORDS, Box, Grid, Point, TextBlock, TextLine, width
from tubekit.plots.schematics.route import Wires, runs
from tubekit.plots.schematics.words import Reader

NEAR = 0.05


@dataclass
class Labels:
    """Words placed at nodes, and the nodes for which no place was found."""

    words: list[TextBlock] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)


def label_nodes(board: Grid, wires: Wires, nodes: list[str], reader: Reader) -> Labels:
    """Place name and volts of each node, those with the fewest places first."""
    labels = Labels()
    lanes = [_lane(run) for node in nodes for run in runs(wires.of(node))]
    taken = [*board.boxes, *lanes]
    done = {one.name for one in board.laid if one.shape.symbol == WORDS}
    waiting = [node for node in nodes if f"{WORDS} {node}" not in done]
    for node in sorted(waiting, key=lambda one: len(wires.of(one))):
        spot = _best(board, wires, node, reader, taken)
        if spot is None:
            labels.missed.append(node)
            continue
        labels.words += spot
        taken += [words.box for words in spot]
    return labels


def _lane(run: tuple[Point, Point]) -> Box:
    (x0, y0), (x1, y1) = run
    return Box(min(x0, x1) - NEAR, min(y0, y1) - NEAR, max(x0, x1) + NEAR, max(y0, y1) + NEAR)


def _wider(box: Box) -> Box:
    return Box(box.left - 0.25, box.bottom, box.right + 0.25, box.top)


def _best(board: Grid, wires: Wires, node: str, reader: Reader, taken: list[Box]) -> list[TextBlock] | None:
    lines = reader.node(node)
    best: tuple[float, list[TextBlock]] | None = None
    for price, words in _places(board, wires, node, lines):
        if best is not None and price >= best[0]:
            continue
        boxes = [one.box for one in words]
        if not any(_wider(box).hits(other, 0.1) for box in boxes for other in taken):
            best = (price, words)
    return None if best is None else best[1]


def _places(
    board: Grid, wires: Wires, node: str, lines: tuple[TextLine, ...]
) -> Iterator[tuple[float, list[TextBlock]]]:
    """(price, words): over a level wire in one line at best, then under it, then beside an upright one."""
    pins = [pin.at for pin in board.pins_of(node)]
    tall = OFF + 0.5 * LINE * len(lines)
    result = runs(wires.of(node)) or [(at, at) for at in pins]
    for (x0, y0), (x1, y1) in result:
        long = abs(x1 - x0) + abs(y1 - y0)
        if y0 == y1:
            for half in range(2 * (x1 - x0) + 1):
                x = x0 + half / 2
                for ha in ("left", "right", "center"):
                    yield 2.0 - 0.1 * min(long, 8) + (ha != "left") * 0.2, _in_line(lines, x, y0 + 0.62, ha)
                    yield 3.0 - 0.1 * min(long, 8), _in_line(lines, x, y0 - 0.62, ha)
                    yield 3.6, _stacked(lines, x, y0 + tall, ha)
                    yield 4.0, _stacked(lines, x, y0 - tall, ha)
        if x0 == x1:
            for half in range(2 * (y1 - y0) + 1):
                y = y0 + half / 2
                yield 3.2, _in_line(lines, x0 + 0.5, y, "left")
                yield 3.4, _stacked(lines, x0 + 0.5, y, "left")
                yield 3.8, _in_line(lines, x0 - 0.5, y, "right")
                yield 3.9, _stacked(lines, x0 - 0.5, y, "right")


def _stacked(lines: tuple[TextLine, ...], x: float, y: float, ha: str) -> list[TextBlock]:
    return [TextBlock(lines, x, y, ha)]


def _in_line(lines: tuple[TextLine, ...], x: float, y: float, ha: str) -> list[TextBlock]:
    """Name and volts side by side."""
    wide = [width(line.text, line.ink) for line in lines]
    gap = 0.35
    total = sum(wide) + gap * (len(lines) - 1)
    left = {"left": x + 0.1, "center": x - total / 2, "right": x - total - 0.1}[ha]
    blocks = []
    for line, each in zip(lines, wide, strict=True):
        blocks.append(TextBlock((line,), left, y))
        left += each + gap
    return blocks
