"""Slips of whoever soldered a cable, and what a meter would then find: to try, and to learn from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import combinations, pairwise

import networkx as nx

from tubekit.amp import Amp
from tubekit.amp.parts.connectors import UNUSED
from tubekit.bench.cable_graph import Pin, cable_graph, connectors, joined_pairs, pins
from tubekit.bench.continuity import CableFault, Continuity
from tubekit.errors import ReadingError

MISTAKES = {
    "as drawn": 0, "swap two pins": 2, "open at a pin": 1, "join two pins": 2, "leave a strap out": 0,
}  # fmt: skip
"""Each slip and how many pins it takes."""


def miswired(amp: Amp, slip: str = "as drawn", *at: Pin) -> tuple[Continuity, ...]:
    """Continuity of every pair of pins on a cable soldered with a slip.

    Parameters
    ----------
    slip : one of `MISTAKES`; two pins are swapped or joined, one is left open, all straps are left out.
    at : the pins, as 'P2.7'.

    Raises
    ------
    ReadingError : no such slip, or pins that cannot be taken for it.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.cable import check_cable
    >>> amp = load_amp("fescue")
    >>> check_cable(amp, miswired(amp, "swap two pins", "P2.7", "P2.4")).faults[0].kind
    'swapped'
    """
    if slip not in MISTAKES:
        raise ReadingError(f"unknown wiring error '{slip}'", where=amp.name, fix=f"Try {', '.join(MISTAKES)}")
    known, needed = pins(amp), MISTAKES[slip]
    if len(set(at)) != needed or not set(at) <= set(known):
        raise ReadingError(
            f"'{slip}' does not work with {', '.join(at) or 'no pin'}", where=amp.name,
            fix=f"Name {needed} different pins of {', '.join(known[:2])} …" if needed else "Name no pin",
        )  # fmt: skip
    graph = cable_graph(amp)
    _SOLDER[slip](graph, *at)
    joined = joined_pairs(graph, known)
    return tuple(Continuity(a, b, frozenset((a, b)) in joined) for a, b in combinations(known, 2))


def joined_nodes(amp: Amp, faults: Iterable[CableFault]) -> Iterator[tuple[str, str]]:
    """Nodes of the chassis that faults join, with both plugs in, and that the drawing keeps apart.

    Examples
    --------
    >>> from tubekit.bench.cable import check_cable
    >>> from tubekit import load_amp
    >>> amp = load_amp("fescue")
    >>> list(joined_nodes(amp, check_cable(amp, miswired(amp, "swap two pins", "P2.7", "P2.4")).faults))
    [('B3', 'standby_in'), ('B1', 'B3_box')]
    """
    for fault in faults:
        if fault.kind == "swapped":
            a, b, c, d = fault.pins
            pairs = [(a, d), (c, b)]
        elif fault.kind in ("joined", "strap extra"):
            pairs = list(pairwise(fault.pins))
        else:
            continue
        for one, two in pairs:
            nodes = _socket(amp, one), _socket(amp, two)
            if UNUSED not in nodes and nodes[0] != nodes[1]:
                yield nodes


def _socket(amp: Amp, pin: Pin) -> str:
    name, _, number = pin.partition(".")
    return connectors(amp)[name].socket[int(number) - 1]


def _soldered(graph: nx.Graph, pin: Pin) -> list[str]:
    return [other for other in graph[pin] if graph.edges[pin, other]["by"] == "solder"]


def _swap(graph: nx.Graph, one: Pin, two: Pin) -> None:
    """What is soldered to one pin goes to the other; straps stay at their pins."""
    first, second = _soldered(graph, one), _soldered(graph, two)
    graph.remove_edges_from([(one, node) for node in first] + [(two, node) for node in second])
    graph.add_edges_from([(two, node) for node in first] + [(one, node) for node in second], by="solder")


def _open(graph: nx.Graph, pin: Pin) -> None:
    graph.remove_edges_from([(pin, node) for node in list(graph[pin])])


def _join(graph: nx.Graph, one: Pin, two: Pin) -> None:
    graph.add_edge(one, two, by="slip")


def _no_straps(graph: nx.Graph) -> None:
    graph.remove_edges_from([(a, b) for a, b, by in list(graph.edges(data="by")) if by == "strap"])


def _as_drawn(graph: nx.Graph) -> None:
    """Nothing is done to it."""


_SOLDER: Mapping[str, Callable[..., None]] = {
    "as drawn": _as_drawn, "swap two pins": _swap, "open at a pin": _open, "join two pins": _join,
    "leave a strap out": _no_straps,
}  # fmt: skip
