"""The way of the signal through an amp: which section comes after which, where supply and signal part."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp import parts as drawn
from tubekit.amp.amp import Amp
from tubekit.amp.solve import Solved
from tubekit.amp.strays import sections
from tubekit.analyses.shares import number
from tubekit.circuit.network import Network
from tubekit.circuit.parts import GROUND, Capacitor, Device, Part, Resistor, Windings, nodes_of

BY_CATHODE = 3.0
"""What it costs to enter a section by its cathode: the grid is the rule."""


@dataclass(frozen=True, eq=False)
class Chain:
    """Sections in the order the signal meets them.

    `depth` is the length of the way from the input to a node (by number): a part counts one, a resistor
    the more the larger it is, so that the way does not lead through grid leaks; `before` names the section
    from which each is driven, '' for the input; `entered` is the node by which the signal comes in.
    """

    order: tuple[str, ...]
    before: dict[str, str]
    entered: dict[str, str]
    depth: dict[int, float]
    held: frozenset[int]

    def onward(self, node: int, other: int) -> bool:
        """Whether a part from `node` to `other` leads on, away from the input."""
        return other not in self.held and self.depth.get(other, 0) > self.depth.get(node, 0)

    def arriving(self, node: int, other: int) -> bool:
        """Whether the signal comes to `node` from `other`."""
        return other not in self.held and self.depth.get(other, np.inf) < self.depth.get(node, np.inf)


def chain(amp: Amp, network: Network, start: str, held: frozenset[int]) -> Chain:
    """Follow the signal from node `start`, not through `held` nodes (by number)."""
    devices = {part.name: part for part in network.circuit.of(Device)}
    beside = _neighbours(amp, network)
    doors: dict[int, list[tuple[str, float]]] = {}
    for name, device in devices.items():
        doors.setdefault(number(network, device.terminals[-1]), []).append((name, 0.0))
        doors.setdefault(number(network, device.cathode), []).append((name, BY_CATHODE))
    held = held | _bypassed(amp, network)
    order: list[str] = []
    before: dict[str, str] = {}
    entered: dict[str, str] = {}
    first = number(network, start)
    depth: dict[int, float] = {}
    todo: list[tuple[float, int, str, str]] = [(0.0, first, "", "")]  # cost, node, from, section entered
    while todo:
        so_far, node, by, enters = heapq.heappop(todo)
        if enters and enters not in before:
            order.append(enters)
            before[enters], entered[enters] = by, network.unknowns[node]
            for each in (devices[enters].cathode, devices[enters].terminals[0]):
                heapq.heappush(todo, (so_far + 1.0, number(network, each), enters, ""))
        if node in depth or node in held:
            continue
        depth[node] = so_far
        for other, cost in beside.get(node, ()):
            heapq.heappush(todo, (so_far + cost, other, by, ""))
        for name, cost in doors.get(node, ()):
            heapq.heappush(todo, (so_far + cost, node, by, name))
    return Chain(tuple(order), before, entered, depth, held)


def _bypassed(amp: Amp, network: Network) -> set[int]:
    """Nodes that a large capacitor ties to ground for the signal, cathodes among them."""
    return {number(network, n) for n in amp.topology.bypassed if n in (GROUND, *network.index)}


def is_stray(part: Part, amp: Amp) -> bool:
    """Whether a circuit's part is on no drawing: a capacitance of a tube, of wiring or of a winding."""
    owner, _, label = part.name.partition(".")
    if not label:
        return False
    return owner in {section.name for section in sections(amp)} or label.startswith("winding")


def _neighbours(amp: Amp, network: Network) -> dict[int, list[tuple[int, float]]]:
    """The other ends of the parts at each node, with what the step costs."""
    beside: dict[int, list[tuple[int, float]]] = {}
    for a, b, cost in _steps(amp, network):
        beside.setdefault(number(network, a), []).append((number(network, b), cost))
    return beside


def _steps(amp: Amp, network: Network) -> Iterator[tuple[str, str, float]]:
    outputs = {
        part.designator: part for part in amp.parts.values() if isinstance(part, drawn.OutputTransformer)
    }
    for part in network.circuit.parts:
        if isinstance(part, Windings) and part.name in outputs:
            own = set(outputs[part.name].primary.taps)  # from the primary to the others, never back
            yield from ((a, b, 1.0) for a in own for b in set(nodes_of(part)) - own)
        elif isinstance(part, Windings):
            yield from ((x, y, 1.0) for a, b in part.ends for x, y in ((a, b), (b, a)))
        elif isinstance(part, Resistor) or (isinstance(part, Capacitor) and not is_stray(part, amp)):
            cost = 1.0
            if isinstance(part, Resistor):
                cost += max(0.0, 0.8 * float(np.log10(np.min(part.ohms) / 1000.0)))
            yield from ((part.a, part.b, cost), (part.b, part.a, cost))


def held_numbers(solved: Solved, network: Network) -> frozenset[int]:
    """The same by number, -1 for ground."""
    return frozenset(number(network, node) for node in solved.held_nodes if node in (GROUND, *network.index))


def parts_at(network: Network, node: str) -> Iterator[tuple[Resistor | Capacitor | Windings, int]]:
    """Every linear part at a node, with the number of the node at its other end."""
    here = number(network, node)
    for part in network.circuit.parts:
        if isinstance(part, Resistor | Capacitor):
            ends = [number(network, part.a), number(network, part.b)]
            if here in ends and ends[0] != ends[1]:
                yield part, ends[1 - ends.index(here)]
        elif isinstance(part, Windings):
            for a, b in part.ends:
                pair = [number(network, a), number(network, b)]
                if here in pair and pair[0] != pair[1]:
                    yield part, pair[1 - pair.index(here)]
                    break
