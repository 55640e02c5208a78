"""The network as its rectifiers see it: impedance at every harmonic, open voltage, mean and ripple."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from tubekit.analyses.cycle import Cycle, nothing_rectified, solve_cycle
from tubekit.analyses.harmonics import Harmonics
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.analyses.waves import Ports
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.reduction import solve_linear

Array = np.ndarray

BATTERY_SHARE, BATTERY_OHMS = 0.85, 1000.0
"""First guess: a rectifier is a battery of this share of the open peak behind this resistance [Ω]."""


@dataclass(frozen=True, eq=False)
class Supply:
    """A network, its mains frequency [Hz] and the number of samples per cycle."""

    network: Network
    frequency_hz: float
    samples: int
    rails_only: bool = False

    @property
    def s(self) -> Array:
        """Complex frequencies of harmonics 0..K [rad/s]."""
        return 2j * np.pi * self.frequency_hz * np.arange(self.samples // 2 + 1)

    @property
    def edge(self) -> Array:
        """Incidence of the rectifier ports, (n, R)."""
        return self.network.rectifier_incidence

    def guess(self) -> Array:
        """First mean rectifier currents (N, R) [A]."""
        network = self.network
        matrix = network.conductance + self.s[1] * network.storage
        still = solve_linear(network, matrix, network.ac[..., None].astype(complex))[..., 0]
        battery = BATTERY_SHARE * np.abs(still @ self.edge)
        held = dataclasses.replace(
            network,
            conductance=network.conductance + self.edge @ self.edge.T / BATTERY_OHMS,
            dc=network.dc + (battery / BATTERY_OHMS) @ self.edge.T,
        )
        point = solve_network(held)
        return np.asarray(np.maximum((battery - point.unknowns @ self.edge) / BATTERY_OHMS, 0.0))

    def cycle(self, point: OperatingPoint, near: Cycle | None) -> Answer:
        """One mains cycle with the tubes replaced by their slopes at `point`."""
        network, slopes = self.network, list(point.slopes)
        matrix = linearised(network, slopes)
        moved = np.einsum("bpq,bq->bp", block_diagonal(network.groups, slopes), point.port_volts)
        right = network.dc - (point.port_currents - moved) @ network.incidence.T
        ports = np.broadcast_to(self.edge, (len(right), *self.edge.shape))
        at_dc = solve_linear(network, matrix, np.concatenate((right[..., None], ports), axis=2))
        rest, per_ampere = at_dc[:, :, 0], at_dc[:, :, 1:]
        harmonics = Harmonics(network, self.s, self.edge, matrix, self.rails_only)
        impedance = harmonics.impedance()
        impedance[:, 0] = self.edge.T @ per_ampere
        if network.rectifiers:
            laws = network.rectifier_laws()
            cycle = solve_cycle(Ports(impedance, rest @ self.edge, harmonics.open_phasors(), laws), near)
        else:
            cycle = nothing_rectified(len(rest), self.samples)
        mean = rest - np.einsum("bnr,br->bn", per_ampere, cycle.currents.mean(axis=2))
        return Answer(cycle, harmonics, mean)


@dataclass(frozen=True, eq=False)
class Answer:
    """Rectifier waveforms and what follows from them; `mean` (N, n) of every unknown."""

    cycle: Cycle
    harmonics: Harmonics
    mean: Array

    def spectrum(self) -> Array:
        """Peak phasors of every unknown at harmonics 0..K, (N, K+1, n)."""
        spectrum = self.harmonics.all(self.cycle.currents)
        spectrum[:, 0] = self.mean
        return spectrum
