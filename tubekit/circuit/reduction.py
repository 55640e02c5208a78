"""The linear network seen from its nonlinear ports.

The resistive part of a circuit is solved once for unit currents at every port; what is left of
it is a voltage behind a resistance matrix, v = open - R i(v), of the size of the tubes alone.
Source: port (Thevenin) reduction, any circuit theory textbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from tubekit.circuit.network import Network
from tubekit.errors import CircuitError

Array = np.ndarray

FLOATING = 1e8
"""A port with more ohms than this, tubes pulled out, is held by tubes and leakage alone [Ω]: between two
regulator tubes in series, at the cathode of a cascode's upper half. The rounding of so many ohms, times
milliamperes, would be larger than the volts that the rest of the network makes there.
"""
HELD = 1e-6
"""Slope that is then counted with the network instead of with the tube [S]; the sum is the same."""


@dataclass(frozen=True, eq=False)
class Reduced:
    """`open` (N, P) [V] and `resistance` (N, P, P) [Ω] at the tube ports.

    All unknowns follow from the port currents: x = `rest` - `transfer` i.
    """

    network: Network
    open: Array
    resistance: Array
    rest: Array
    transfer: Array

    def unknowns(self, currents: Array) -> Array:
        """Node voltages and branch currents for port currents (N, P)."""
        return np.asarray(self.rest - np.einsum("bnp,bp->bn", self.transfer, currents))


def reduce_to_ports(network: Network) -> Reduced:
    """Reduce a network at DC.

    Raises
    ------
    CircuitError : the resistive network has no unique solution (names the node).

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> divider = Circuit((VoltageSource("B", "b", "ground", 300.0), Resistor("R1", "b", "p", 2e3),
    ...                    Resistor("R2", "p", "ground", 1e3),
    ...                    Device("V1", TubeDiode(perveance=1e-3), ("p",), "ground")))
    >>> reduced = reduce_to_ports(assemble(divider))
    >>> reduced.open.round(6).tolist(), reduced.resistance.round(3).tolist()
    ([[100.0]], [[[666.667]]])
    """
    right = network.dc
    ports = network.incidence.shape[1]
    size = max(network.size, right.shape[0])
    columns = np.empty((size, right.shape[1], ports + 1))
    columns[:, :, 0] = right
    columns[:, :, 1:] = network.incidence
    solved = solve_linear(network, network.conductance, columns)
    rest, transfer = solved[:, :, 0], solved[:, :, 1:]
    return Reduced(
        network,
        open=rest @ network.incidence,
        resistance=np.matmul(network.incidence.T, transfer),
        rest=rest,
        transfer=transfer,
    )


def held(reduced: Reduced) -> Reduced:
    """The same with no node floating when the tubes are pulled out: some of their slope counts as network.

    Port voltages and unknowns stay the same; port currents are those of the groups of its own `network`.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.gas import GasDiode
    >>> pair = Circuit((VoltageSource("B", "b", "ground", 400.0), Resistor("R1", "b", "p", 5e3),
    ...                 Device("V1", GasDiode.running(150.0, 0.0175, 80.0), ("p",), "mid"),
    ...                 Device("V2", GasDiode.running(150.0, 0.0175, 80.0), ("mid",), "ground")))
    >>> reduced = reduce_to_ports(assemble(pair))
    >>> [f"{np.abs(each.resistance).max():.0e}" for each in (reduced, held(reduced))]
    ['1e+09', '1e+06']
    """
    network = reduced.network
    floats = (np.diagonal(reduced.resistance, axis1=1, axis2=2) > FLOATING).any(axis=0)
    if not floats.any():
        return reduced
    moved, edge = np.where(floats, HELD, 0.0), network.incidence
    groups = tuple(
        replace(group, held=moved[group.ports].reshape(-1, group.width)) for group in network.groups
    )
    return reduce_to_ports(
        replace(network, conductance=network.conductance + (edge * moved) @ edge.T, groups=groups)
    )


def solve_linear(network: Network, matrix: Array, right: Array) -> Array:
    """Solve stacked systems: a singular one is NaN in a batch that has others.

    Raises
    ------
    CircuitError : none can be solved; the node or branch left undetermined is named.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Resistor
    >>> network = assemble(Circuit((Resistor("R1", "a", "ground", 50.0),)))
    >>> solve_linear(network, network.conductance, np.array([[[0.1]]])).round(6).tolist()
    [[[5.0]]]
    """
    solved = solve_stack(matrix, right)
    if np.isnan(solved).all() and solved.size:
        raise _singular(network, matrix)
    return solved


def solve_stack(matrix: Array, right: Array) -> Array:
    """Solve stacked systems (N, n, n) for (N, n, K); NaN where one is singular.

    Examples
    --------
    >>> solve_stack(np.array([[[2.0]], [[0.0]]]), np.ones((2, 1, 1))).ravel().tolist()
    [0.5, nan]
    """
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        shape = (*np.broadcast_shapes(matrix.shape[:1], right.shape[:1]), *right.shape[1:])
        solved = np.full(shape, np.nan, np.result_type(matrix, right))
    every = np.broadcast_to(matrix, (len(solved), *matrix.shape[1:]))
    for one, b, x in zip(every, np.broadcast_to(right, solved.shape), solved, strict=True):
        with suppress(np.linalg.LinAlgError):
            x[...] = np.linalg.solve(one, b)
    return solved


def inverse_stack(matrix: Array) -> Array:
    """Inverses of stacked matrices (N, n, n); NaN where one is singular.

    Examples
    --------
    >>> inverse_stack(np.array([[[2.0]]])).tolist()
    [[[0.5]]]
    """
    return solve_stack(matrix, np.broadcast_to(np.eye(matrix.shape[-1]), matrix.shape))


def _singular(network: Network, matrix: Array) -> CircuitError:
    for member in matrix[np.isfinite(matrix).all(axis=(1, 2))]:
        _, sizes, rows = np.linalg.svd(member)
        if sizes[-1] <= 1e-15 * sizes[0]:
            name = network.unknowns[int(np.argmax(np.abs(rows[-1])))]
            return CircuitError(
                "the circuit leaves this undetermined", part=name,
                fix="Look for a source or coil shorted on itself, or two sources in parallel",
            )  # fmt: skip
    return CircuitError("the circuit has no unique solution")


def resistance_between(network: Network, nodes: Sequence[str]) -> Array:
    """DC resistances of nodes with the tubes pulled out [Ω], (N, nodes, nodes).

    Entry (j, k) is the voltage at node j for an ampere into node k: a node's own resistance to ground on the
    diagonal, what two of them share beside it.
    """
    unit = np.zeros((network.conductance.shape[1], len(nodes)))
    for column, node in enumerate(nodes):
        if node in network.index:
            unit[network.index[node], column] = 1.0
    right = np.broadcast_to(unit, (network.size, *unit.shape))
    return np.asarray(unit.T @ solve_linear(network, network.conductance, right))


def resistance_across(network: Network, a: str, b: str) -> Array:
    """DC resistance between two nodes with the tubes pulled out [Ω], (N,), wherever ground is.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Resistor
    >>> floats = Circuit((Resistor("R1", "a", "b", 1e3), Resistor("R2", "b", "ground", 1e12)))
    >>> resistance_across(assemble(floats), "a", "b").round(6).tolist()
    [1000.0]
    """
    unit = np.zeros((network.size, network.conductance.shape[1], 1))
    for node, sign in ((a, 1.0), (b, -1.0)):
        if node in network.index:
            unit[:, network.index[node], 0] += sign
    return np.asarray((unit * solve_linear(network, network.conductance, unit)).sum(axis=(1, 2)))


def resistance_to_ground(network: Network, nodes: Sequence[str]) -> Array:
    """DC resistance from each node to ground with the tubes pulled out [Ω], (N, nodes)."""
    return np.diagonal(resistance_between(network, nodes), axis1=1, axis2=2)
