"""The reference path: Newton on every node at once, tubes stamped into the whole network.

Slower than the port path and independent of its reduction; tests hold one against the other.
"""

from __future__ import annotations

import numpy as np

from tubekit.circuit.network import Network
from tubekit.circuit.newton import MAX_ITERATIONS, TOLERANCE, PortSolution, block_diagonal, evaluate
from tubekit.circuit.reduction import solve_linear
from tubekit.result_fields import Array


def linearised(network: Network, slopes: list[Array]) -> Array:
    """G with the tubes' slopes stamped in, (N, n, n).

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> network = assemble(Circuit((Resistor("R1", "p", "ground", 1e3),
    ...                             Device("V1", TubeDiode(perveance=1e-3), ("p",), "ground"))))
    >>> linearised(network, [np.array([[[[0.003]]]])]).round(6).tolist()
    [[[0.004]]]
    """
    edge = network.incidence
    matrix: Array = network.conductance + edge @ block_diagonal(network.groups, slopes) @ edge.T
    return matrix


def solve_full(
    network: Network, start: Array | None = None, tolerance: float = TOLERANCE
) -> tuple[Array, PortSolution]:
    """All unknowns (N, n) and the port solution, by Newton on the whole network until no node moves by
    more than `tolerance` [V].

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> one = Circuit((VoltageSource("B", "b", "ground", 100.0), Resistor("R1", "b", "p", 1e3),
    ...                Device("V1", TubeDiode(perveance=1e-3), ("p",), "ground")))
    >>> unknowns, result = solve_full(assemble(one))
    >>> unknowns.round(2).tolist(), result.method
    ([[100.0, 18.76, -0.08]], 'Newton on all nodes')
    """
    right = network.dc
    if start is None:
        x = solve_linear(network, network.conductance, right[..., None])[..., 0]
    else:
        x = np.broadcast_to(start, right.shape).copy()
    edge = network.incidence
    step = np.full(x.shape, np.inf)
    iterations = np.zeros(len(x), int)
    nodes = len(set(network.index.values()) - {-1})
    for _ in range(MAX_ITERATIONS):
        currents, slopes = evaluate(network.groups, x @ edge)
        matrix = linearised(network, slopes)
        step = solve_linear(network, matrix, _residual(network, x, right, currents)[..., None])[..., 0]
        x = x - _damping(network, matrix, x, step, right)[:, None] * step
        moved = np.abs(step[:, :nodes]).max(axis=1) > tolerance
        iterations += moved
        if not moved.any():
            break
    currents, slopes = evaluate(network.groups, x @ edge)
    error = np.abs(step[:, :nodes]).max(axis=1)
    return x, PortSolution(
        x @ edge,
        currents,
        tuple(slopes),
        iterations,
        error,
        error <= tolerance,
        np.zeros(len(x), bool),
        "Newton on all nodes",
    )


def _residual(network: Network, x: Array, right: Array, currents: Array) -> Array:
    left: Array = np.einsum("bij,bj->bi", network.conductance, x) - right + currents @ network.incidence.T
    return left


def _damping(network: Network, matrix: Array, x: Array, step: Array, right: Array) -> Array:
    """Halve each member's step until the next one, by the same slopes, is shorter.

    Natural monotonicity test: P. Deuflhard, Newton Methods for Nonlinear Problems, §3.1 (from memory).
    """
    scale = np.ones(len(x))
    nodes = network.node_count
    before = np.abs(step[:, :nodes]).max(axis=1)
    for _ in range(30):
        trial = x - scale[:, None] * step
        currents, _ = evaluate(network.groups, trial @ network.incidence)
        left = _residual(network, trial, right, currents)
        ahead = np.abs(solve_linear(network, matrix, left[..., None])[:, :nodes, 0]).max(axis=1)
        grown = ahead > np.maximum((1.0 - 0.25 * scale) * before, TOLERANCE)
        if not grown.any():
            break
        scale[grown] *= 0.5
    return scale
