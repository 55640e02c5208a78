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
from tubekit.result_fields import Array

FLOATING = 1e8
"""A port with more ohms than this, tubes pulled out, is held by tubes and leakage alone [Ω]: between two
regulator tubes in series, at the cathode of a cascode's upper half. The rounding of so many ohms, times
milliamperes, would be larger than the volts that the rest of the network makes there.
"""
HELD = 1e-6
"""Slope that is then counted with the network instead of with the tube [S]; the sum is the same."""
FEW, MANY = 6, 8
"""Unknowns in which members differ from the first of so many or more to be solved by it."""
TRUST = 1e-10
"""Largest step of refinement of such a solution, a share of its largest unknown."""


@dataclass(frozen=True, eq=False)
class Reduced:
    """`open` (N, P) [V] and `resistance` (N, P, P) [Ω] at the ports: the tubes', then others asked for.

    All unknowns follow from the port currents: x = `rest` - `transfer` i. Where it is seen `within` a wider
    reduction, whose last ports carry straight lines, they are the currents of those.
    """

    network: Network
    open: Array
    resistance: Array
    rest: Array
    transfer: Array
    within: Reduced | None = None

    @property
    def floats(self) -> Array:
        """Tube ports that nothing but tubes and leakage holds in some member, (P,)."""
        tubes = np.diagonal(self.resistance, axis1=1, axis2=2)[:, : self.network.incidence.shape[1]]
        return np.asarray((tubes > FLOATING).any(axis=0))

    def unknowns(self, currents: Array) -> Array:
        """Node voltages and branch currents for port currents (N, P)."""
        result = self.follow(currents)
        if self.within is None:
            return result
        return self.within.unknowns(np.concatenate((currents, result), axis=1))

    def follow(self, currents: Array) -> Array:
        """What `rest` and `transfer` are of: all unknowns, or currents of the lines."""
        return np.asarray(self.rest - np.matmul(self.transfer, currents[..., None])[..., 0])

    def members(self, keep: Array) -> Reduced:
        """Some members of the batch."""
        arrays = (self.open[keep], self.resistance[keep], self.rest[keep], self.transfer[keep])
        return Reduced(self.network.members(keep), *arrays)

    def at(self, members: Array, ports: Array) -> Reduced:
        """Some of the ports (K, p) of a member each, alone: nothing else follows from them."""
        groups = tuple(group.members(members) for group in self.network.groups)
        opened = self.open[members[:, None], ports]
        return Reduced(
            replace(self.network, groups=groups), opened,
            self.resistance[members[:, None, None], ports[:, :, None], ports[:, None, :]],
            opened[:, :0], self.resistance[:0],
        )  # fmt: skip

    def beside(self, still: Array, slopes: Array) -> Reduced:
        """The same without its last ports, which carry straight lines: `still` (N, R) [A] + `slopes`
        (N, R, R) [S] times their volts.
        """
        kept = self.open.shape[1] - still.shape[1]
        own, across = self.resistance[:, kept:, kept:], self.resistance[:, :kept, kept:]
        matrix = np.eye(still.shape[1]) + np.matmul(own, slopes)
        alone = self.open[:, kept:] - np.matmul(own, still[..., None])[..., 0]
        right = np.concatenate((alone[..., None], self.resistance[:, kept:, :kept]), axis=2)
        line = np.matmul(slopes, solve_stack(matrix, right))
        line[..., 0] += still
        moved = np.matmul(across, line)
        return Reduced(
            self.network, self.open[:, :kept] - moved[..., 0],
            self.resistance[:, :kept, :kept] - moved[..., 1:], line[..., 0], line[..., 1:], self,
        )  # fmt: skip


def reduce_with_rectifiers(network: Network, edge: Array | None = None) -> Reduced:
    """Reduce a network at DC to its tube ports, those of `edge` (n, M), and its rectifiers' as the last.

    `HELD` across each rectifier counts as network.
    """
    rectifiers = network.rectifier_incidence
    fed = replace(network, conductance=network.conductance + HELD * rectifiers @ rectifiers.T)
    more = rectifiers if edge is None else np.concatenate((edge, rectifiers), axis=1)
    return held(reduce_to_ports(fed, more), more)


def reduce_to_ports(network: Network, more: Array | None = None) -> Reduced:
    """Reduce a network at DC to its tube ports, and those that the columns of `more` (n, M) pick.

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
    edge = network.incidence if more is None else np.concatenate((network.incidence, more), axis=1)
    solved = _by_first(network, edge)
    rest, transfer = solved[:, :, 0], solved[:, :, 1:]
    return Reduced(
        network, open=rest @ edge, resistance=np.matmul(edge.T, transfer), rest=rest, transfer=transfer
    )


def _by_first(network: Network, edge: Array) -> Array:
    """G^-1 (sources, edge) of every member, (N, n, 1 + p): the first's, and what few other entries change.

    Source: M. A. Woodbury, Inverting Modified Matrices (1950) (from memory). Members that differ in more, or
    that one more step of refinement would move, are solved by themselves.
    """
    matrix, size = network.conductance, len(network.dc)
    columns = np.concatenate((network.dc[..., None], np.broadcast_to(edge, (size, *edge.shape))), axis=2)
    first = inverse_stack(matrix[:1])[0]
    if size < MANY or len(matrix) != size or not np.isfinite(first).all():
        return solve_linear(network, matrix, columns)
    touched = (matrix != matrix[:1]).any(axis=2)
    alike = touched.sum(axis=1) <= FEW
    at = np.argsort(~touched, axis=1, kind="stable")[:, :FEW]
    here, across = at[:, :, None], at[:, None]
    change = matrix[np.arange(size)[:, None, None], here, across] - matrix[0, here, across]
    core = solve_stack(np.eye(at.shape[1]) + np.matmul(change, first[here, across]), change)
    spread = first.T[at].swapaxes(1, 2)

    def changed(alone: Array) -> Array:
        return np.asarray(alone - np.matmul(spread, np.matmul(core, np.take_along_axis(alone, here, axis=1))))

    solved = columns.copy()
    solved[..., 0], solved[..., 1:] = network.dc @ first.T, first @ edge
    solved = changed(solved)
    shares = np.linspace(1.0, 2.0, columns.shape[2])[:, None]  # unlike: nothing cancels
    mixed = np.matmul(solved, shares)
    moved = changed(np.matmul(first, np.matmul(columns, shares) - np.matmul(matrix, mixed)))
    lost = ~(alike & (np.abs(moved).max(axis=(1, 2)) <= TRUST * np.abs(mixed).max(axis=(1, 2))))
    if lost.any():
        solved[lost] = solve_stack(matrix[lost], columns[lost])
    return solved


def held(reduced: Reduced, more: Array | None = None) -> Reduced:
    """The same with no node floating when the tubes are pulled out: some of their slope counts as network.

    Port voltages and unknowns stay the same; port currents are those of the groups of its own `network`.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.rectifier import GasDiode
    >>> pair = Circuit((VoltageSource("B", "b", "ground", 400.0), Resistor("R1", "b", "p", 5e3),
    ...                 Device("V1", GasDiode.running(150.0, 0.0175, 80.0), ("p",), "mid"),
    ...                 Device("V2", GasDiode.running(150.0, 0.0175, 80.0), ("mid",), "ground")))
    >>> reduced = reduce_to_ports(assemble(pair))
    >>> [f"{np.abs(each.resistance).max():.0e}" for each in (reduced, held(reduced))]
    ['1e+09', '1e+06']
    """
    network, floats = reduced.network, reduced.floats
    if not floats.any():
        return reduced
    moved, edge = np.where(floats, HELD, 0.0), network.incidence
    groups = tuple(
        replace(group, held=moved[group.ports].reshape(-1, group.width)) for group in network.groups
    )
    return reduce_to_ports(
        replace(network, conductance=network.conductance + (edge * moved) @ edge.T, groups=groups), more
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
