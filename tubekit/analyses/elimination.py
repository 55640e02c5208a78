"""A sparse network at many frequencies and for many variants: one plan, replayed on all of them.

An amp's matrix is nearly empty (each node has a handful of neighbours), so the order of elimination is
chosen once, on the pattern, and then every step is one operation on vectors that run over all variants
and frequencies. Pivots are picked for little fill among those that are not small (Markowitz with a
threshold). What comes out is refined once more at a few frequencies; members that this moves are solved
directly. Source: H. M. Markowitz, Management Science 3 (1957) 255-269; Duff, Erisman &
Reid, Direct Methods for Sparse Matrices (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import Network
from tubekit.circuit.reduction import solve_linear
from tubekit.result_fields import Array, evenly

CHUNK = 3200
"""Variants times frequencies handled at once: what stays near the processor."""
THRESHOLD = 0.1
"""A pivot is at least this share of the largest entry of its column."""
CHECKED = 3
"""Frequencies at which every answer is refined once more."""
TRUST = 3e-9
"""Largest step of refinement accepted, a share of the unknown itself."""
NOTHING = 1e-17
"""The same as a share of the largest unknown: at a node that the signal does not reach."""
ROUNDING = 64 * float(np.finfo(float).eps)
"""A direct solve is no better than this many roundings: a primary that floats has no voltage to ground."""
SAMPLE = 2j * np.pi * 1000.0
KEPT = 64


@dataclass(frozen=True)
class EliminationStep:
    """One pivot: its slot, the slots to its right and below, and the block they change."""

    column: int
    pivot: int
    right: list[int]
    right_columns: list[int]
    below: list[int]
    block: list[list[int]]
    own: int
    own_below: list[int]


@dataclass(frozen=True)
class EliminationPlan:
    """Order of elimination; `rows`, `columns` are the places of the first slots."""

    rows: Array
    columns: Array
    slots: int
    steps: tuple[EliminationStep, ...]


_PLANS: dict[
    bytes, EliminationPlan
] = {}  # by the pattern of the matrix: a hundred sliders' moves share one plan


def respond(
    network: Network, matrix: Array, drive: Array, s: Array, keep: Sequence[int] | None = None
) -> Array:
    """Unknowns when the inputs stand at `drive` (n,): (N, K, J), at complex frequencies s (K,) [rad/s].

    `matrix` (N, n, n) is G with the tubes' slopes in it; `keep` picks J of the n unknowns (all of them).

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> parts = Resistor("R1", "a", "ground", 1e3), Capacitor("C1", "a", "ground", 1e-6)
    >>> network = assemble(Circuit(parts))
    >>> respond(network, network.conductance, np.array([1.0]), np.array([0.0, 1000j])).round(6).tolist()
    [[[(1000+0j)], [(500-500j)]]]
    """
    s = np.asarray(s, complex)
    storage = network.storage
    size = max(len(matrix), len(storage))
    matrix = np.broadcast_to(matrix, (size, *matrix.shape[1:]))
    storage = np.broadcast_to(storage, matrix.shape)
    pattern = (matrix != 0).any(axis=0) | (storage != 0).any(axis=0)
    key = pattern.tobytes()
    wanted = np.arange(len(drive)) if keep is None else np.asarray(keep)
    answer = lost = None
    if key in _PLANS:
        answer, lost = _played(_PLANS[key], matrix, storage, drive, s, wanted)
    if lost is None or lost.any():  # the plan of a like amp does not suit this one: make it a new one
        _remember(key, _planned(pattern, matrix[0] + SAMPLE * storage[0]))
        answer, lost = _played(_PLANS[key], matrix, storage, drive, s, wanted)
    assert answer is not None
    if lost.any():
        right = np.broadcast_to(drive.astype(complex)[:, None], (int(lost.sum()), len(drive), 1))
        for k, each in enumerate(s):
            answer[lost, k] = solve_linear(network, matrix[lost] + each * storage[lost], right)[:, wanted, 0]
    return answer


def _remember(key: bytes, plan: EliminationPlan) -> None:
    if len(_PLANS) > KEPT:
        _PLANS.clear()
    _PLANS[key] = plan


def _planned(pattern: Array, sample: Array) -> EliminationPlan:
    """Choose pivots by eliminating one sample matrix; only the order of it is kept."""
    count = len(pattern)
    filled, values = pattern.copy(), sample.astype(complex)
    rows, columns = np.nonzero(filled)
    slot = np.full((count, count), -1)
    slot[rows, columns] = np.arange(len(rows))
    slots = len(rows)
    live_rows, live_columns = np.ones(count, bool), np.ones(count, bool)
    steps = []
    for _ in range(count):
        r, c = _pivot(filled, np.abs(values), live_rows, live_columns)
        live_rows[r] = live_columns[c] = False
        below = np.nonzero(filled[:, c] & live_rows)[0]
        right = np.nonzero(filled[r] & live_columns)[0]
        for row in below:
            for column in right:
                if slot[row, column] < 0:
                    slot[row, column], slots = slots, slots + 1
        grid = np.ix_(below, right)
        filled[grid] = True
        if values[r, c] != 0:
            values[grid] -= np.outer(values[below, c] / values[r, c], values[r, right])
        steps.append(
            EliminationStep(
                c, int(slot[r, c]), slot[r, right].tolist(), right.tolist(), slot[below, c].tolist(),
                slot[grid].tolist(), r, below.tolist(),
            )
        )  # fmt: skip
    return EliminationPlan(rows, columns, slots, tuple(steps))


def _pivot(filled: Array, values: Array, rows: Array, columns: Array) -> tuple[int, int]:
    """Row and column of the next pivot."""
    open_places = filled & rows[:, None] & columns
    size = np.where(open_places, values, 0.0)
    able = open_places & (size >= THRESHOLD * size.max(axis=0)) & (size > 0)
    cost = np.multiply.outer(open_places.sum(axis=1) - 1, open_places.sum(axis=0) - 1).astype(float)
    best = np.where(able, cost, np.inf) if able.any() else np.where(open_places, cost, np.inf)
    row, column = divmod(int(best.argmin()), len(rows))
    return row, column


def _played(
    plan: EliminationPlan, matrix: Array, storage: Array, drive: Array, s: Array, keep: Array
) -> tuple[Array, Array]:
    """The kept unknowns (N, K, J), and which members miss their equations."""
    fixed, moving = matrix[:, plan.rows, plan.columns], storage[:, plan.rows, plan.columns]
    answer, lost = np.empty((len(fixed), len(s), len(keep)), complex), np.empty(len(fixed), bool)
    each = max(1, CHUNK // len(s))
    proof = evenly(len(s), CHECKED)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # what comes of it is looked at
        for k in range(0, len(fixed), each):
            some = slice(k, k + each)
            factors = Factors.of(plan, fixed[some], moving[some], s)
            found = factors.answer(drive[:, None])
            answer[some], at = np.moveaxis(found[keep, 0], 0, 2), found[..., proof]
            left, _ = _missing(plan, fixed[some], moving[some], drive[:, None], s[proof], at)
            moved = factors.at(proof).answer(left)
            allowed = TRUST * np.abs(at[keep]) + NOTHING * np.abs(at).max(axis=0)
            lost[some] = ~(np.abs(moved[keep]) <= allowed).all(axis=(0, 1, 3))
    return answer, lost


@dataclass(frozen=True, eq=False)
class Factors:
    """Some variants eliminated at frequencies s (K,): `values` (slots, N, K) by the slots of the plan."""

    plan: EliminationPlan
    values: Array

    @classmethod
    def of(cls, plan: EliminationPlan, fixed: Array, moving: Array, s: Array) -> Factors:
        """Eliminate `fixed` + s `moving`, (N, places) each."""
        values = np.zeros((plan.slots, len(fixed), len(s)), complex)
        start = values[: len(plan.rows)]
        start[:] = fixed.T[:, :, None]
        stored = (moving != 0).any(axis=0)
        start[stored] += moving.T[stored][:, :, None] * s
        term = np.empty(values.shape[1:], complex)
        for step in plan.steps:
            inverse = values[step.pivot]
            np.divide(1.0, inverse, out=inverse)
            for below, block in zip(step.below, step.block, strict=True):
                share = values[below]
                share *= inverse
                for beside, target in zip(step.right, block, strict=True):
                    np.multiply(share, values[beside], out=term)
                    values[target] -= term
        return cls(plan, values)

    def at(self, places: Array) -> Factors:
        """The same at some of the frequencies."""
        return Factors(self.plan, self.values[:, :, places])

    def answer(self, right: Array, keep: Iterable[int] | None = None) -> Array:
        """Unknowns (J, I, N, K) for right sides (n, I), or (n, I, N, K); those of `keep`, else every one."""
        wide = right if right.ndim == 4 else right[:, :, None, None]
        shape = (wide.shape[1], *self.values.shape[1:])
        wanted = range(len(right)) if keep is None else list(keep)
        left = {
            row: np.array(np.broadcast_to(each, shape), complex)
            for row, each in enumerate(wide)
            if each.any()
        }
        term, needed = np.empty(shape, complex), set(wanted)
        for step in self.plan.steps:
            if step.own in left:
                for below, row in zip(step.below, step.own_below, strict=True):
                    np.multiply(self.values[below], left[step.own], out=term)
                    if row in left:
                        left[row] -= term
                    else:
                        left[row] = -term
            if step.column in needed:
                needed.update(step.right_columns)
        answer: dict[int, Array] = {}
        for step in reversed(self.plan.steps):
            if step.column in needed:
                own = left.pop(step.own, None)
                own = np.zeros(shape, complex) if own is None else own
                for beside, column in zip(step.right, step.right_columns, strict=True):
                    np.multiply(self.values[beside], answer[column], out=term)
                    own -= term
                own *= self.values[step.pivot]
                answer[step.column] = own
        return np.stack([answer[column] for column in wanted])


@dataclass(frozen=True, eq=False)
class Sparse:
    """Many variants of a network G + s C, `fixed` and `moving` (N, places) by one plan."""

    plan: EliminationPlan
    fixed: Array
    moving: Array

    @classmethod
    def of(cls, network: Network, matrix: Array) -> Sparse:
        """A network with G = `matrix` (N, n, n)."""
        storage = np.broadcast_to(network.storage, matrix.shape)
        pattern = (matrix != 0).any(axis=0) | (storage != 0).any(axis=0)
        key = pattern.tobytes()
        if key not in _PLANS:
            _remember(key, _planned(pattern, matrix[0] + SAMPLE * storage[0]))
        plan = _PLANS[key]
        return cls(plan, matrix[:, plan.rows, plan.columns], storage[:, plan.rows, plan.columns])

    def members(self, keep: Array) -> Sparse:
        """Some of the variants."""
        return Sparse(self.plan, self.fixed[keep], self.moving[keep])

    def seen(self, edge: Array, inputs: Array, s: Array, trust: float) -> tuple[Array, Array]:
        """What each of `inputs` (n, I) does to what `edge` (n, R) picks out at frequencies s (K,):
        (N, K, R, I); and which members are lost.

        Lost are those in which one more step of refinement, at the ends and in the middle of s, moves it by
        more than `trust` of the largest of it.
        """
        together = inputs @ np.linspace(1.0, 2.0, inputs.shape[1])[:, None]  # unlike shares: nothing cancels
        ends = np.flatnonzero(edge.any(axis=1))
        result = np.empty((len(self.fixed), len(s), edge.shape[1], inputs.shape[1]), complex)
        lost, proof = np.zeros(len(result), bool), evenly(len(s), CHECKED)
        for some in self._chunks(len(s)):
            with np.errstate(
                divide="ignore", invalid="ignore", over="ignore"
            ):  # what comes of it is looked at
                fixed, moving = self.fixed[some], self.moving[some]
                factors = Factors.of(self.plan, fixed, moving, s)
                seen = np.tensordot(edge[ends].T, factors.answer(inputs, ends), 1)
                result[some] = seen.transpose(2, 3, 0, 1)
                few = factors.at(proof)
                at = few.answer(together)
                moved = few.answer(_missing(self.plan, fixed, moving, together, s[proof], at)[0])
                size, off = (
                    np.abs(np.tensordot(edge.T, x, 1)).max(axis=(0, 1), initial=0.0) for x in (at, moved)
                )
                lost[some] = ~(off <= trust * size).all(axis=1)
        return result, lost

    def driven(self, inputs: Array, drive: Array, s: Array, trust: float, result: Array) -> Array:
        """Put every unknown into `result` (N, K, n) when `inputs` (n, I) stand at `drive` (N, K, I): which
        members are lost.

        Lost are those in which one more step of refinement moves an unknown by more than `trust` of its own
        largest, unless rounding of its equations in a direct solve would move it as much.
        """
        lost = np.zeros(len(drive), bool)
        for some in self._chunks(len(s)):
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                fixed, moving = self.fixed[some], self.moving[some]
                factors = Factors.of(self.plan, fixed, moving, s)
                right = np.tensordot(inputs, drive[some], (1, 2))[:, None]
                found = factors.answer(right)
                lost[some] = self._off(factors, some, s, right, found, trust)
                if lost[some].any():
                    found += factors.answer(_missing(self.plan, fixed, moving, right, s, found)[0])
                    lost[some] = self._off(factors, some, s, right, found, trust)
                result[some] = found[:, 0].transpose(1, 2, 0)
        return lost

    def _off(
        self, factors: Factors, some: slice, s: Array, right: Array, found: Array, trust: float
    ) -> Array:
        """Which members a step of refinement would still move, at the ends and in the middle of s."""
        proof = evenly(len(s), CHECKED)
        left, flows = _missing(
            self.plan, self.fixed[some], self.moving[some], right[..., proof], s[proof], found[..., proof]
        )
        turned = ROUNDING * flows * np.where(np.arange(len(flows)) % 2, 1.0, -1.0)[:, None, None, None]
        moved, rounding = np.abs(factors.at(proof).answer(np.concatenate((left, turned), axis=1))).swapaxes(
            0, 1
        )
        allowed = np.maximum(trust * np.abs(found[:, 0]).max(axis=2)[..., None], rounding)
        return np.asarray(~(moved <= allowed).all(axis=(0, 2)))

    def _chunks(self, frequencies: int) -> list[slice]:
        each = max(1, CHUNK // frequencies)
        return [slice(k, k + each) for k in range(0, len(self.fixed), each)]


def _missing(
    plan: EliminationPlan, fixed: Array, moving: Array, right: Array, s: Array, at: Array
) -> tuple[Array, Array]:
    """By how much answers `at` (n, I, N, K) miss their equations, and the size of the terms of each.

    `right` is (n, I), or (n, I, N, K).
    """
    wide = right if right.ndim == 4 else right[:, :, None, None]
    starts = np.flatnonzero(np.diff(plan.rows, prepend=-1))  # no row is empty, or it had no pivot
    system = fixed.T[:, :, None] + moving.T[:, :, None] * s
    terms = system[:, None] * at[plan.columns]
    flows = np.add.reduceat(np.abs(terms), starts, axis=0) + np.abs(wide)
    return wide - np.add.reduceat(terms, starts, axis=0), flows
