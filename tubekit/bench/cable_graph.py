"""The cable as a graph: plug pins, wires and straps, with the plugs out of their sockets."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations, pairwise

import networkx as nx

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.connectors import UNUSED
from tubekit.errors import ReadingError, near_matches

Pin = str
Pair = frozenset[str]


def connectors(amp: Amp) -> dict[str, drawn.Connector]:
    """The multi-pin connectors of an amp, by designator."""
    return {name: part for name, part in amp.parts.items() if isinstance(part, drawn.Connector)}


def pins(amp: Amp) -> tuple[Pin, ...]:
    """Every plug pin as 'P2.1', those that nothing touches left out.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> pins(load_amp("fescue"))[:2]
    ('P2.1', 'P2.2')
    """
    return tuple(
        f"{name}.{k}"
        for name, part in connectors(amp).items()
        for k, node in enumerate(part.plug, 1)
        if node != UNUSED or any(k in strap for strap in part.straps)
    )


def cable_graph(amp: Amp) -> nx.Graph:
    """Pins and the nodes behind them, joined by solder, wires and straps; edges carry what joins them."""
    graph = nx.Graph()
    graph.add_nodes_from(pins(amp))
    for name, part in connectors(amp).items():
        for k, node in enumerate(part.plug, 1):
            if node != UNUSED:
                graph.add_edge(f"{name}.{k}", _behind(node), by="solder")
        for one, two in part.straps:
            graph.add_edge(f"{name}.{one}", f"{name}.{two}", by="strap")
    for name, wire in amp.parts.items():
        if isinstance(wire, drawn.Wire) and wire.condition == "fitted":
            graph.add_edge(_behind(wire.a), _behind(wire.b), by=name)
    return graph


def _behind(node: str) -> str:
    """A node's vertex; a node could bear a pin's name."""
    return f"node {node}"


def joined_pairs(graph: nx.Graph, among: Iterable[Pin]) -> set[Pair]:
    """Every pair of pins that are one piece of metal."""
    wanted = set(among)
    pairs: set[Pair] = set()
    for piece in nx.connected_components(graph):
        pairs |= {frozenset(pair) for pair in combinations(sorted(piece & wanted), 2)}
    return pairs


def way(graph: nx.Graph, one: Pin, two: Pin) -> str:
    """Name of what joins two pins: 'W4' or 'strap'."""
    steps = nx.shortest_path(graph, one, two)
    by = [graph.edges[a, b]["by"] for a, b in pairwise(steps)]
    return ", ".join(word for word in by if word != "solder") or "solder"


def known_pin(amp: Amp, text: str, where: str, line: int) -> Pin:
    """A pin as written ('P2.4', 'p2-4', 'P2 4').

    Raises
    ------
    ReadingError : no such connector or pin (near matches listed).
    """
    words = text.replace("-", ".").replace(" ", ".").upper().strip(".")
    name, _, number = words.partition(".")
    there = connectors(amp)
    if name in there and number.isdigit() and 1 <= int(number) <= len(there[name].plug):
        return f"{name}.{int(number)}"
    raise ReadingError(
        f"there is no pin '{text[:40]}'", where=where, part=f"line {line}" if line else "",
        fix=f"Write connector and pin like P2.4; the connectors are {', '.join(there) or 'none'}",
        near=near_matches(words, pins(amp)),
    )  # fmt: skip
