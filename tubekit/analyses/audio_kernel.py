"""The steps of `audio` in plain numbers: compiled where numba is installed.

Nothing is allocated here, so nothing has to count who holds an array: counting took longer than the sums. The
laws are those of the devices (`ParameterLaw.flow` and `.mesh`), called with one number each. Compiled code is
kept on disk next to this file, under a stamp of the laws' source.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from typing import Any, NamedTuple

import numpy as np

from tubekit.analyses.stepping import BLEND, GAMMA
from tubekit.devices import law, pentode, rectifier
from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import GasDiode, IdealDiode, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode

Array = np.ndarray

TUBES: tuple[type, ...] = (Triode, Pentode, GasDiode)
DIODES: tuple[type, ...] = (TubeDiode, SiliconDiode, IdealDiode)
"""Laws by their number in the kernel: tubes from 0, rectifiers from `RECTIFIERS`."""
RECTIFIERS = 10
WIDEST = 3
"""Terminals of the widest law."""
triode, pentode_flow, gas = Triode.flow, Pentode.flow, GasDiode.flow
tube_mesh, silicon_mesh, ideal_mesh = TubeDiode.mesh, SiliconDiode.mesh, IdealDiode.mesh

ENOUGH = 4e-3
"""A correction of a grid's voltage below this [V] is the last one: what Newton leaves goes by its square."""
OTHERS = 50.0
"""How much less than a grid any other electrode and a rectifier bend their currents."""
MOST, HALVINGS = 300, 25
FIRST_SHARE, NEAR_SHARE = 0.3, 0.999
FLAT = 1e-2
"""A current that would move no port by more than this share of its own step stays as it is for that step."""
KEPT_V = (-60.0, 600.0)
"""Where tubes are looked for when neither the last step nor the open ports lead there [V]."""
SMALL, NIL = 0.1, 1e-6
"""Pivots below which rows are exchanged, and factors below which a row is not subtracted."""
BACK = (1.0 - GAMMA) ** 2 * BLEND


def _ahead(at: float, known: tuple[float, float, float]) -> tuple[float, float, float]:
    """Weights of values at three times for the parabola through them at another time."""
    a, b, c = known
    return (
        (at - b) * (at - c) / ((a - b) * (a - c)),
        (at - a) * (at - c) / ((b - a) * (b - c)),
        (at - a) * (at - b) / ((c - a) * (c - b)),
    )


AHEAD = (_ahead(GAMMA, (0.0, GAMMA - 1.0, -1.0)), _ahead(1.0, (GAMMA, 0.0, GAMMA - 1.0)))
"""Where Newton begins: as the last three stages lead on, to the first and to the second of a step."""


class Plan(NamedTuple):
    """One network at one step length: P ports, m stores, J outputs, D devices.

    `forth` (P + m + J, m + 3) leads from right side, 1, cosine of the line and drive to open ports, charges
    and outputs; `back` (m + J, P) is what port currents take from charges and outputs. Ports see `beyond`
    (P, P), rectifiers behind `own` (P,) [Ω]; `reach` (P,) is how far a port's current moves another [Ω].
    `kind` and `first` (D,) are law and first port of each device, `numbers` (D, 16) those of the law; `base`
    and `wide` (P,) first port and ports of the device at each port. Newton ends at corrections below `enough`
    (P,) [V].
    """

    forth: Array
    back: Array
    beyond: Array
    own: Array
    reach: Array
    kind: Array
    first: Array
    base: Array
    wide: Array
    numbers: Array
    enough: Array


class Room(NamedTuple):
    """Where the steps of a plan work: all of it is carried from call to call.

    Port voltages u, currents i and slopes g (P, 3); what Newton is `left` with, its `step`, the `change` of
    currents, the rows of `active` ports (`matrix`, `wanted`). `right` (m + 3,) is the right side of a stage,
    `seen` and `taken` follow from it and from port currents; `middle` (m,) is the charge between two stages.
    """

    u: Array
    i: Array
    g: Array
    left: Array
    step: Array
    change: Array
    active: Array
    matrix: Array
    wanted: Array
    right: Array
    seen: Array
    taken: Array
    middle: Array
    ahead: Array

    @classmethod
    def of(cls, plan: Plan) -> Room:
        """Empty room for a plan."""
        ports, stores = len(plan.own), plan.forth.shape[1] - 3
        one = np.zeros((6, ports))
        return cls(
            one[0], one[1], np.zeros((ports, WIDEST)), one[2], one[3], one[4], np.zeros(ports, np.int64),
            np.zeros((ports, ports)), one[5], np.zeros(stores + 3), np.zeros(len(plan.forth)),
            np.zeros(len(plan.back)), np.zeros(stores), np.array(AHEAD),
        )  # fmt: skip


def tube_currents(plan: Plan, u: Array, i: Array, g: Array) -> None:
    """Currents `i` (P,) and slopes `g` (P, 3) of every device at the port voltages `u`."""
    own = plan.own
    for d in range(len(plan.kind)):
        k, p, law_of = plan.first[d], plan.numbers[d], plan.kind[d]
        if law_of == 0:
            i[k], i[k + 1], g[k, 0], g[k, 1], g[k + 1, 0], g[k + 1, 1] = triode(
                u[k], u[k + 1], p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8], p[9]
            )
        elif law_of == 1:
            (
                i[k], i[k + 1], i[k + 2], g[k, 0], g[k, 1], g[k, 2], g[k + 1, 0], g[k + 1, 1], g[k + 1, 2],
                g[k + 2, 0], g[k + 2, 1], g[k + 2, 2],
            ) = pentode_flow(
                u[k], u[k + 1], u[k + 2], p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8], p[9], p[10],
                p[11], p[12], p[13], p[14], p[15],
            )  # fmt: skip
        elif law_of == 2:
            i[k], g[k, 0] = gas(u[k], p[0], p[1], p[2])
        elif law_of == RECTIFIERS:
            i[k], g[k, 0] = tube_mesh(u[k], own[k], p[0])
        elif law_of == RECTIFIERS + 1:
            i[k], g[k, 0] = silicon_mesh(u[k], own[k], p[0], p[1], p[2], p[3])
        else:
            i[k], g[k, 0] = ideal_mesh(u[k], own[k], p[0])


def product(matrix: Array, x: Array, out: Array) -> None:
    """Product of matrix and x, sums in any order."""
    for a in range(matrix.shape[0]):
        total = 0.0
        for b in range(matrix.shape[1]):
            total += matrix[a, b] * x[b]
        out[a] = total


def off_balance(opened: Array, beyond: Array, u: Array, i: Array, left: Array) -> float:
    """What is `left` of u + beyond·i = opened, and its size."""
    total = 0.0
    for a in range(len(u)):
        here = u[a] - opened[a]
        for b in range(len(u)):
            here += beyond[a, b] * i[b]
        left[a] = here
        total += here * here
    return np.sqrt(total)  # type: ignore[no-any-return]


def linear(plan: Plan, at: Room, share: float) -> int:
    """Rows of (1 + g·beyond) change = -g·left of the currents that have a slope, mostly those of plates.

    A `share` of the slopes g below 1 makes it a creeping step.
    """
    base, wide, beyond, g, row = plan.base, plan.wide, plan.beyond, at.g, at.step
    size, count = len(at.left), 0
    for a in range(size):
        at.change[a] = 0.0
        steepest = 0.0
        for k in range(wide[a]):
            steepest = max(steepest, abs(g[a, k]))
        if not steepest * plan.reach[a] <= FLAT:  # not a number counts as well
            at.active[count] = a
            count += 1
    for r in range(count):
        a = at.active[r]
        for b in range(size):
            row[b] = 0.0
        total = 0.0
        for k in range(wide[a]):
            slope, there = share * g[a, k], base[a] + k
            total -= slope * at.left[there]
            for b in range(size):
                row[b] += slope * beyond[there, b]
        row[a] += 1.0
        for s in range(count):
            at.matrix[r, s] = row[at.active[s]]
        at.wanted[r] = total
    return count


def eliminate(matrix: Array, wanted: Array, count: int) -> bool:
    """Solve `count` rows in place, from the last; `wanted` becomes the solution.

    Ports come in the order in which parts are drawn, mostly that of the signal: a later tube hardly moves an
    earlier one, and rows that would change by less than `NIL` are left alone.
    """
    for k in range(count - 1, -1, -1):
        if not abs(matrix[k, k]) > SMALL:
            best = k
            for r in range(k):
                if abs(matrix[r, k]) > abs(matrix[best, k]):
                    best = r
            if not abs(matrix[best, k]) > 0.0:
                return False
            wanted[k], wanted[best] = wanted[best], wanted[k]
            for s in range(k + 1):
                matrix[k, s], matrix[best, s] = matrix[best, s], matrix[k, s]
        inverse = 1.0 / matrix[k, k]
        for r in range(k):
            factor = matrix[r, k] * inverse
            if abs(factor) > NIL:
                wanted[r] -= factor * wanted[k]
                for s in range(k):
                    matrix[r, s] -= factor * matrix[k, s]
    for k in range(count):
        for s in range(k):
            wanted[k] -= matrix[k, s] * wanted[s]
        wanted[k] /= matrix[k, k]
    return True


def newton_step(plan: Plan, at: Room, share: float) -> bool:
    """The step by which `left` vanishes with these slopes, or a `share` of it; False where there is none."""
    count = linear(plan, at, share)
    if not eliminate(at.matrix, at.wanted, count):
        return False
    for r in range(count):
        at.change[at.active[r]] = at.wanted[r]
    product(plan.beyond, at.change, at.step)
    for a in range(len(at.left)):
        at.step[a] = -share * (at.left[a] + at.step[a])
    return True


def arrive(plan: Plan, opened: Array, at: Room, share: float) -> bool:
    """Newton from `u`, halved while what is left grows; leaves the solution in u, i and g.

    With a `share` below 1 it creeps first, as if a capacitor lay across each port, in steps that grow while
    what is left shrinks: a stage that is fed back through the transformer can jump, as a flip-flop does, and
    Newton knows no way there. Source: pseudo-transient continuation, C. T. Kelley and D. E. Keyes, SIAM J.
    Numer. Anal. 35 (1998), from memory.
    """
    u, size, scale, halved, before = at.u, len(at.u), 1.0, 0, -1.0
    for _ in range(MOST):  # one call of each law: compiling puts the whole law at every call
        tube_currents(plan, u, at.i, at.g)
        after = off_balance(opened, plan.beyond, u, at.i, at.left)
        if not after < np.inf and (before < 0.0 or share < 1.0):
            return False
        if share < 1.0:
            if before > 0.0:
                share = 1.0 / (1.0 + (1.0 / share - 1.0) * min(max(after / before, 0.3), 2.0))
            if share > NEAR_SHARE:
                share = 1.0
        elif before >= 0.0 and not after <= max(before, 1e-9) and halved < HALVINGS:
            halved, scale = halved + 1, 0.5 * scale
            for a in range(size):
                u[a] -= scale * at.step[a]
            continue
        before, scale, halved = after, 1.0, 0
        if not newton_step(plan, at, share):
            return False
        last, total = share == 1.0, 0.0
        for a in range(size):
            u[a] += at.step[a]
            total += u[a]
            last = last and abs(at.step[a]) <= plan.enough[a]
        if not np.isfinite(total):
            return False
        if last:
            for a in range(size):
                at.i[a] += at.change[a]
            return True
    return False


def solve(plan: Plan, opened: Array, at: Room, past: Array) -> bool:
    """`arrive` from the voltages ahead, else with the tubes pulled out, else from what tubes usually have;
    else creeping from the `past` ones.
    """
    for attempt in range(5):
        for a in range(len(opened)):
            if attempt == 1:
                at.u[a] = opened[a]
            elif attempt == 2:
                at.u[a] = min(max(opened[a], KEPT_V[0]), KEPT_V[1])
            elif attempt == 3:
                at.u[a] = 0.0
            elif attempt == 4:
                at.u[a] = past[a]
        if arrive(plan, opened, at, 1.0 if attempt < 4 else FIRST_SHARE):
            return True
    return False


def stage(plan: Plan, at: Room, past: Array) -> bool:
    """One stage: from the right side to port voltages, currents, and in `seen` the charges and outputs."""
    count, seen = len(at.u), at.seen
    product(plan.forth, at.right, seen)
    if not solve(plan, seen[:count], at, past):
        return False
    product(plan.back, at.i, at.taken)
    for a in range(len(at.taken)):
        seen[count + a] -= at.taken[a]
    return True


def steps(
    plan: Plan, at: Room, drive: Array, angle: Array, charge: Array, rate: Array, past: Array, outputs: Array,
    means: Array, every: int,
) -> int:  # fmt: skip
    """Go through `drive` (T + 1,) [V]; returns the number of steps taken, less than T where one is lost.

    `angle` (2,) is that of the line now and what a step adds [rad]. `charge` and `rate` (m,), the last three
    port voltages `past` (3, P) and the currents `at.i` are carried on. `outputs` (T, J) and `means` (T/every,
    m + 3 + P), of right sides and currents, are filled.
    """
    count, stores, share = len(at.u), len(charge), 1.0 / every
    right, seen, middle, ahead = at.right, at.seen, at.middle, at.ahead
    right[stores] = 1.0
    for t in range(len(drive) - 1):
        for late in range(2):  # one call for both stages: compiled code is half as long
            here = 1.0 if late else GAMMA
            for k in range(stores):
                right[k] = middle[k] if late else charge[k] + rate[k]
            right[stores + 1] = np.cos(angle[0] + here * angle[1])
            right[stores + 2] = (1.0 - here) * drive[t] + here * drive[t + 1]
            for k in range(count):
                at.u[k] = (
                    ahead[late, 0] * past[0, k] + ahead[late, 1] * past[1, k] + ahead[late, 2] * past[2, k]
                )
            if not stage(plan, at, past[0]):
                return t
            for k in range(count):
                past[2, k], past[1, k], past[0, k] = past[1, k], past[0, k], at.u[k]
            if not late:
                for k in range(stores):
                    middle[k] = BLEND * seen[count + k] - BACK * charge[k]
        angle[0] = (angle[0] + angle[1]) % (2.0 * np.pi)
        for k in range(stores):
            charge[k] = seen[count + k]
            rate[k] = charge[k] - middle[k]
        for k in range(outputs.shape[1]):
            outputs[t, k] = seen[count + stores + k]
        row = means[t // every]
        for k in range(stores + 3):
            row[k] += right[k] * share
        for k in range(count):
            row[stores + 3 + k] += at.i[k] * share
    return len(drive) - 1


def installed() -> bool:
    """Whether the steps can be compiled."""
    return find_spec("numba") is not None


@cache
def compiled() -> Callable[..., int]:
    """The steps, compiled; once for all amps, and kept for the next session.

    Raises
    ------
    ImportError : numba is not installed.
    """
    import numba  # noqa: PLC0415 - takes a second to load, and may not be there
    from numba.extending import register_jitable  # noqa: PLC0415

    plain: dict[str, Any] = {"error_model": "numpy", "_nrt": False}  # nothing is allocated
    for flow in (
        law.ramp, law.corner, law.softplus, law.three_halves, law.split_grid, law.closing,
        pentode.below_knee, pentode.above_knee, rectifier.omega, triode, pentode_flow, gas, tube_mesh,
        silicon_mesh, ideal_mesh,
    ):  # fmt: skip
        register_jitable(**plain)(flow)
    for step in (tube_currents, linear, eliminate, newton_step, arrive, solve, stage, steps):
        register_jitable(forceinline=True, **plain)(step)
    for sums in (product, off_balance):
        register_jitable(fastmath={"reassoc", "contract"}, **plain)(sums)
    result: Callable[..., int] = numba.njit(cache=True, nogil=True, **plain)(_stamped(_stamp()))
    return result


def _stamped(stamp: str) -> Callable[..., int]:
    """The steps as a function of its own for each stamp: the kept code is found by it."""

    def run(
        plan: Any, at: Any, drive: Any, angle: Any, charge: Any, rate: Any, past: Any, outputs: Any,
        means: Any, every: int,
    ) -> int:  # fmt: skip
        if len(stamp) == 0:
            return 0
        return steps(plan, at, drive, angle, charge, rate, past, outputs, means, every)

    return run


def _stamp() -> str:
    """Stands for the source of every law."""
    modules = (law, inspect.getmodule(Triode), pentode, rectifier)
    text = "".join(inspect.getsource(one) for one in modules if one is not None)
    return hashlib.sha256(text.encode()).hexdigest()
