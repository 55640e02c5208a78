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

import dataclasses
from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import RectifierSet

Array = np.ndarray

TOLERANCE = 1e-8
"""Largest last correction of a drive voltage, relative to the peak of the open voltage."""
MAX_ITERATIONS = 60
LEAST_RESISTANCE = 1.0
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


@dataclass(frozen=True, eq=False)
class Cycle:
    """Steady state: `currents` (N, R, S) [A], `volts` across each rectifier (N, R, S) [V],
    `drive` a (N, R, S) for a warm start.
    """

    currents: Array
    volts: Array
    drive: Array
    iterations: Array
    error: Array
    converged: Array


def solve_cycle(ports: Ports, start: Array | None = None) -> Cycle:
    """Periodic steady state of every member of the batch.

    `start` is the `drive` of a similar solution.
    """
    count, rectifiers = ports.mean.shape
    size = max(1, CHUNK_ELEMENTS // (rectifiers * ports.samples) ** 2 * 4)
    parts = [
        _solve(_slice(ports, slice(k, k + size)), None if start is None else start[k : k + size])
        for k in range(0, count, size)
    ]
    return Cycle(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in dataclasses.fields(Cycle)))


def _slice(ports: Ports, keep: slice) -> Ports:
    return Ports(ports.impedance[keep], ports.mean[keep], ports.phasor[keep], ports.law.subset(keep))


@dataclass(frozen=True, eq=False)
class _Problem:
    open: Array
    resistance: Array
    beyond: Array  # Z - r at the harmonics, (N, K+1, R, R)
    damping: Array  # r (Z + r)^-1 there
    law: RectifierSet

    def sees(self, currents: Array) -> Array:
        """(Z - r) applied to currents (N, R, S)."""
        spectrum = np.fft.rfft(currents)
        answer = np.matmul(self.beyond, spectrum.transpose(0, 2, 1)[..., None])[..., 0]
        return np.asarray(np.fft.irfft(answer.transpose(0, 2, 1), n=currents.shape[-1]))

    def size(self, left: Array) -> Array:
        """How large an error (N, R, S) is as a travelling wave, (N,)."""
        spectrum = np.fft.rfft(left).transpose(0, 2, 1)[..., None]
        return np.asarray(np.linalg.norm(np.matmul(self.damping, spectrum)[..., 0], axis=(1, 2)))

    def evaluate(self, drive: Array) -> tuple[Array, Array, Array]:
        currents, slopes = self.law.through(drive, self.resistance)
        return drive - self.open + self.sees(currents), currents, slopes


def _solve(ports: Ports, start: Array | None) -> Cycle:
    resistance = ports.resistance
    own = np.eye(resistance.shape[1]) * resistance[:, None]
    seen = np.concatenate((ports.impedance[:, :-1], ports.impedance[:, -1:].real), axis=1)  # no sine at K
    beyond, damping = seen - own, np.matmul(own, np.linalg.inv(seen + own))
    problem = _Problem(ports.open(), resistance, beyond, damping, ports.law)
    kernel = np.fft.irfft(beyond, axis=1).transpose(0, 2, 3, 1)
    drive = _first_guess(problem) if start is None else start.copy()
    scale = np.abs(problem.open).max(axis=(1, 2))
    iterations, error = np.zeros(len(drive), int), np.full(len(drive), np.inf)
    left, currents, slopes = problem.evaluate(drive)
    for _ in range(MAX_ITERATIONS):
        step = _newton_step(problem, kernel, left, currents, slopes, drive)
        error = np.abs(step).max(axis=(1, 2))
        drive, left, currents, slopes = _descend(problem, drive, step, left)
        iterations += error > TOLERANCE * scale
        if (error <= TOLERANCE * scale).all():
            break
    return Cycle(
        currents, drive - resistance * currents, drive, iterations, error, error <= TOLERANCE * scale
    )


def _newton_step(
    problem: _Problem, kernel: Array, left: Array, currents: Array, slopes: Array, drive: Array
) -> Array:
    """Solve for the conducting samples only; the others follow from them."""
    count, _, samples = slopes.shape
    flat = slopes.reshape(count, -1)
    width = int((flat > 1e-9 * flat.max()).sum(axis=1).max(initial=1)) or 1
    chosen = np.argpartition(-flat, width - 1, axis=1)[:, :width]
    member = np.arange(count)[:, None]
    port, sample = chosen // samples, chosen % samples
    lag = (sample[:, :, None] - sample[:, None, :]) % samples
    seen = kernel[member[..., None], port[:, :, None], port[:, None, :], lag]
    matrix = seen * flat[member, chosen][:, None, :]
    diagonal = np.arange(width)
    matrix[:, diagonal, diagonal] += 1.0
    moved = np.linalg.solve(matrix, -left.reshape(count, -1)[member, chosen][..., None])[..., 0]
    change = np.zeros_like(flat)
    change[member, chosen] = flat[member, chosen] * moved
    predicted = currents + change.reshape(slopes.shape)
    return np.asarray(problem.open - problem.sees(predicted) - drive)


def _descend(problem: _Problem, drive: Array, step: Array, left: Array) -> tuple[Array, Array, Array, Array]:
    scale = np.ones((len(drive), 1, 1))
    before = problem.size(left)
    for _ in range(10):
        trial = drive + scale * step
        after, currents, slopes = problem.evaluate(trial)
        grown = ~(problem.size(after) <= np.maximum(before, 1e-9))
        if not grown.any():
            break
        scale[grown] *= 0.5
    return trial, after, currents, slopes


def _first_guess(problem: _Problem) -> Array:
    """Drive with a reservoir that holds its voltage: one mean current per rectifier to find."""
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
