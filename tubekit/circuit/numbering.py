"""Which nodes are one, which number each bears, and which hang free of ground."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TypeVar

from tubekit.circuit.parts import (
    GROUND,
    Circuit,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
    Wire,
    nodes_of,
)

Node = TypeVar("Node", bound=Hashable)


def number_nodes(circuit: Circuit) -> dict[str, int]:
    """Number the nodes; wired nodes share a number, ground is absent."""
    leader = merged([GROUND, *circuit.nodes], ((p.a, p.b) for p in circuit.parts if isinstance(p, Wire)))
    numbers: dict[str, int] = {}
    grounded = leader[GROUND]
    index = {}
    for node in circuit.nodes:
        if leader[node] == grounded:
            index[node] = -1
        else:
            index[node] = numbers.setdefault(leader[node], len(numbers))
    return index


def node_names(index: dict[str, int], count: int) -> list[str]:
    """The name that each number goes by: the first of those it bears."""
    names = [""] * count
    for node, k in index.items():
        if k >= 0:
            names[k] = names[k] or node
    return names


def floating_islands(circuit: Circuit, index: dict[str, int], count: int) -> set[int]:
    """The reference node of each island that nothing ties to ground at DC.

    That is where its source returns to (the neutral, on the line side), else its first node.
    """

    def at(node: str) -> int:
        return index.get(node, -1)

    pairs: list[tuple[int, int]] = []
    for part in circuit.parts:
        match part:
            case Resistor() | VoltageSource() | Rectifier():
                a, b = nodes_of(part)
                pairs.append((at(a), at(b)))
            case Windings():
                pairs += [(at(a), at(b)) for a, b in part.ends]
    leader = merged(range(-1, count), pairs)
    returns = [at(source.b) for source in circuit.of(VoltageSource)]
    reference: dict[int, int] = {}
    for node in (*returns, *range(count)):
        reference.setdefault(leader[node], node)
    return {node for group, node in reference.items() if group != leader[-1]}


def merged(nodes: Iterable[Node], pairs: Iterable[tuple[Node, Node]]) -> dict[Node, Node]:
    """For each node one that stands for all that the pairs tie together.

    Examples
    --------
    >>> result = merged("abcd", [("a", "b"), ("d", "b")])
    >>> result["a"] == result["d"] != result["c"]
    True
    """
    parent = {node: node for node in nodes}

    def find(node: Node) -> Node:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for a, b in pairs:
        parent[find(b)] = find(a)
    return {node: find(node) for node in parent}
