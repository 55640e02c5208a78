"""What each part has to do with a reading: sensitivity of a transfer to every R, C and L at once.

With A x = b and the adjoint solution Aᵀλ = w of the output w, a change of the matrix moves the output
by dH = -λᵀ dA x, so that two solves give the sensitivity to every part.
Source: S. W. Director & R. A. Rohrer, "The generalized adjoint network and network sensitivities",
IEEE Trans. Circuit Theory CT-16 (1969) (from memory).
"""

from __future__ import annotations

import numpy as np

from tubekit.circuit.network import Network
from tubekit.circuit.parts import GROUND, Capacitor, Part, Resistor, Windings
from tubekit.result_fields import Array


def across(network: Network, x: Array, a: str, b: str) -> Array:
    """x[a] - x[b] for solutions (..., n)."""
    return np.asarray(network.pick(x, a) - network.pick(x, b))


def part_sensitivity(
    network: Network, x: Array, adjoint: Array, s: Array
) -> tuple[list[str], list[str], Array]:
    """Change of the output for a relative change of each part.

    Parameters
    ----------
    x, adjoint : solutions (N, n).
    s : complex frequency of each member (N,) [rad/s].

    Returns
    -------
    Names and kinds ('R', 'C' or 'L') of the parts, and d H / d ln(value), (N, P) complex.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit
    >>> network = assemble(Circuit((Resistor("R1", "a", "ground", 50.0),)))
    >>> one = np.array([[50.0]])  # V at a for 1 A into it, and the same for the adjoint
    >>> names, kinds, changes = part_sensitivity(network, one, one, np.array([0.0]))
    >>> names, kinds, changes.real.tolist()
    (['R1'], ['R'], [[50.0]])
    """
    two_ended = [part for part in network.circuit.parts if isinstance(part, Resistor | Capacitor)]
    starts, stops = ([number(network, getattr(part, end)) for part in two_ended] for end in ("a", "b"))
    volts, weights = (_grounded(each)[:, starts] - _grounded(each)[:, stops] for each in (x, adjoint))
    names = [part.name for part in two_ended]
    kinds = ["R" if isinstance(part, Resistor) else "C" for part in two_ended]
    changes = np.zeros((len(s), len(names)), complex)
    for k, part in enumerate(two_ended):
        own = -s * np.asarray(part.farads) if isinstance(part, Capacitor) else 1.0 / np.asarray(part.ohms)
        changes[:, k] = own
    changes *= volts * weights
    for coils in network.circuit.of(Windings):
        rows = coil_rows(network, coils)
        currents, pulls = x[:, rows], adjoint[:, rows]
        henries = np.broadcast_to(coils.henries, (len(x), len(rows), len(rows)))
        copper = sum(pulls[:, j] * currents[:, j] * ohms for j, ohms in enumerate(coils.ohms))
        own = np.stack([s * np.einsum("nj,njk,nk->n", pulls, henries, currents), copper], axis=1)
        names, kinds = [*names, coils.name, f"{coils.name}.copper"], [*kinds, "L", "R"]
        changes = np.concatenate((changes, own), axis=1)
    return names, kinds, changes


def _grounded(x: Array) -> Array:
    """Solutions (N, n) with ground as a last unknown of zero."""
    return np.concatenate((x, np.zeros((len(x), 1), x.dtype)), axis=1)


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
