"""Newton at the ports: find the port voltages at which tubes and network agree.

    F(v) = v + R i(v) - open = 0

The start is the network with its tubes pulled out, the side from which the convex, monotone tube
laws let Newton descend; steps are halved while they do not shrink F. What still does not arrive
is led there by raising the sources from zero (source stepping). Members of a batch that have
arrived drop out of the loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import Group
from tubekit.circuit.reduction import Reduced

Array = np.ndarray

TOLERANCE = 1e-10
"""Largest port voltage error accepted [V]."""
MAX_ITERATIONS = 60
HALVINGS = 12


@dataclass(frozen=True, eq=False)
class PortSolution:
    """Port voltages, currents and slopes, with how the solve went, per member of the batch."""

    volts: Array
    currents: Array
    slopes: tuple[Array, ...]
    iterations: Array
    error: Array
    converged: Array
    method: str


def evaluate(groups: tuple[Group, ...], volts: Array) -> tuple[Array, list[Array]]:
    """Port currents (N, P) [A] and one block of slopes (N, S, T, T) [S] per group, at `volts` (N, P).

    Examples
    --------
    >>> from tubekit.devices.triode import Triode
    >>> pair = Group(Triode(perveance=np.full(2, 1e-3), mu=100.0), ("V1a", "V1b"), slice(0, 4))
    >>> currents, slopes = evaluate((pair,), np.array([[250.0, -1.5, 200.0, -1.0]]))
    >>> currents.round(4).tolist(), slopes[0].shape
    ([[0.001, 0.0, 0.001, 0.0]], (1, 2, 2, 2))
    """
    currents = np.empty_like(volts)
    slopes = []
    for group in groups:
        shape = (volts.shape[0], -1, group.width)
        current, slope = group.law.evaluate(volts[:, group.ports].reshape(shape))
        currents[:, group.ports] = current.reshape(volts.shape[0], -1)
        slopes.append(slope)
    return currents, slopes


def block_diagonal(groups: tuple[Group, ...], slopes: Sequence[Array]) -> Array:
    """The slopes of all groups as one matrix (N, P, P) [S].

    Examples
    --------
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> two = Group(TubeDiode(perveance=np.array([1e-3, 2e-3])), ("V1", "V2"), slice(0, 2))
    >>> block_diagonal((two,), evaluate((two,), np.array([[4.0, 1.0]]))[1]).round(6).tolist()
    [[[0.003, 0.0], [0.0, 0.003]]]
    """
    size = max((len(slope) for slope in slopes), default=1)
    ports = groups[-1].ports.stop if groups else 0
    matrix = np.zeros((size, ports, ports))
    for group, slope in zip(groups, slopes, strict=True):
        for j in range(len(group.names)):
            at = slice(group.ports.start + j * group.width, group.ports.start + (j + 1) * group.width)
            matrix[:, at, at] = slope[:, j]
    return matrix


def solve_ports(reduced: Reduced, start: Array | None = None, tolerance: float = TOLERANCE) -> PortSolution:
    """Solve every member of a reduced batch.

    `start` (N, P) [V] is a warm start; without one the tubes start pulled out. `tolerance` is the largest
    error of a port voltage that is accepted [V].

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.circuit.reduction import reduce_to_ports
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> one = Circuit((VoltageSource("B", "b", "ground", 100.0), Resistor("R1", "b", "p", 1e3),
    ...                Device("V1", TubeDiode(perveance=1e-3), ("p",), "ground")))
    >>> found = solve_ports(reduce_to_ports(assemble(one)))
    >>> bool(abs(found.volts[0, 0] + 1e3 * 1e-3 * found.volts[0, 0] ** 1.5 - 100.0) < 1e-9)
    True
    """
    groups = reduced.network.groups
    problem = _Problem(groups, reduced.resistance, reduced.open, tolerance)
    begin = reduced.open if start is None else np.where(np.isfinite(start), start, reduced.open)
    volts, iterations, error = _newton(problem, begin.copy())
    method = "Newton at the ports"
    lost = ~(error <= tolerance)
    if lost.any():
        method = "Newton at the ports, sources raised in steps"
        some = problem.subset(lost)
        volts[lost], extra, error[lost] = _raise_sources(some)
        iterations[lost] += extra
    currents, slopes = evaluate(groups, volts)
    return PortSolution(volts, currents, tuple(slopes), iterations, error, error <= tolerance, method)


@dataclass(frozen=True, eq=False)
class _Problem:
    groups: tuple[Group, ...]
    resistance: Array
    open: Array
    tolerance: float = TOLERANCE

    def subset(self, keep: Array) -> _Problem:
        groups = tuple(Group(g.law.subset(keep), g.names, g.ports) for g in self.groups)
        return _Problem(groups, self.resistance[keep], self.open[keep], self.tolerance)

    def residual(self, volts: Array) -> tuple[Array, list[Array]]:
        currents, slopes = evaluate(self.groups, volts)
        return volts - self.open + np.einsum("bpq,bq->bp", self.resistance, currents), slopes


def _newton(problem: _Problem, volts: Array) -> tuple[Array, Array, Array]:
    size = volts.shape[0]
    iterations, error = np.zeros(size, int), np.full(size, np.inf)
    if volts.shape[1] == 0:
        return volts, iterations, np.zeros(size)
    live = np.arange(size)
    active, here = problem, volts
    left, slopes = active.residual(here)
    for _ in range(MAX_ITERATIONS):
        step = _step(active, left, slopes)
        size_of_step = np.abs(step).max(axis=1)
        arrived = ~(size_of_step > problem.tolerance)  # or not a number: nothing more to gain
        here, left, slopes = _descend(active, here, step, left)
        volts[live], error[live] = here, size_of_step
        iterations[live] += 1
        if arrived.any():
            keep = ~arrived
            live, here, left = live[keep], here[keep], left[keep]
            slopes = [s[keep] for s in slopes]
            if not len(live):
                break
            active = active.subset(keep)
    return volts, iterations, error


def _step(problem: _Problem, left: Array, slopes: list[Array]) -> Array:
    # One product of whole matrices: four times as fast as skipping the zeros between the blocks.
    jacobian = np.matmul(problem.resistance, block_diagonal(problem.groups, slopes))
    diagonal = np.arange(jacobian.shape[1])
    jacobian[:, diagonal, diagonal] += 1.0
    return -np.linalg.solve(jacobian, left[..., None])[..., 0]


def _descend(problem: _Problem, volts: Array, step: Array, left: Array) -> tuple[Array, Array, list[Array]]:
    """Full step, halved for the members whose error would grow."""
    scale = np.ones(len(volts))
    before = np.linalg.norm(left, axis=1)
    trial = volts + step
    after, slopes = problem.residual(trial)
    for _ in range(HALVINGS):
        grown = ~(np.linalg.norm(after, axis=1) <= np.maximum((1 - 1e-4 * scale) * before, 1e-9))
        if not grown.any():
            break
        scale[grown] *= 0.5
        some = problem.subset(grown)
        trial[grown] = volts[grown] + scale[grown, None] * step[grown]
        after[grown], part = some.residual(trial[grown])
        for slope, new in zip(slopes, part, strict=True):
            slope[grown] = new
    return trial, after, slopes


def _raise_sources(problem: _Problem, stages: int = 12) -> tuple[Array, Array, Array]:
    """Bring the sources up from zero in stages, each started from the one before."""
    volts = np.zeros_like(problem.open)
    total = np.zeros(len(volts), int)
    error = np.full(len(volts), np.inf)
    for k in range(1, stages + 1):
        stage = _Problem(
            problem.groups, problem.resistance, problem.open * (k / stages) ** 2, problem.tolerance
        )
        volts, spent, error = _newton(stage, volts)
        total += spent
    return volts, total, error
