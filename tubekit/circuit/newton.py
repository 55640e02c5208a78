"""Newton at the ports: find the port voltages at which tubes and network agree.

    F(v) = v + R i(v) - open = 0

The start is the network with its tubes pulled out, the side from which the convex, monotone tube
laws let Newton descend; steps are halved while they do not shrink F. What still does not arrive
starts cold, with a capacitor across every port, and settles as time goes on in ever longer steps
(pseudo-transient continuation). Members of a batch that have arrived drop out of the loop.
Source: C. T. Kelley and D. E. Keyes, "Convergence analysis of pseudo-transient continuation", SIAM J.
Numer. Anal. 35 (1998) (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, wraps
from typing import ParamSpec, TypeVar

import numpy as np
from threadpoolctl import ThreadpoolController

from tubekit.circuit.network import Group
from tubekit.circuit.reduction import Reduced, solve_stack
from tubekit.result_fields import Array

TOLERANCE = 1e-10
"""Largest port voltage error accepted [V]."""
ROUNDING = 16 * float(np.finfo(float).eps)
"""What rounding leaves of F, relative to its terms: no step is better than that."""
PLAIN = 3
"""Iterations after which rounding is looked at."""
MAX_ITERATIONS = 60
HALVINGS = 12
HELD_S, FREE_S = 1e-2, 1e-14
"""Conductance of the capacitors at the first and the last step in time [S]: beyond that of any tube."""
LONGER, SHORTER = 0.3, 4.0
"""How that conductance changes after a step that holds, and after one that does not."""
MOMENTS = 150


@dataclass(frozen=True, eq=False)
class PortSolution:
    """Port voltages, currents and slopes, with how the solve went, per member of the batch; `settled` where
    plain Newton stalled.
    """

    volts: Array
    currents: Array
    slopes: tuple[Array, ...]
    iterations: Array
    error: Array
    converged: Array
    settled: Array
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
        seen = volts[:, group.ports].reshape(shape)
        if group.pins is None:
            current, slope = group.law.evaluate(seen)
        else:
            back = np.swapaxes(group.pins, 2, 3)
            current, slope = group.law.evaluate(np.matmul(group.pins, seen[..., None])[..., 0])
            current, slope = np.matmul(back, current[..., None])[..., 0], back @ slope @ group.pins
        if group.held is not None:
            current, slope = current - group.held * seen, slope - group.held[..., None] * np.eye(group.width)
        currents[:, group.ports] = current.reshape(volts.shape[0], -1)
        slopes.append(slope)
    return currents, slopes


def held_slopes(groups: tuple[Group, ...]) -> Array:
    """What of the tubes' slopes counts as network at each port, (P,) [S]."""
    each = [np.zeros(g.ports.stop - g.ports.start) if g.held is None else g.held.ravel() for g in groups]
    return np.concatenate([*each, np.zeros(0)])


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
    >>> result = solve_ports(reduce_to_ports(assemble(one)))
    >>> bool(abs(result.volts[0, 0] + 1e3 * 1e-3 * result.volts[0, 0] ** 1.5 - 100.0) < 1e-9)
    True
    """
    groups = reduced.network.groups
    problem = _Problem(groups, reduced.resistance, reduced.open, tolerance)
    begin = reduced.open if start is None else np.where(np.isfinite(start), start, reduced.open)
    volts, iterations, error, arrived = _newton(problem, begin.copy())
    lost = ~arrived & np.isfinite(reduced.open).all(axis=1)
    if lost.any():
        volts[lost], extra, error[lost], arrived[lost] = _settle(problem.subset(lost))
        iterations[lost] += extra
    currents, slopes = evaluate(groups, volts)
    return PortSolution(
        volts, currents, tuple(slopes), iterations, error, arrived, lost & arrived, "Newton at the ports"
    )


@dataclass(frozen=True, eq=False)
class _Problem:
    groups: tuple[Group, ...]
    resistance: Array
    open: Array
    tolerance: float = TOLERANCE

    def subset(self, keep: Array) -> _Problem:
        groups = tuple(group.members(keep) for group in self.groups)
        return _Problem(groups, self.resistance[keep], self.open[keep], self.tolerance)

    def residual(self, volts: Array) -> tuple[Array, list[Array]]:
        currents, slopes = evaluate(self.groups, volts)
        return volts - self.open + np.einsum("bpq,bq->bp", self.resistance, currents), slopes

    def jacobian(self, slopes: list[Array]) -> Array:
        # One product of whole matrices: four times as fast as skipping the zeros between the blocks.
        matrix = np.matmul(self.resistance, block_diagonal(self.groups, slopes))
        diagonal = np.arange(matrix.shape[1])
        matrix[:, diagonal, diagonal] += 1.0
        return np.asarray(matrix)

    def rounded(self, volts: Array, left: Array) -> Array:
        """Where nothing but rounding is left of F, (N,)."""
        currents, _ = evaluate(self.groups, volts)
        terms = np.abs(volts) + np.abs(self.open)
        terms += np.einsum("bpq,bq->bp", np.abs(self.resistance), np.abs(currents))
        return np.asarray((np.abs(left) <= ROUNDING * terms).all(axis=1))


def _newton(problem: _Problem, volts: Array) -> tuple[Array, Array, Array, Array]:
    """Volts, iterations, size of the last step, and whether that is as good as it gets, by member."""
    size = volts.shape[0]
    iterations, error = np.zeros(size, int), np.full(size, np.inf)
    good = np.zeros(size, bool)
    if volts.shape[1] == 0:
        return volts, iterations, np.zeros(size), ~good
    live = np.arange(size)
    active, here = problem, volts
    left, slopes = active.residual(here)
    for k in range(MAX_ITERATIONS):
        matrix = active.jacobian(slopes)
        step = -solve_stack(matrix, left[..., None])[..., 0]
        size_of_step = np.abs(step).max(axis=1)
        arrived = size_of_step <= problem.tolerance
        if k >= PLAIN:
            arrived |= active.rounded(here, left)
        here, left, slopes = _descend(active, here, step, left, matrix)
        volts[live], error[live], good[live] = here, size_of_step, arrived
        iterations[live] += 1
        arrived |= ~np.isfinite(size_of_step)  # nothing more to gain
        if arrived.any():
            keep = ~arrived
            live, here, left = live[keep], here[keep], left[keep]
            slopes = [s[keep] for s in slopes]
            if not len(live):
                break
            active = active.subset(keep)
    return volts, iterations, error, good


def _descend(
    problem: _Problem, volts: Array, step: Array, left: Array, matrix: Array
) -> tuple[Array, Array, list[Array]]:
    """Full step, halved for the members whose error would grow: both F, and the next step by the same slopes.

    The second (natural monotonicity, P. Deuflhard, Newton Methods for Nonlinear Problems, §3.1, from memory)
    knows no scale: where a rail hangs on nothing but tubes F is large for any error of its current.
    """
    scale = np.ones(len(volts))
    before, size = np.linalg.norm(left, axis=1), np.linalg.norm(step, axis=1)
    trial = volts + step
    after, slopes = problem.residual(trial)
    for _ in range(HALVINGS):
        grown = np.flatnonzero(
            ~(np.linalg.norm(after, axis=1) <= np.maximum((1 - 1e-4 * scale) * before, 1e-9))
        )
        if len(grown):
            ahead = np.linalg.norm(solve_stack(matrix[grown], after[grown, :, None])[..., 0], axis=1)
            grown = grown[~(ahead <= (1 - 0.25 * scale[grown]) * size[grown])]
        if not len(grown):
            break
        scale[grown] *= 0.5
        some = problem.subset(grown)
        trial[grown] = volts[grown] + scale[grown, None] * step[grown]
        after[grown], part = some.residual(trial[grown])
        for slope, new in zip(slopes, part, strict=True):
            slope[grown] = new
    return trial, after, slopes


def _settle(problem: _Problem) -> tuple[Array, Array, Array, Array]:
    """From cold, capacitors across the ports, in steps of time that grow while they hold; then Newton."""
    here = np.zeros_like(problem.open)
    held = np.full(len(here), HELD_S)
    left, slopes = problem.residual(here)
    moments = 0
    while (held > FREE_S).any() and moments < MOMENTS:
        moments += 1
        by_held = problem.resistance * held[:, None, None]
        matrix = problem.jacobian(slopes) + by_held
        step = -solve_stack(matrix, left[..., None])
        trial = here + step[..., 0]
        after, after_slopes = problem.residual(trial)
        again = solve_stack(matrix, after[..., None] + by_held @ step)
        with np.errstate(invalid="ignore", over="ignore"):
            holds = np.abs(again).max(axis=(1, 2)) <= 0.5 * np.abs(step).max(axis=(1, 2))
        here, left = np.where(holds[:, None], trial, here), np.where(holds[:, None], after, left)
        for slope, new in zip(slopes, after_slopes, strict=True):
            slope[holds] = new[holds]
        held = np.where(holds, held * LONGER, held * SHORTER)
    volts, iterations, error, good = _newton(problem, here)
    return volts, iterations + moments, error, good


P = ParamSpec("P")
T = TypeVar("T")


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def on_one_core(solve: Callable[P, T]) -> Callable[P, T]:
    """Run a function with the linear algebra library held to one thread, and set it back after."""

    @wraps(solve)
    def held(*args: P.args, **kwargs: P.kwargs) -> T:
        with _controller().limit(limits=1, user_api="blas"):
            return solve(*args, **kwargs)

    return held
