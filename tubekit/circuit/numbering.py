"""Which nodes are one, which number each bears, and which hang free of ground."""

from __future__ import annotations

from collections.abc import Iterable

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


def number_nodes(circuit: Circuit) -> dict[str, int]:
    """Number the nodes; wired nodes share a number, ground is absent."""
    leader = _merged([GROUND, *circuit.nodes], ((p.a, p.b) for p in circuit.parts if isinstance(p, Wire)))
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
    """First node of each island that nothing ties to ground at DC."""
    nodes = [GROUND, *(str(k) for k in range(count))]

    def name(node: str) -> str:
        k = index.get(node, -1)
        return GROUND if k < 0 else str(k)

    pairs: list[tuple[str, str]] = []
    for part in circuit.parts:
        match part:
            case Resistor() | VoltageSource() | Rectifier():
                a, b = nodes_of(part)
                pairs.append((name(a), name(b)))
            case Windings():
                pairs += [(name(a), name(b)) for a, b in part.ends]
    leader = _merged(nodes, pairs)
    seen = {leader[GROUND]}
    first = set()
    for node in nodes[1:]:
        if leader[node] not in seen:
            seen.add(leader[node])
            first.add(int(node))
    return first


def _merged(nodes: Iterable[str], pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    parent = {node: node for node in nodes}

    def find(node: str) -> str:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for a, b in pairs:
        parent[find(b)] = find(a)
    return {node: find(node) for node in parent}
