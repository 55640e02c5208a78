"""What each part adds to the matrices of a network."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from typing import TypeVar

import numpy as np

from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    CurrentSource,
    Rectifier,
    Resistor,
    Value,
    VoltageSource,
    Windings,
    Wire,
    nodes_of,
)
from tubekit.errors import CircuitError
from tubekit.result_fields import Array

INSULATION = 1e-9
"""Leak from a node that no part ties to ground at DC [S]: 1 GΩ of insulation; common practice, no source."""
REVERSE_LEAK = 1e-9
"""Leak across a rectifier [S], so that a bridge has a DC path; common practice, no source."""


def conductance_matrix(
    circuit: Circuit,
    index: dict[str, int],
    place: dict[str, int],
    shape: tuple[int, int, int],
    floating: set[int],
) -> Array:
    """G (N, n, n): resistors, copper, sources, leaks [S]."""
    matrix = np.zeros(shape)
    for part in circuit.parts:
        match part:
            case Resistor():
                _stamp(matrix, index.get(part.a, -1), index.get(part.b, -1), 1.0 / np.asarray(part.ohms))
            case Rectifier():
                _stamp(matrix, index.get(part.plate, -1), index.get(part.cathode, -1), REVERSE_LEAK)
            case VoltageSource():
                _branch(matrix, index, place[f"I({part.name})"], part.a, part.b, part.name)
            case Windings():
                for j, (a, b) in enumerate(part.ends):
                    row = place[f"I({part.name}.{j})"]
                    _branch(matrix, index, row, a, b, "")
                    matrix[:, row, row] -= part.ohms[j]
    for k in floating:
        matrix[:, k, k] += INSULATION
    return matrix


def reactive_parts(
    circuit: Circuit, index: dict[str, int], place: dict[str, int], total: int, size: int
) -> tuple[Array, Array]:
    """U (n, m) and D (N or 1, m, m): one column per capacitor or coil [F, H]."""
    columns: list[Array] = []
    blocks: list[tuple[int, Array]] = []
    for part in circuit.parts:
        if isinstance(part, Capacitor):
            blocks.append((len(columns), np.asarray(part.farads)[..., None, None]))
            columns.append(pair(total, index, part.a, part.b))
        elif isinstance(part, Windings):
            blocks.append((len(columns), -np.asarray(part.henries)))
            for j in range(len(part.ends)):
                unit = np.zeros(total)
                unit[place[f"I({part.name}.{j})"]] = 1.0
                columns.append(unit)
    lead = size if any(block.ndim == 3 for _, block in blocks) else 1
    values = np.zeros((lead, len(columns), len(columns)))
    for start, block in blocks:
        stop = start + block.shape[-1]
        values[:, start:stop, start:stop] = block
    return as_columns(columns, total), values


def source_vectors(
    circuit: Circuit, index: dict[str, int], place: dict[str, int], shape: tuple[int, int]
) -> tuple[Array, Array]:
    """Right-hand sides (N, n): direct values, and peak phasors of the sine."""
    dc, ac = np.zeros(shape), np.zeros(shape)
    for part in circuit.parts:
        if isinstance(part, VoltageSource):
            row = place[f"I({part.name})"]
            dc[:, row], ac[:, row] = part.dc, part.ac
        elif isinstance(part, CurrentSource):
            for node, sign in ((part.a, -1.0), (part.b, 1.0)):
                k = index.get(node, -1)
                if k >= 0:
                    dc[:, k] += sign * np.asarray(part.dc)
    return dc, ac


def pair(total: int, index: dict[str, int], a: str, b: str) -> Array:
    """+1 at one node, -1 at the other, nothing for ground."""
    column = np.zeros(total)
    for node, sign in ((a, 1.0), (b, -1.0)):
        k = index.get(node, -1)
        if k >= 0:
            column[k] += sign
    return column


def as_columns(columns: Sequence[Array], total: int) -> Array:
    """Columns side by side; none make an empty matrix."""
    return np.stack(columns, axis=1) if columns else np.zeros((total, 0))


def _stamp(matrix: Array, a: int, b: int, siemens: Value) -> None:
    if a >= 0:
        matrix[:, a, a] += siemens
    if b >= 0:
        matrix[:, b, b] += siemens
    if a >= 0 and b >= 0:
        matrix[:, a, b] -= siemens
        matrix[:, b, a] -= siemens


def _branch(matrix: Array, index: dict[str, int], row: int, a: str, b: str, source: str) -> None:
    ka, kb = index.get(a, -1), index.get(b, -1)
    if source and ka == kb:
        raise CircuitError(
            f"both ends of the source are connected together ({a}, {b})", part=source,
            fix="Take out the wire, closed switch or short across it",
        )  # fmt: skip
    for k, sign in ((ka, 1.0), (kb, -1.0)):
        if k >= 0:
            matrix[:, k, row] += sign
            matrix[:, row, k] += sign


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
