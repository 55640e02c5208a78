"""Wires: straight, at right angles, around symbols and words; they cross other nets but never touch them."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from tubekit.plots.schematics.grid import DOWN, LEFT, RIGHT, UP, Box, Grid, Pin, Point

BEND, CROSSING, DOT = 2.5, 5.0, 1.2
MARGIN = 5
WAYS = (RIGHT, LEFT, UP, DOWN)
Edge = tuple[Point, Point]


def edge(a: Point, b: Point) -> Edge:
    """The edge between two neighbors, the same whichever comes first."""
    return (a, b) if a <= b else (b, a)


@dataclass
class Wires:
    """What was laid so far: whose every edge is, and which edges a symbol or a word covers."""

    area: Box
    covered: set[Edge] = field(default_factory=set)
    owner: dict[Edge, str] = field(default_factory=dict)
    pins: dict[Point, str] = field(default_factory=dict)
    missed: list[Pin] = field(default_factory=list)

    def edges_at(self, at: Point) -> list[tuple[Point, str]]:
        """(way, net) of the wires at a point."""
        result = []
        for way in WAYS:
            net = self.owner.get(edge(at, (at[0] + way[0], at[1] + way[1])))
            if net is not None:
                result.append((way, net))
        return result

    def crossable(self, at: Point, way: Point, net: str) -> bool:
        """Whether a wire may pass a point in a direction: only straight across another net."""
        if self.pins.get(at, net) != net:
            return False
        others = [(w, n) for w, n in self.edges_at(at) if n != net]
        if not others:
            return True
        return len(others) == 2 and all(w[0] * way[0] + w[1] * way[1] == 0 for w, _ in others)

    def foreign(self, at: Point, net: str) -> bool:
        """Whether another net runs through a point."""
        return any(n != net for _, n in self.edges_at(at))

    def of(self, net: str) -> list[Edge]:
        """The edges of a net."""
        return [one for one, name in self.owner.items() if name == net]


def cover(wires: Wires, boxes: Iterable[Box]) -> None:
    """Keep wires out of boxes."""
    for box in boxes:
        left, right = math.floor(box.left), math.ceil(box.right)
        low, high = math.floor(box.bottom), math.ceil(box.top)
        for x in range(left, right + 1):
            for y in range(low, high + 1):
                if box.bottom < y < box.top and x + 1 > box.left and x < box.right:
                    wires.covered.add(((x, y), (x + 1, y)))
                if box.left < x < box.right and y + 1 > box.bottom and y < box.top:
                    wires.covered.add(((x, y), (x, y + 1)))


def route(board: Grid, nodes: Iterable[str]) -> Wires:
    """Join the pins of each node, those that lie close together first."""
    extent = board.extent()
    area = Box(extent.left - MARGIN, extent.bottom - MARGIN, extent.right + MARGIN, extent.top + MARGIN)
    wires = Wires(area, pins=dict(board.pins))
    cover(wires, board.boxes)
    pins = {node: board.pins_of(node) for node in nodes}
    for node in sorted(pins, key=lambda one: (_span(pins[one]), one)):
        _join(wires, node, pins[node])
    return wires


def _span(pins: list[Pin]) -> int:
    if not pins:
        return 0
    xs, ys = [p.x for p in pins], [p.y for p in pins]
    return max(xs) - min(xs) + max(ys) - min(ys)


def _join(wires: Wires, net: str, pins: list[Pin]) -> None:
    if len(pins) < 2:
        return None
    ways = {pin.at: pin.way for pin in pins}
    joined = {pins[0].at}
    left = {pin.at for pin in pins} - joined
    while left:
        path = _search(wires, net, joined, left, ways)
        if path is None and joined == {pins[0].at}:
            wires.missed.append(pins[0])
            return _join(wires, net, pins[1:])
        if path is None:
            wires.missed += [pin for pin in pins if pin.at in left]
            return None
        for a, b in itertools.pairwise(path):
            wires.owner[edge(a, b)] = net
        joined |= {at for at in path if not wires.foreign(at, net)}
        left -= joined
    return None


def _search(
    wires: Wires, net: str, starts: set[Point], goals: set[Point], ways: dict[Point, Point]
) -> list[Point] | None:
    """The cheapest way from what is joined to the nearest pin that is not."""

    def rest(at: Point) -> int:
        return min(abs(at[0] - goal[0]) + abs(at[1] - goal[1]) for goal in goals)

    todo: list[tuple[float, float, Point, Point]] = []
    came: dict[tuple[Point, Point], tuple[Point, Point] | None] = {}
    best: dict[tuple[Point, Point], float] = {}
    for at in sorted(starts):
        key = (at, (0, 0))
        price = DOT if len(wires.edges_at(at)) + (at in wires.pins) == 2 else 0.0
        best[key], came[key] = price, None
        heapq.heappush(todo, (price + rest(at), price, at, (0, 0)))
    while todo:
        _, cost, at, way = heapq.heappop(todo)
        if best[at, way] < cost:
            continue
        if at in goals:
            return _walked(came, (at, way))
        crossing = wires.foreign(at, net) and way != (0, 0)
        for turn in (way,) if crossing else WAYS:
            onward = (at[0] + turn[0], at[1] + turn[1])
            if (turn[0] == -way[0] and turn[1] == -way[1]) or not _free(wires, net, at, onward, turn):
                continue
            so_far = cost + _price(wires, net, at, onward, way, turn, ways)
            key = (onward, turn)
            if so_far < best.get(key, math.inf):
                best[key], came[key] = so_far, (at, way)
                heapq.heappush(todo, (so_far + rest(onward), so_far, onward, turn))
    return None


def _free(wires: Wires, net: str, at: Point, onward: Point, turn: Point) -> bool:
    one = edge(at, onward)
    return (
        one not in wires.covered
        and wires.owner.get(one, net) == net
        and wires.area.holds(*onward)
        and wires.crossable(onward, turn, net)
    )


def _price(
    wires: Wires, net: str, at: Point, onward: Point, way: Point, turn: Point, ways: dict[Point, Point]
) -> float:
    price = 1.0
    if way == (0, 0):
        price += 1.0 if at in ways and ways[at] != turn else 0.0
    elif way != turn:
        price += BEND
    if wires.foreign(onward, net):
        price += CROSSING
    if onward in ways and (-turn[0], -turn[1]) != ways[onward]:
        price += 1.0  # a wire arrives straight at a symbol where it can
    return price


def _walked(
    came: dict[tuple[Point, Point], tuple[Point, Point] | None], last: tuple[Point, Point]
) -> list[Point]:
    path = [last[0]]
    step = came[last]
    while step is not None:
        path.append(step[0])
        step = came[step]
    return path[::-1]


def runs(edges: Iterable[Edge]) -> list[Edge]:
    """Edges joined into straight lines as long as they go."""
    result: list[Edge] = []
    for axis in (0, 1):
        lines: dict[int, list[int]] = {}
        for a, b in edges:
            if a[axis] != b[axis]:
                lines.setdefault(a[1 - axis], []).append(a[axis])
        for across, starts in lines.items():
            for first, last in _stretches(sorted(starts)):
                ends = (
                    ((first, across), (last + 1, across))
                    if axis == 0
                    else ((across, first), (across, last + 1))
                )
                result.append(ends)
    return result


def _stretches(starts: list[int]) -> Iterable[tuple[int, int]]:
    first = last = starts[0]
    for one in starts[1:]:
        if one != last + 1:
            yield first, last
            first = one
        last = one
    yield first, last


def dots(wires: Wires, net: str, pins: Iterable[Point]) -> list[Point]:
    """Points of a net at which more than two wires or pins meet."""
    ends: dict[Point, int] = {}
    for a, b in wires.of(net):
        ends[a] = ends.get(a, 0) + 1
        ends[b] = ends.get(b, 0) + 1
    for at in pins:
        ends[at] = ends.get(at, 0) + 1
    return [at for at, count in ends.items() if count > 2]
