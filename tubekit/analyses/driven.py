"""Tubes driven by a sine, in steady state: distortion, power and shifted bias from one solve.

The linear network is known at every harmonic of the drive, DC included, so the only unknowns are the
tube port voltages at S samples of one cycle:

    F(v) = v - open + Z i(v) = 0

Z acts by circular convolution. The network answers only in the space that Z spans (two directions for
a push-pull pair: the transformer's difference and the common cathode), so Newton works on those few
combinations of ports. Bypass and coupling capacitors find their mean voltages by themselves
(harmonic 0 passes none of their current), so bias shift under drive, grid-current charging and
reactive loads need no further rules. Source: harmonic balance, e.g. Nakhla & Vlach, IEEE Trans.
Circuits Syst. CAS-23 (1976) (from memory).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tubekit.circuit.network import Group
from tubekit.circuit.reduction import solve_stack
from tubekit.devices.law import Law
from tubekit.result_fields import Array

TOLERANCE = 1e-8
"""Largest last correction of a port voltage [V]."""
MAX_ITERATIONS = 25
HALVINGS = 10
PATIENCE = 3
"""Steps in turn that even at their shortest lead no nearer, before a member is given up."""
FIRST_STRIDE, LEAST_STRIDE, STRIDES = 0.1, 0.005, 25
"""First and least stride up to full drive, as parts of it, and the most strides that are tried."""
ALONG = 0.999
"""Cosine from which the way to one member is the way to another."""
SPANNED = 1e-11
"""Directions in which the network answers less than this part of its largest answer count as held."""
CHUNK_ELEMENTS = 6_000_000


@dataclass(frozen=True, eq=False)
class Driven:
    """Port voltages and currents over one cycle, (N, P, S), and how the solve went."""

    volts: Array
    currents: Array
    iterations: Array
    error: Array
    converged: Array


@dataclass(frozen=True, eq=False)
class DrivenProblem:
    """`impedance` (N, K+1, P, P) at harmonics 0..K [Ω]; `open` (N, P, S) [V]; S = 2 K."""

    groups: tuple[Group, ...]
    impedance: Array
    open: Array

    def subset(self, keep: Array | slice) -> DrivenProblem:
        """Some members of the batch."""
        groups = tuple(dataclasses.replace(g, law=g.law.subset(keep)) for g in self.groups)
        return DrivenProblem(groups, self.impedance[keep], self.open[keep])

    def residual(self, volts: Array) -> tuple[Array, Array, Array]:
        """F (N, P, S), the currents (N, P, S) and their slopes (N, S, P, P)."""
        currents, slopes = self.evaluate(volts)
        spectrum = np.fft.rfft(currents).transpose(0, 2, 1)[..., None]
        seen = np.matmul(self.impedance, spectrum)[..., 0].transpose(0, 2, 1)
        return volts - self.open + np.fft.irfft(seen, n=volts.shape[2]), currents, slopes

    def span(self) -> Array:
        """Orthonormal combinations of ports (P, M) in which the network answers at any harmonic."""
        ports = self.impedance.shape[2]
        answers = np.nan_to_num(np.moveaxis(self.impedance, 2, 0))
        answers = answers.reshape(ports, answers[:1].size or 1)
        vectors, sizes, _ = np.linalg.svd(
            np.concatenate((answers.real, answers.imag), axis=1), full_matrices=False
        )
        return np.asarray(vectors[:, sizes > SPANNED * sizes.max(initial=0.0)])

    @cached_property
    def _laws(self) -> tuple[Law, ...]:
        return tuple(_over_time(group.law) for group in self.groups)

    def evaluate(self, volts: Array) -> tuple[Array, Array]:
        """Port currents and slopes at port voltages over the cycle."""
        count, ports, samples = volts.shape
        currents, slopes = np.empty_like(volts), np.zeros((count, samples, ports, ports))
        for group, law in zip(self.groups, self._laws, strict=True):
            own = volts[:, group.ports].transpose(0, 2, 1).reshape(count, samples, -1, group.width)
            current, slope = law.evaluate(own)
            if group.held is not None:
                current = current - group.held * own
                slope = slope - group.held[..., None] * np.eye(group.width)
            currents[:, group.ports] = current.reshape(count, samples, -1).transpose(0, 2, 1)
            for k in range(len(group.names)):
                at = slice(group.ports.start + k * group.width, group.ports.start + (k + 1) * group.width)
                slopes[:, :, at, at] = slope[:, :, k]
        return currents, slopes


def solve_driven(problem: DrivenProblem, start: Array) -> Driven:
    """Steady state of every member, from port voltages `start` (N, P, S).

    What does not arrive from there is led on from the nearest member that did, or where none did up from a
    tenth of the drive, in strides that grow while they succeed, each started from where the last two point.
    """
    samples = start.shape[2]
    size = max(1, CHUNK_ELEMENTS // (max(1, problem.span().shape[1]) * samples) ** 2)
    parts = []
    for k in range(0, len(start), size):
        piece = slice(k, k + size)
        parts.append(_arrive(problem.subset(piece), start[piece]))
    return Driven(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in dataclasses.fields(Driven)))


def _over_time(law: Law) -> Law:
    """Parameters of a batch (N, D) get an axis for the samples; those of one circuit (D,) fit as they are."""
    values = {
        name: value[:, None] if isinstance(value, np.ndarray) and value.ndim == 2 else value
        for name, value in law.parameters().items()
    }
    return dataclasses.replace(law, **values)  # type: ignore[type-var]


def _arrive(problem: DrivenProblem, start: Array) -> Driven:
    """Every member by itself, then what is lost from the nearest that arrived, one after the other."""
    done = _newton(problem, start)
    waiting = np.flatnonzero(~done.converged)
    flat = problem.open.reshape(len(start), -1)
    while len(waiting):
        arrived, at = np.flatnonzero(done.converged), 0
        if len(arrived):
            apart = np.linalg.norm(flat[waiting, None] - flat[None, arrived], axis=2)
            at, base = (int(k) for k in np.unravel_index(int(np.argmin(apart)), apart.shape))
            here, near = waiting[[at]], arrived[[base]]
            step = _led(problem.subset(here), problem.open[near], done.volts[near], 1.0)
        else:
            here = near = waiting[[at]]
            none, volts = (each[here].mean(axis=2, keepdims=True) for each in (problem.open, start))
            step = _led(problem.subset(here), none, volts + np.zeros_like(start[here]), FIRST_STRIDE)
        for name in ("volts", "currents", "error", "converged"):
            getattr(done, name)[here] = getattr(step, name)
        done.iterations[here] += step.iterations
        waiting = np.delete(waiting, at)
        if len(arrived) and not step.converged.all():  # no way leads on to those behind it
            way, ways = flat[here] - flat[near], flat[waiting] - flat[near]
            sizes = np.linalg.norm(way) * np.linalg.norm(ways, axis=1)
            waiting = waiting[(ways @ way[0] < ALONG * sizes) | (sizes < (way @ way[0]))]
    return done


def _led(problem: DrivenProblem, origin: Array, volts: Array, stride: float) -> Driven:
    """One member led from `origin`, where its port voltages are `volts`, to its own open voltages."""
    here, spent = 0.0, 0
    before: tuple[float, Array] | None = None
    for _ in range(STRIDES):
        there = min(1.0, here + stride)
        ahead = volts if before is None else volts + (volts - before[1]) * (there - here) / (here - before[0])
        way = DrivenProblem(problem.groups, problem.impedance, origin + there * (problem.open - origin))
        step = _newton(way, ahead)
        spent += int(step.iterations[0])
        if not step.converged.all():
            stride *= 0.4
            if stride < LEAST_STRIDE:
                break
            continue
        before, here, volts, stride = (here, volts), there, step.volts, 1.6 * stride
        if here == 1.0:
            break
    if here < 1.0:  # it never gets there: as far as it goes at full drive
        step = _newton(problem, volts)
    step.iterations[:] = spent
    return step


def _newton(problem: DrivenProblem, start: Array) -> Driven:
    span = problem.span()
    volts = problem.open + np.einsum("pm,qm,nqs->nps", span, span, start - problem.open, optimize=True)
    iterations, error = np.zeros(len(volts), int), np.full(len(volts), np.inf)
    stuck = np.zeros(len(volts), int)
    kernel = np.fft.irfft(np.matmul(span.T, problem.impedance), axis=1)  # (N, S, M, P)
    left, currents, slopes = problem.residual(volts)
    for _ in range(MAX_ITERATIONS):
        moving = (error > TOLERANCE) & (stuck < PATIENCE)
        if not moving.any():
            break
        some, here = problem.subset(moving), left[moving]
        at = _Linear(span, kernel[moving], slopes[moving])
        step = at.step(here)
        iterations[moving] += 1
        volts[moving], left[moving], currents[moving], slopes[moving], lost = _descend(
            some, volts[moving], step, here, at
        )
        # What is left after a step bounds the next one: no need to take it where it is small already.
        size = [np.abs(each).max(axis=(1, 2), initial=0.0) for each in (step, left[moving])]
        error[moving] = np.minimum(*size)
        stuck[moving] = np.where(lost, stuck[moving] + 1, 0)
    return Driven(volts, currents, iterations, error, error <= TOLERANCE)


@dataclass(frozen=True, eq=False)
class _Linear:
    """The equation at some port voltages, where the slopes are (N, S, P, P)."""

    span: Array
    kernel: Array
    slopes: Array

    def step(self, left: Array, keep: Array | slice = slice(None)) -> Array:
        """Newton's step of some members: every combination of ports at all samples at once."""
        span, kernel, slopes = self.span, self.kernel[keep], self.slopes[keep]
        count, _, samples = left.shape
        width = span.shape[1]
        lag = (np.arange(samples)[:, None] - np.arange(samples)[None, :]) % samples
        seen = np.matmul(kernel[:, lag], np.matmul(slopes, span)[:, None])  # row sample, column sample
        matrix = seen.transpose(0, 3, 1, 4, 2).reshape(count, width * samples, width * samples)
        diagonal = np.arange(width * samples)
        matrix[:, diagonal, diagonal] += 1.0
        right = -np.matmul(span.T, left).reshape(count, -1)
        return np.asarray(span @ solve_stack(matrix, right[..., None]).reshape(count, width, samples))


def _descend(
    problem: DrivenProblem, volts: Array, step: Array, left: Array, at: _Linear
) -> tuple[Array, Array, Array, Array, Array]:
    """A step as long as leads nearer, and which members it leads nowhere.

    What is left says so, or the next step with the same slopes: at a saturated plate a small error of its
    voltage leaves a large one. Source: the natural monotonicity test of P. Deuflhard, "Newton Methods for
    Nonlinear Problems", Springer (2004) (from memory).
    """
    scale = np.ones((len(volts), 1, 1))
    before, length = np.linalg.norm(left, axis=(1, 2)), np.linalg.norm(step, axis=(1, 2))
    for _ in range(HALVINGS):
        trial = volts + scale * step
        after, currents, slopes = problem.residual(trial)
        share = scale[:, 0, 0]
        grown = ~(np.linalg.norm(after, axis=(1, 2)) <= np.maximum((1 - 1e-4 * share) * before, 1e-9))
        usable = grown & np.isfinite(after).all(axis=(1, 2))
        if usable.any():
            further = np.linalg.norm(at.step(after[usable], usable), axis=(1, 2))
            grown[usable] = ~(further <= (1 - 0.25 * share[usable]) * length[usable])
        if not grown.any():
            break
        scale[grown] *= 0.5
    return trial, after, currents, slopes, grown
