"""Step after step through time: lengths follow the error, in powers of two so that matrices are reused."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.analyses.stepping import BLEND, ERROR, GAMMA, Closure, Devices, Emission, Pencil, Solution
from tubekit.circuit.network import Network
from tubekit.circuit.reduction import solve_stack
from tubekit.errors import SolveError

Array = np.ndarray
Until = Callable[[Sequence[float], Sequence[Array]], bool]
"""Whether a run may end, asked after each step with the times and unknowns so far."""

SHORTEST = 2.0**-32
"""Shortest step, as a share of the longest."""
FIRST = 2.0**-16
SETTLE_S = 1e-8
"""Charges settle within this time when a circuit is switched [s]: what jumps has jumped."""
REFERENCE_V = 100.0
EASY, SHORTENED = 0.06, 1.0
MOST_STEPS = 400_000


@dataclass(frozen=True, eq=False)
class TimeProblem:
    """What is to be stepped through: sources s(t) (n,), for how long, how exactly."""

    network: Network
    closure: Closure
    source: Callable[[float], Array]
    seconds: float
    tolerance: float
    longest: float
    emission: Emission | None
    devices: Devices
    spread: Callable[[Array], tuple[Array, Array]] | None = None
    until: Until | None = None


@dataclass(eq=False)
class TimeSteps:
    """What came out, step by step; `floored` counts steps accepted at the shortest length."""

    time: list[float] = field(default_factory=list)
    x: list[Array] = field(default_factory=list)
    highest: list[Array] = field(default_factory=list)
    lowest: list[Array] = field(default_factory=list)
    currents: list[Array] = field(default_factory=list)
    solves: int = 0
    floored: int = 0
    worst: float = 0.0


@dataclass(frozen=True, eq=False)
class State:
    """Where a run is: time, unknowns, C dx/dt and port currents."""

    time: float
    x: Array
    rate: Array  # C dx/dt
    currents: Array


def step_through(job: TimeProblem, charge: Array) -> TimeSteps:
    """Go through the whole time from what is stored (C x, (n,)).

    Raises
    ------
    SolveError : a step does not arrive however short it is made (the trace so far is inside).
    """
    trace, pencils = TimeSteps(), _Pencils(job)
    state = switched(job, charge, trace)
    _keep(job, trace, state)
    step = job.longest * FIRST
    while state.time < job.seconds * (1 - 1e-12):
        step = min(step, job.longest)
        left = job.seconds - state.time
        length = left if left < step * (1 + 1e-9) else step
        new, error = _step(job, pencils, state, length, trace)
        if new is None or (error > SHORTENED and length > job.longest * SHORTEST):
            if length <= job.longest * SHORTEST or trace.solves > MOST_STEPS:
                raise SolveError(
                    f"The calculation through time stopped at {state.time:.4g} s",
                    best=trace,
                    iterations=trace.solves,
                )
            step = _half(step, length)
            continue
        trace.floored += error > SHORTENED
        trace.worst = max(trace.worst, error)
        state = new
        _keep(job, trace, state)
        if job.until is not None and job.until(trace.time, trace.x):
            break
        if error < EASY:
            step *= 2.0
    return trace


def _half(step: float, length: float) -> float:
    while step >= length * (1 - 1e-9):
        step *= 0.5
    return step


class _Pencils:
    """The solved matrix of each step length met so far."""

    def __init__(self, job: TimeProblem) -> None:
        self.job = job
        self.known: dict[float, Pencil] = {}

    def __call__(self, length: float) -> Pencil:
        if length not in self.known:
            if len(self.known) > 40:
                self.known.clear()
            self.known[length] = Pencil.of(self.job.network, 2.0 / (GAMMA * length))
        return self.known[length]


def switched(job: TimeProblem, charge: Array, trace: TimeSteps) -> State:
    """The first instant: what is stored stays where it can, and jumps where the wiring makes it."""
    pencil = Pencil.of(job.network, 1.0 / SETTLE_S)
    devices, source = job.devices.at(0.0, job.emission), job.source(0.0)
    storage = job.network.storage[0]
    jumped = _first(job, pencil, pencil.a * charge + source, devices, trace)
    charge = storage @ jumped.x  # now from charges that agree with the wiring
    result = _first(job, pencil, pencil.a * charge + source, devices, trace)
    return State(0.0, result.x, pencil.charge @ result.x - pencil.a * charge, result.currents)


def _first(job: TimeProblem, pencil: Pencil, right: Array, devices: Devices, trace: TimeSteps) -> Solution:
    trace.solves += 1
    solution = job.closure.solve(pencil, right, devices)
    if solution is None:
        raise SolveError("The first instant could not be calculated", iterations=trace.solves)
    return solution


def _step(
    job: TimeProblem, pencils: _Pencils, state: State, length: float, trace: TimeSteps
) -> tuple[State | None, float]:
    pencil = pencils(length)
    gone = advance(job, pencil, state, length, trace)
    return (None, np.inf) if gone is None else (gone[0], _size(job, pencil, gone[1], gone[2]))


def advance(
    job: TimeProblem, pencil: Pencil, state: State, length: float, trace: TimeSteps
) -> tuple[State, Solution, Array] | None:
    """One step: the new state, its solution, and the error of its charges (n,); None where it is lost."""
    middle, end = state.time + GAMMA * length, state.time + length
    old = pencil.charge @ state.x
    first = _solve(job, pencil, old + state.rate, middle, trace)
    if first is None:
        return None
    halfway = pencil.charge @ first.x
    rate = halfway - old - state.rate
    from_both = BLEND * halfway - (1.0 - GAMMA) ** 2 * BLEND * old
    last = _solve(job, pencil, from_both, end, trace)
    if last is None:
        return None
    final = pencil.charge @ last.x - from_both
    charge = ERROR * length * (
        state.rate / GAMMA - rate / (GAMMA * (1.0 - GAMMA)) + final / (1.0 - GAMMA)
    )  # fmt: skip
    return State(end, last.x, final, last.currents), last, charge


def _solve(job: TimeProblem, pencil: Pencil, right: Array, time: float, trace: TimeSteps) -> Solution | None:
    trace.solves += 1
    devices = job.devices.at(time, job.emission)
    return job.closure.solve(pencil, right + job.source(time), devices)


def _size(job: TimeProblem, pencil: Pencil, last: Solution, charge: Array) -> float:
    """Largest error of a node voltage in terms of the tolerance; the tubes and diodes hold it back."""
    count = len(last.slopes)
    edge = pencil.edge[:, :count]
    moved = pencil.inverse @ (pencil.a * charge)
    if count:
        seen = np.eye(count) + pencil.seen[:count, :count] @ last.slopes
        held = solve_stack(seen[None], (edge.T @ moved)[None, :, None])[0, :, 0]
        moved = moved - pencil.inverse @ (edge @ (last.slopes @ held))
    held_up = job.network.charged
    allowed = job.tolerance * (REFERENCE_V + np.abs(last.x[held_up]))
    error = float((np.abs(moved[held_up]) / allowed).max(initial=0.0))
    return error if np.isfinite(error) else np.inf


def _keep(job: TimeProblem, trace: TimeSteps, state: State) -> None:
    high, low = (state.x, state.x) if job.spread is None else job.spread(state.x)
    trace.time.append(state.time)
    trace.x.append(state.x)
    trace.highest.append(high)
    trace.lowest.append(low)
    trace.currents.append(state.currents)


KIRCHHOFF_A = 1e-6
"""No solution leaves more current than this over at a node [A]."""
FROM_COLD = "tubes settled from cold"
RELAXED = "rectifiers relaxed"
_BY_MEMBER = ("converged", "iterations", "error", "residual_a")


def seal(lost: Array, *arrays: Array) -> None:
    """Blank the lost members of a batch in result arrays, and close the arrays to writing.

    Examples
    --------
    >>> volts = np.array([[250.0], [180.0]])
    >>> seal(np.array([False, True]), volts)
    >>> volts.tolist(), volts.flags.writeable
    ([[250.0], [nan]], False)
    """
    for array in arrays:
        array[lost] = np.nan
        array.setflags(write=False)


@dataclass(frozen=True, eq=False)
class Convergence:
    """Whether and how a solver arrived; each field has one entry per member of the batch.

    `error` is the size of the last correction in `unit`; `residual_a` the largest current left
    over at any node [A] (Kirchhoff), NaN where it was not formed. `ways_out` counts the times that plain
    Newton stalled and something slower was called for, by what that was.

    Examples
    --------
    >>> print(Convergence(np.array([True, False]), np.array([4, 60]), np.array([1e-12, 3.0]), "V", "Newton",
    ...                   np.zeros(2)))
    NOT converged: 1 of 2 members, Newton, 60 iterations, last correction 3 V
    """

    converged: Array
    iterations: Array
    error: Array
    unit: str
    method: str
    residual_a: Array
    ways_out: Mapping[str, int] = field(default_factory=dict)

    def members(self, keep: Array) -> Convergence:
        """Some members of the batch."""
        arrays = {name: getattr(self, name)[keep] for name in _BY_MEMBER}
        return replace(self, **arrays)

    @staticmethod
    def joined(pieces: Sequence[Convergence], order: Array) -> Convergence:
        """The members of some pieces, in this order."""
        arrays = {name: np.concatenate([getattr(p, name) for p in pieces])[order] for name in _BY_MEMBER}
        return replace(pieces[0], **arrays)

    @property
    def mask(self) -> Array:
        """True where there is no solution."""
        return ~np.asarray(self.converged)

    def __str__(self) -> str:
        done, total = int(np.sum(self.converged)), np.size(self.converged)
        known = np.asarray(self.error)[np.isfinite(self.error)]
        worst = known.max(initial=0.0)
        members = "" if total == 1 else f"{done} of {total} members, "
        state = "converged" if done == total else "NOT converged"
        slow = "".join(f"; {what}: {count} times" for what, count in self.ways_out.items() if count)
        return (
            f"{state}: {members}{self.method}, {np.max(self.iterations)} iterations, "
            f"last correction {worst:.1g} {self.unit}{slow}"
        )
