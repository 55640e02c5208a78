"""Rectifiers over one mains cycle, in steady state, without waiting for anything to settle.

The linear network is known at every harmonic (`poles.py`), so the rectifier currents i(t) at S
samples of the cycle are the only unknowns. With a = v + r i, r the resistance a rectifier sees at
once (its winding copper), the diode and that resistance are inverted exactly, i = h(a), and

    F(a) = a - open + (Z - r) h(a) = 0

where Z - r acts by circular convolution and is smooth. Newton needs only the samples that
conduct. Any r > 0 gives the same answer; this one makes the problem nearly linear. Progress is
judged by r (Z + r)^-1 F, the error as a travelling wave, because in a bridge Z itself is as large
as the leak of its diodes: a winding that floats can stand at any voltage.
Source: wave variables of passive networks, A. Fettweis, "Wave digital filters: theory and
practice", Proc. IEEE 74 (1986) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from tubekit.circuit.network import RectifierSet

Array = np.ndarray

TOLERANCE = 1e-8
"""Largest last correction of a drive voltage, relative to the alternating part of the open voltage [peak]."""
MAX_ITERATIONS = 60
HALVINGS = 10
LEAST_RESISTANCE = 1.0
COARSE = 64
"""Samples of the first solution, from which a finer one starts: cheap, and near enough for a few steps."""
CHUNK_ELEMENTS = 8_000_000


@dataclass(frozen=True, eq=False)
class Ports:
    """What the rectifiers see: `impedance` (N, K+1, R, R) at harmonics 0..K [Ω], `mean` (N, R) and
    `phasor` (N, R) of the open voltage [V]; S = 2 K samples per cycle.
    """

    impedance: Array
    mean: Array
    phasor: Array
    law: RectifierSet

    @property
    def samples(self) -> int:
        """S."""
        return 2 * (int(self.impedance.shape[1]) - 1)

    @property
    def resistance(self) -> Array:
        """What a rectifier sees at once while the others conduct, (N, R, 1) [Ω]."""
        least = LEAST_RESISTANCE * np.eye(self.impedance.shape[-1])
        inverse = np.linalg.inv(self.impedance[:, -1].real + least)
        top = 1.0 / np.einsum("nrr->nr", inverse) - LEAST_RESISTANCE
        return np.asarray(np.maximum(top, LEAST_RESISTANCE)[..., None])

    def open(self) -> Array:
        """Open voltage over the cycle (N, R, S) [V]."""
        angle = 2 * np.pi * np.arange(self.samples) / self.samples
        wave = (self.phasor[..., None] * np.exp(1j * angle)).real
        return np.asarray(self.mean[..., None] + wave)

    def coarse(self) -> Ports:
        """The same ports at fewer samples."""
        return Ports(self.impedance[:, : COARSE // 2 + 1], self.mean, self.phasor, self.law)

    def members(self, keep: slice) -> Ports:
        """Some of the batch."""
        return Ports(self.impedance[keep], self.mean[keep], self.phasor[keep], self.law.subset(keep))


@dataclass(frozen=True, eq=False)
class Cycle:
    """Steady state: `currents` (N, R, S) [A] and `volts` across each rectifier (N, R, S) [V]."""

    currents: Array
    volts: Array
    iterations: Array
    error: Array
    converged: Array

    def members(self, keep: slice) -> Cycle:
        """Some of the batch; a single solution stands for all."""
        return self if len(self.error) == 1 else Cycle(*(getattr(self, f.name)[keep] for f in fields(self)))


def solve_cycle(ports: Ports, start: Cycle | None = None) -> Cycle:
    """Periodic steady state of every member of the batch.

    `start` is the solution of a similar problem, at any number of samples.
    """
    count, rectifiers = ports.mean.shape
    size = max(1, CHUNK_ELEMENTS // (rectifiers * ports.samples) ** 2 * 4)
    chunks = [slice(k, k + size) for k in range(0, count, size)]
    parts = [_solve(ports.members(c), None if start is None else start.members(c)) for c in chunks]
    return Cycle(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Cycle)))


@dataclass(frozen=True, eq=False)
class _Problem:
    open: Array
    resistance: Array
    beyond: Array  # Z - r at the harmonics, (N, K+1, R, R)
    kernel: Array  # the same over time, (N, R, R, S)
    damping: Array  # r (Z + r)^-1 at the harmonics
    law: RectifierSet

    def subset(self, keep: Array) -> _Problem:
        return _Problem(
            self.open[keep], self.resistance[keep], self.beyond[keep], self.kernel[keep],
            self.damping[keep], self.law.subset(keep),
        )  # fmt: skip

    def sees(self, currents: Array) -> Array:
        """(Z - r) applied to currents (N, R, S)."""
        spectrum = np.fft.rfft(currents)
        answer = np.matmul(self.beyond, spectrum.transpose(0, 2, 1)[..., None])[..., 0]
        return np.asarray(np.fft.irfft(answer.transpose(0, 2, 1), n=currents.shape[-1]))

    def size(self, left: Array) -> Array:
        """How large an error (N, R, S) is as a travelling wave, (N,)."""
        spectrum = np.fft.rfft(left).transpose(0, 2, 1)[..., None]
        return np.asarray(np.linalg.norm(np.matmul(self.damping, spectrum)[..., 0], axis=(1, 2)))

    def at(self, drive: Array) -> _Iterate:
        currents, slopes = self.law.through(drive, self.resistance)
        return _Iterate(drive, drive - self.open + self.sees(currents), currents, slopes)


@dataclass(frozen=True, eq=False)
class _Iterate:
    drive: Array
    left: Array
    currents: Array
    slopes: Array

    def subset(self, keep: Array) -> _Iterate:
        return _Iterate(self.drive[keep], self.left[keep], self.currents[keep], self.slopes[keep])


def _pose(ports: Ports) -> _Problem:
    resistance = ports.resistance
    own = np.eye(resistance.shape[1]) * resistance[:, None]
    seen = np.concatenate((ports.impedance[:, :-1], ports.impedance[:, -1:].real), axis=1)  # no sine at K
    kernel = np.fft.irfft(seen - own, axis=1).transpose(0, 2, 3, 1)
    damping = np.matmul(own, np.linalg.inv(seen + own))
    return _Problem(ports.open(), resistance, seen - own, kernel, damping, ports.law)


def _solve(ports: Ports, start: Cycle | None) -> Cycle:
    problem = _pose(ports)
    here = problem.at(_begin(ports, problem, start))
    drive, currents = here.drive.copy(), here.currents.copy()
    limit = TOLERANCE * np.maximum(np.abs(ports.phasor).max(axis=1), 1.0)
    live, active = np.arange(len(drive)), problem
    iterations, error = np.zeros(len(drive), int), np.full(len(drive), np.inf)
    for _ in range(MAX_ITERATIONS):
        step = _newton_step(active, here)
        here = _descend(active, here, step)
        drive[live], currents[live], error[live] = here.drive, here.currents, np.abs(step).max(axis=(1, 2))
        iterations[live] += 1
        lost = error[live] > limit[live]  # not so where it is not a number
        if not lost.any():
            break
        if not lost.all():
            live, active, here = live[lost], active.subset(lost), here.subset(lost)
    return Cycle(currents, drive - problem.resistance * currents, iterations, error, error <= limit)


def _begin(ports: Ports, problem: _Problem, start: Cycle | None) -> Array:
    """Drive to start from: a similar solution, else a coarser one, else a reservoir that holds still."""
    if start is None and ports.samples > COARSE:
        start = _solve(ports.coarse(), None)
    if start is None:
        return _stiff_reservoir(problem)
    new = np.arange(ports.samples) / ports.samples
    old = np.arange(start.volts.shape[2] + 1) / start.volts.shape[2]
    volts, currents = (
        np.apply_along_axis(lambda wave: np.interp(new, old, np.append(wave, wave[0])), 2, waves)
        for waves in (start.volts, start.currents)
    )
    drive = volts + problem.resistance * currents
    usable = np.isfinite(drive).all(axis=(1, 2), keepdims=True)
    return np.where(usable, drive, problem.open)


def _newton_step(problem: _Problem, here: _Iterate) -> Array:
    """Solve for the conducting samples only; the others follow from them."""
    count, _, samples = here.slopes.shape
    flat = here.slopes.reshape(count, -1)
    conducting = flat > 1e-9 * flat.max(axis=1, keepdims=True)
    width = max(1, int(conducting.sum(axis=1).max(initial=1)))
    chosen = np.argpartition(-flat, width - 1, axis=1)[:, :width]
    member = np.arange(count)[:, None]
    port, sample = chosen // samples, chosen % samples
    lag = (sample[:, :, None] - sample[:, None, :]) % samples
    seen = problem.kernel[member[..., None], port[:, :, None], port[:, None, :], lag]
    matrix = seen * flat[member, chosen][:, None, :]
    diagonal = np.arange(width)
    matrix[:, diagonal, diagonal] += 1.0
    moved = np.linalg.solve(matrix, -here.left.reshape(count, -1)[member, chosen][..., None])[..., 0]
    change = np.zeros_like(flat)
    change[member, chosen] = flat[member, chosen] * moved
    predicted = here.currents + change.reshape(here.slopes.shape)
    return np.asarray(problem.open - problem.sees(predicted) - here.drive)


def _descend(problem: _Problem, here: _Iterate, step: Array) -> _Iterate:
    """Full step, halved for the members whose error would grow."""
    scale = np.ones((len(step), 1, 1))
    before = problem.size(here.left)
    for _ in range(HALVINGS):
        trial = problem.at(here.drive + scale * step)
        grown = ~(problem.size(trial.left) <= np.maximum(before, 1e-9))
        if not grown.any():
            break
        scale[grown] *= 0.5
    return trial


def _stiff_reservoir(problem: _Problem) -> Array:
    """Drive if the reservoir holds its voltage: one mean current per rectifier to find."""
    stiff = problem.beyond[:, 0].real
    mean: Array = np.zeros(problem.open.shape[:2])
    for _ in range(40):
        drive = problem.open - np.einsum("nrq,nq->nr", stiff, mean)[..., None]
        currents, slopes = problem.law.through(drive, problem.resistance)
        off = currents.mean(axis=2) - mean
        matrix = slopes.mean(axis=2)[..., None] * stiff + np.eye(mean.shape[1])
        step = np.linalg.solve(matrix, off[..., None])[..., 0]
        mean = np.maximum(mean + step, 0.0)
        if np.abs(step).max() <= 1e-6 * (np.abs(mean).max() + 1e-12):
            break
    drive = problem.open - np.einsum("nrq,nq->nr", stiff, mean)[..., None]
    return np.asarray(drive)
