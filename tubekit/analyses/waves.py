"""Rectifiers over one line cycle as an equation in wave variables.

The linear network is known at every harmonic (`poles.py`), so the rectifier currents i(t) at S
samples of the cycle are the only unknowns. With a = v + r i, r a resistance, the diode and that
resistance are inverted exactly, i = h(a), and

    F(a) = a - open + (Z - r) h(a) = 0

where Z - r acts by circular convolution and is smooth. Any r > 0 gives the same answer. The size of
an error is judged by r (Z + r)^-1 F, the error as a travelling wave, because in a bridge Z itself is
as large as the leak of its diodes: a winding that floats can stand at any voltage.
Source: wave variables of passive networks, A. Fettweis, "Wave digital filters: theory and
practice", Proc. IEEE 74 (1986) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import RectifierSet
from tubekit.circuit.reduction import inverse_stack
from tubekit.result_fields import Array

LEAST_RESISTANCE = 1.0
FLOATING = 1e6
"""What rectifiers see of a winding that only leakage ties [Ω]; no part of a supply is as large."""
ROUNDING = 2e-15
"""Relative error of a convolution in double precision."""


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
        """What a rectifier sees at once while the others conduct, (N, R, 1) [Ω].

        Its winding copper, mostly: with it as r the problem is nearly linear.
        """
        least = LEAST_RESISTANCE * np.eye(self.impedance.shape[-1])
        inverse = inverse_stack(self.impedance[:, -1].real + least)
        top = 1.0 / np.einsum("nrr->nr", inverse) - LEAST_RESISTANCE
        return np.asarray(np.maximum(top, LEAST_RESISTANCE)[..., None])

    @property
    def floating(self) -> Array:
        """Whether nothing but leakage ties a winding of it, (N,)."""
        return np.asarray(np.abs(self.impedance[:, -1]).max(axis=(1, 2)) > FLOATING)

    def open(self) -> Array:
        """Open voltage over the cycle (N, R, S) [V]."""
        angle = 2 * np.pi * np.arange(self.samples) / self.samples
        wave = (self.phasor[..., None] * np.exp(1j * angle)).real
        return np.asarray(self.mean[..., None] + wave)

    def sampled(self, samples: int) -> Ports:
        """The same ports at fewer samples."""
        return Ports(self.impedance[:, : samples // 2 + 1], self.mean, self.phasor, self.law)

    def leaking(self, siemens: float) -> Ports:
        """The same ports with a leak across each rectifier [S]."""
        eased = inverse_stack(np.eye(self.mean.shape[1]) + siemens * self.impedance)
        mean, phasor = (
            np.matmul(eased[:, k], volts[..., None])[..., 0]
            for k, volts in enumerate((self.mean, self.phasor))
        )
        return Ports(np.matmul(eased, self.impedance), mean.real, phasor, self.law)

    def members(self, keep: slice | Array) -> Ports:
        """Some of the batch."""
        return Ports(self.impedance[keep], self.mean[keep], self.phasor[keep], self.law.subset(keep))


@dataclass(frozen=True, eq=False)
class WaveProblem:
    """F(a) = 0 for a batch; `resistance` (N, R, 1) is r [Ω]."""

    open: Array
    resistance: Array
    beyond: Array  # Z - r at the harmonics, (N, K+1, R, R)
    kernel: Array  # the same over time, (N, R, R, S)
    damping: Array  # r (Z + r)^-1 at the harmonics
    law: RectifierSet

    def subset(self, keep: Array) -> WaveProblem:
        """Some of the batch."""
        return WaveProblem(
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
        return np.asarray(np.linalg.norm(self._travelling(left), axis=(1, 2)))

    def noise(self, here: Iterate) -> Array:
        """What rounding leaves of an error as a travelling wave: amperes seen through megohms, (N,)."""
        ohms = np.abs(self.beyond).max(axis=(1, 2, 3))
        return np.asarray(np.maximum(ROUNDING * ohms * np.linalg.norm(here.currents, axis=(1, 2)), 1e-9))

    def relaxed(self, here: Iterate) -> Iterate:
        """One step of Douglas and Rachford: sure in a passive network, but slow."""
        wave = self._travelling(here.left).transpose(0, 2, 1)
        return self.at(here.drive - np.fft.irfft(wave, n=here.drive.shape[-1]))

    def _travelling(self, left: Array) -> Array:
        spectrum = np.fft.rfft(left).transpose(0, 2, 1)[..., None]
        return np.asarray(np.matmul(self.damping, spectrum)[..., 0])

    def at(self, drive: Array) -> Iterate:
        """Evaluate at a trial drive."""
        currents, slopes = self.law.through(drive, self.resistance)
        return Iterate(drive, drive - self.open + self.sees(currents), currents, slopes)


@dataclass(frozen=True, eq=False)
class Iterate:
    """A trial a, what is left of F there, the currents h(a) and their slopes, all (N, R, S)."""

    drive: Array
    left: Array
    currents: Array
    slopes: Array

    def take(self, where: Array, other: Iterate) -> None:
        """Put `other` in the place of some of the batch."""
        self.drive[where], self.left[where] = other.drive, other.left
        self.currents[where], self.slopes[where] = other.currents, other.slopes

    def subset(self, keep: Array) -> Iterate:
        """Some of the batch."""
        return Iterate(self.drive[keep], self.left[keep], self.currents[keep], self.slopes[keep])


def pose(ports: Ports, resistance: Array) -> WaveProblem:
    """The equation of some ports for a choice of r (N, R, 1) [Ω]."""
    own = np.eye(resistance.shape[1]) * resistance[:, None]
    seen = np.concatenate((ports.impedance[:, :-1], ports.impedance[:, -1:].real), axis=1)  # no sine at K
    kernel = np.ascontiguousarray(np.fft.irfft(seen - own, axis=1).transpose(0, 2, 3, 1))
    damping = np.matmul(own, inverse_stack(seen + own))
    return WaveProblem(ports.open(), resistance, seen - own, kernel, damping, ports.law)
