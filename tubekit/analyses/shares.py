"""What each part has to do with a reading: sensitivity of a transfer to every R, C and L at once.

With A x = b and the adjoint solution Aᵀλ = w of the output w, a change of the matrix moves the output
by dH = -λᵀ dA x, so that two solves give the sensitivity to every part.
Source: S. W. Director & R. A. Rohrer, "The generalized adjoint network and network sensitivities",
IEEE Trans. Circuit Theory CT-16 (1969) (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import Network
from tubekit.circuit.parts import GROUND, Capacitor, Part, Resistor, Windings

Array = np.ndarray


@dataclass(frozen=True, eq=False)
class Share:
    """d H / d ln(value) of one part, (N,) complex; `kind` is 'R', 'C' or 'L'."""

    name: str
    kind: str
    change: Array


def across(network: Network, x: Array, a: str, b: str) -> Array:
    """x[a] - x[b] for solutions (..., n)."""
    return np.asarray(network.pick(x, a) - network.pick(x, b))


def shares(network: Network, x: Array, adjoint: Array, s: Array) -> Iterator[Share]:
    """Change of the output for a relative change of each part; x, adjoint (N, n), s (N,) [rad/s].

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit
    >>> network = assemble(Circuit((Resistor("R1", "a", "ground", 50.0),)))
    >>> one = np.array([[50.0]])  # V at a for 1 A into it, and the same for the adjoint
    >>> [(each.name, each.change.tolist()) for each in shares(network, one, one, np.array([0.0]))]
    [('R1', [50.0])]
    """
    for part in network.circuit.parts:
        if isinstance(part, Resistor):
            yield Share(part.name, "R", _pair(network, x, adjoint, part) / np.asarray(part.ohms))
        elif isinstance(part, Capacitor):
            change = -s * np.asarray(part.farads) * _pair(network, x, adjoint, part)
            yield Share(part.name, "C", change)
        elif isinstance(part, Windings):
            yield from _of_coils(network, x, adjoint, s, part)


def _pair(network: Network, x: Array, adjoint: Array, part: Resistor | Capacitor) -> Array:
    return np.asarray(across(network, x, part.a, part.b) * across(network, adjoint, part.a, part.b))


def _of_coils(network: Network, x: Array, adjoint: Array, s: Array, part: Windings) -> Iterator[Share]:
    rows = coil_rows(network, part)
    currents, weights = x[:, rows], adjoint[:, rows]
    henries = np.broadcast_to(part.henries, (len(x), len(rows), len(rows)))
    yield Share(part.name, "L", s * np.einsum("nj,njk,nk->n", weights, henries, currents))
    copper = sum(weights[:, j] * currents[:, j] * ohms for j, ohms in enumerate(part.ohms))
    yield Share(f"{part.name}.copper", "R", np.asarray(copper))


def coil_rows(network: Network, part: Windings) -> list[int]:
    """Places of a part's coil currents among the unknowns."""
    return [network.unknowns.index(f"I({part.name}.{j})") for j in range(len(part.ends))]


def number(network: Network, node: str) -> int:
    """Place of a node's voltage among the unknowns; -1 for ground and what is wired to it."""
    return -1 if node == GROUND else network.index[node]


def current_into(network: Network, part: Part, here: int, x: Array, s: Array | complex) -> Array:
    """Current that leaves node number `here` through a resistor, capacitor or winding [A], x (..., n)."""

    def leaves(a: str, b: str) -> float:
        return float(number(network, a) == here) - float(number(network, b) == here)

    if isinstance(part, Resistor | Capacitor):
        admittance = (
            1.0 / np.asarray(part.ohms) if isinstance(part, Resistor) else s * np.asarray(part.farads)
        )
        return np.asarray(leaves(part.a, part.b) * admittance * across(network, x, part.a, part.b))
    assert isinstance(part, Windings)
    total = np.zeros(x.shape[:-1], complex)
    for (a, b), row in zip(part.ends, coil_rows(network, part), strict=True):
        total += leaves(a, b) * x[..., row]
    return total


def picker(network: Network, plus: str, minus: str = GROUND) -> Array:
    """The row (n,) that reads V(plus) - V(minus) out of the unknowns; as a column it drives 1 A."""
    row = np.zeros(len(network.unknowns))
    for node, sign in ((plus, 1.0), (minus, -1.0)):
        place = number(network, node)
        if place >= 0:
            row[place] += sign
    return row
