"""Rectifiers over one line cycle, in steady state, without waiting for anything to settle.

The equation stands in `waves.py`. Newton needs only the samples that conduct and mostly arrives in
two or three steps from a coarser solution. Where it does not (a choke next to the diodes that falls
out of conduction) it is given up and steps of Douglas and Rachford are put between: slow, but in a passive
network they always come closer. Source: P. L. Lions and B. Mercier, "Splitting algorithms for the sum of two
nonlinear operators", SIAM J. Numer. Anal. 16 (1979) (from memory). They do not where a winding floats and
nanoamperes decide its voltage: there a leak across the rectifiers is taken away in steps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np

from tubekit.analyses.waves import Iterate, Ports, WaveProblem, pose
from tubekit.circuit.reduction import solve_stack
from tubekit.result_fields import Array

__all__ = ["Cycle", "Ports", "solve_cycle"]


TOLERANCE = 1e-8
"""Largest last correction of a drive voltage, relative to the alternating part of the open voltage [peak]."""
MAX_ITERATIONS, PATIENCE = 25, 60
HALVINGS = 10
STUCK, GAINED = 5, 0.9
"""Newton alone is given up where so many steps have left more than this share of the error."""
RELAXATIONS, MORE, MOST = 10, 1.2, 300
"""Relaxations between Newton's steps at first, by how much they grow, and where that ends."""
LEAKS = (1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 0.0)
"""Leaks across every rectifier of a floating winding [S], from one that Newton masters down to none."""
COARSE = 64
"""Samples of the first solution, from which a finer one starts: cheap, and near enough for a few steps."""
ALIKE = 1.2
"""Members share one set of samples where that makes it larger by no more than this factor: it is faster."""
CHUNK_ELEMENTS = 8_000_000


@dataclass(frozen=True, eq=False)
class Cycle:
    """Steady state: `currents` (N, R, S) [A] and `volts` across each rectifier (N, R, S) [V]; `relaxed` where
    Newton alone did not arrive.
    """

    currents: Array
    volts: Array
    iterations: Array
    error: Array
    converged: Array
    relaxed: Array

    def members(self, keep: slice | Array) -> Cycle:
        """Some of the batch; a single solution stands for all."""
        return self if len(self.error) == 1 else Cycle(*(getattr(self, f.name)[keep] for f in fields(self)))

    def take(self, where: Array, other: Cycle) -> None:
        """Put `other` in the place of some of the batch."""
        for f in fields(self):
            getattr(self, f.name)[where] = getattr(other, f.name)

    @staticmethod
    def joined(pieces: Sequence[Cycle], order: Array | slice = slice(None)) -> Cycle:
        """The members of some pieces, in this order."""
        return Cycle(*(np.concatenate([getattr(p, f.name) for p in pieces])[order] for f in fields(Cycle)))


def nothing_rectified(count: int, samples: int) -> Cycle:
    """The cycle of circuits without a rectifier: their heaters glow, their B+ is nil."""
    currents, volts = np.zeros((2, count, 0, samples))
    never = np.zeros(count, bool)
    return Cycle(currents, volts, np.zeros(count, int), np.zeros(count), ~never, never)


def solve_cycle(ports: Ports, start: Cycle | None = None) -> Cycle:
    """Periodic steady state of every member of the batch.

    `start` is the solution of a similar problem, at any number of samples.

    Examples
    --------
    >>> from tubekit.circuit.network import RectifierSet
    >>> from tubekit.devices.rectifier import IdealDiode
    >>> law = RectifierSet((IdealDiode(conductance=np.array([1e4])),), (np.array([0]),))
    >>> resistive = Ports(np.full((1, 33, 1, 1), 100.0 + 0j), np.zeros((1, 1)), np.array([[50.0 + 0j]]), law)
    >>> half_wave = solve_cycle(resistive)
    >>> round(float(half_wave.currents.max()), 6), round(float(half_wave.volts.min()), 6)
    (0.5, -50.0)
    """
    parts = [_solve(ports.members(c), None if start is None else start.members(c)) for c in _chunks(ports)]
    return Cycle.joined(parts)


def mean_slopes(ports: Ports, cycle: Cycle) -> Array:
    """How the mean currents follow the mean voltages across the rectifiers, ripple settled: (N, R, R) [S].

    That is the supply's regulation as its load sees it; nil where a solution is not known.

    Examples
    --------
    >>> from tubekit.circuit.network import RectifierSet
    >>> from tubekit.devices.rectifier import IdealDiode
    >>> law = RectifierSet((IdealDiode(conductance=np.array([1e4])),), (np.array([0]),))
    >>> resistive = Ports(np.full((1, 33, 1, 1), 100.0 + 0j), np.zeros((1, 1)), np.array([[50.0 + 0j]]), law)
    >>> bool(mean_slopes(resistive, solve_cycle(resistive))[0, 0, 0] > 0)
    True
    """
    parts = [_mean_slopes(ports.members(c), cycle.members(c)) for c in _chunks(ports)]
    return np.concatenate(parts)


def _mean_slopes(ports: Ports, cycle: Cycle) -> Array:
    """With the mean voltages imposed, the network beyond them is its impedance at the harmonics alone.

    Every second sample of a fine cycle is enough: slopes say where to go, not where to stop.
    """
    count, rectifiers = ports.mean.shape
    every = 2 if ports.samples > COARSE else 1
    ports, volts, currents = (
        ports.sampled(ports.samples // every), cycle.volts[..., ::every], cycle.currents[..., ::every]
    )  # fmt: skip
    held = ports.impedance.copy()
    held[:, 0] = 0.0
    problem = pose(Ports(held, ports.mean, ports.phasor, ports.law), ports.resistance)
    slopes = problem.law.through(volts + problem.resistance * currents, problem.resistance)[1]
    flat = slopes.reshape(count, -1)
    chosen = np.broadcast_to(_conducting(flat), (count, _conducting(flat).shape[1]))
    steep = np.take_along_axis(flat, chosen, axis=1)
    matrix = _kernel_between(problem.kernel, chosen) * steep[:, None, :]
    diagonal = np.arange(chosen.shape[1])
    matrix[:, diagonal, diagonal] += 1.0
    own = (chosen[:, :, None] // ports.samples == np.arange(rectifiers)).astype(float)
    usable = np.isfinite(matrix).all(axis=(1, 2)) & cycle.converged
    moved = solve_stack(np.where(usable[:, None, None], matrix, np.eye(chosen.shape[1])), own)
    result = np.matmul(own.transpose(0, 2, 1) * steep[:, None, :], moved) / ports.samples
    return np.where(usable[:, None, None] & np.isfinite(result), result, 0.0)


def _chunks(ports: Ports) -> list[slice]:
    count, rectifiers = ports.mean.shape
    size = max(1, CHUNK_ELEMENTS // (rectifiers * ports.samples) ** 2 * 4)
    return [slice(k, k + size) for k in range(0, count, size)]


def _solve(ports: Ports, start: Cycle | None) -> Cycle:
    given = start is not None
    if start is None and ports.samples > COARSE:
        start = _solve(ports.sampled(COARSE), None)
    problem = pose(ports, ports.resistance)
    drive = _stiff_reservoir(problem) if start is None else _resampled(problem, start)
    answer = _iterate(ports, problem, drive, _descend, MAX_ITERATIONS, gives_up=True)
    lost = ~answer.converged & np.isfinite(answer.error)
    if lost.any():
        some = ports.members(lost)
        slow = pose(some, _mesh_resistance(some, problem.subset(lost)))
        drive = _stiff_reservoir(slow) if start is None else _resampled(slow, start.members(lost))
        answer.take(lost, _iterate(some, slow, drive, _descend_patiently, PATIENCE))
        answer.relaxed[lost] = True
        lost &= ~answer.converged
    if given and lost.any():  # where it started may have misled it
        answer.take(lost, _solve(ports.members(lost), None))
    elif (floating := lost & ports.floating).any():
        answer.take(floating, _led(ports.members(floating)))
    return answer


def _led(ports: Ports) -> Cycle:
    """Led from rectifiers that leak to those there are, each solution the start of the next."""
    cycle: Cycle | None = None
    for siemens in LEAKS:
        leaky = ports.leaking(siemens)
        problem = pose(leaky, leaky.resistance)
        drive = _stiff_reservoir(problem) if cycle is None else _resampled(problem, cycle)
        cycle = _iterate(leaky, problem, drive, _descend, MAX_ITERATIONS)
    assert cycle is not None
    return cycle


def _mesh_resistance(ports: Ports, problem: WaveProblem) -> Array:
    """Volts by amperes of the line cycle: an r at which waves neither pass nor bounce back whole."""
    mean = problem.law.through(_stiff_reservoir(problem), problem.resistance)[0].mean(axis=2)
    ohms = np.abs(ports.phasor).max(axis=1) / np.maximum(mean.max(axis=1), 1e-9)
    return np.broadcast_to(np.clip(ohms, 1.0, 1e6)[:, None, None], problem.resistance.shape)


def _iterate(
    ports: Ports,
    problem: WaveProblem,
    drive: Array,
    descend: Callable[[WaveProblem, Iterate, Array, int], Iterate],
    most: int,
    gives_up: bool = False,
) -> Cycle:
    here = problem.at(drive)
    drive, currents = here.drive.copy(), here.currents.copy()
    limit = TOLERANCE * np.maximum(np.abs(ports.phasor).max(axis=1), 1.0)
    live, active = np.arange(len(drive)), problem
    iterations, error = np.zeros(len(drive), int), np.full(len(drive), np.inf)
    sizes: deque[Array] = deque(maxlen=STUCK + 1)
    for turn in range(most):
        step = _newton_step(active, here)
        here = descend(active, here, step, turn)
        # What is left after a step bounds the next one: no need to take it where it is small already.
        size = [np.abs(each).max(axis=(1, 2)) for each in (step, here.left)]
        drive[live], currents[live], error[live] = here.drive, here.currents, np.minimum(*size)
        iterations[live] += 1
        lost = error[live] > limit[live]  # not so where it is not a number
        if gives_up:
            sizes.append(active.size(here.left))
            if len(sizes) > STUCK:
                lost &= sizes[-1] <= GAINED * sizes[0]
        if not lost.any():
            break
        if not lost.all():
            live, active, here = live[lost], active.subset(lost), here.subset(lost)
            sizes = deque((size[lost] for size in sizes), maxlen=STUCK + 1)
    return Cycle(
        currents, drive - problem.resistance * currents, iterations, error, error <= limit, error < 0.0
    )


def _resampled(problem: WaveProblem, start: Cycle) -> Array:
    """Drive from a similar solution at any number of samples."""
    old, new = start.volts.shape[2], problem.open.shape[2]
    place = np.arange(new) * (old / new)
    before = place.astype(int)
    share = place - before
    volts, currents = (
        (1.0 - share) * waves[..., before] + share * waves[..., (before + 1) % old]
        for waves in (start.volts, start.currents)
    )
    drive = volts + problem.resistance * currents
    usable = np.isfinite(drive).all(axis=(1, 2), keepdims=True)
    return np.where(usable, drive, problem.open)


def _newton_step(problem: WaveProblem, here: Iterate) -> Array:
    """Solve for the conducting samples only; the others follow from them."""
    count = len(here.slopes)
    flat = here.slopes.reshape(count, -1)
    chosen = _conducting(flat)
    slopes = np.take_along_axis(flat, chosen, axis=1)
    left = np.take_along_axis(here.left.reshape(count, -1), chosen, axis=1)
    matrix = _kernel_between(problem.kernel, chosen) * slopes[:, None, :]
    diagonal = np.arange(chosen.shape[1])
    matrix[:, diagonal, diagonal] += 1.0
    moved = solve_stack(matrix, -left[..., None])[..., 0]
    change = np.zeros_like(flat)
    np.put_along_axis(change, chosen, slopes * moved, axis=1)
    predicted = here.currents + change.reshape(here.slopes.shape)
    return np.asarray(problem.open - problem.sees(predicted) - here.drive)


def _conducting(slopes: Array) -> Array:
    """Places of the samples that conduct, equally many in each member: (N, W), or (1, W) for all alike."""
    conducting = slopes > 1e-9 * slopes.max(axis=1, keepdims=True)
    most = max(1, int(conducting.sum(axis=1).max(initial=1)))
    together = np.flatnonzero(conducting.any(axis=0))
    if 0 < len(together) <= ALIKE * most:
        return np.asarray(together[None])
    return np.asarray(np.argpartition(-slopes, most - 1, axis=1)[:, :most])


def _kernel_between(kernel: Array, chosen: Array) -> Array:
    """Volts at each chosen place for an ampere at each other: (N, W, W)."""
    count, ports, _, samples = kernel.shape
    port, sample = chosen // samples, chosen % samples
    lag = (sample[:, :, None] - sample[:, None, :]) % samples
    place = (port[:, :, None] * ports + port[:, None, :]) * samples + lag
    flat = kernel.reshape(count, -1)
    if len(place) == 1:
        return np.asarray(np.take(flat, place[0], axis=1))
    return np.take_along_axis(flat, place.reshape(count, -1), axis=1).reshape(place.shape)


def _descend(problem: WaveProblem, here: Iterate, step: Array, _: int) -> Iterate:
    """Full step, halved for the members whose error would grow."""
    scale = np.ones((len(step), 1, 1))
    before, floor = problem.size(here.left), problem.noise(here)
    for _ in range(HALVINGS):
        trial = problem.at(here.drive + scale * step)
        grown = ~(problem.size(trial.left) <= np.maximum(before, floor))
        if not grown.any():
            break
        scale[grown] *= 0.5
    return trial


def _descend_patiently(problem: WaveProblem, here: Iterate, step: Array, turn: int) -> Iterate:
    """Newton where it helps at once, relaxation where it does not: little at first, more as turns go by."""
    goal = np.maximum(0.7 * problem.size(here.left), problem.noise(here))
    trial = problem.at(here.drive + step)
    for scale in (0.5, None):
        poor = ~(problem.size(trial.left) <= goal)
        if not poor.any():
            break
        some, base = problem.subset(poor), here.subset(poor)
        if scale is not None:
            better = some.at(base.drive + scale * step[poor])
        else:
            better = base
            for _ in range(min(int(RELAXATIONS * MORE**turn), MOST)):
                better = some.relaxed(better)
        trial.take(poor, better)
    return trial


def _stiff_reservoir(problem: WaveProblem) -> Array:
    """Drive if the reservoir holds its voltage: one mean current per rectifier to find."""
    stiff = problem.beyond[:, 0].real
    mean: Array = np.zeros(problem.open.shape[:2])
    for _ in range(40):
        drive = problem.open - np.einsum("nrq,nq->nr", stiff, mean)[..., None]
        currents, slopes = problem.law.through(drive, problem.resistance)
        off = currents.mean(axis=2) - mean
        matrix = slopes.mean(axis=2)[..., None] * stiff + np.eye(mean.shape[1])
        step = solve_stack(matrix, off[..., None])[..., 0]
        mean = np.maximum(mean + step, 0.0)
        if np.abs(step).max() <= 1e-6 * (np.abs(mean).max() + 1e-12):
            break
    drive = problem.open - np.einsum("nrq,nq->nr", stiff, mean)[..., None]
    return np.asarray(drive)
