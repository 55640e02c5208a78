"""The network as its rectifiers see it: impedance at every harmonic, open voltage, mean and ripple."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tubekit.analyses.cycle import Cycle, mean_slopes, nothing_rectified, solve_cycle
from tubekit.analyses.harmonics import Harmonics
from tubekit.analyses.operating_point import Feed, OperatingPoint
from tubekit.analyses.waves import Ports
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.reduction import solve_linear

Array = np.ndarray

BATTERY_SHARE, BATTERY_OHMS = 0.85, 1000.0
"""First guess: a rectifier is a battery of this share of the open peak behind this resistance [Ω]."""
HOLDING = 1e-5
"""Slope [S] added to every rectifier's line. It moves nothing once supply and tubes agree, and keeps where
the cycle put it what only leakage holds, such as a winding that floats between pulses.
"""
NOTHING = 1e-5
"""A rectifier that delivers less is not held so: its rail is a network that next to nothing feeds [A]."""


@dataclass(frozen=True, eq=False)
class Supply:
    """A network, its line frequency [Hz] and the number of samples per cycle."""

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

    def guess(self) -> Feed:
        """First guess at what the rectifiers feed."""
        network = self.network
        matrix = network.conductance + self.s[1] * network.storage
        still = solve_linear(network, matrix, network.ac[..., None].astype(complex))[..., 0]
        battery = BATTERY_SHARE * np.abs(still @ self.edge)
        slope = np.broadcast_to(np.eye(self.edge.shape[1]) / BATTERY_OHMS, (*battery.shape, battery.shape[1]))
        return Feed(np.zeros_like(battery), -battery, slope)

    def cycle(self, point: OperatingPoint, near: Cycle | None) -> SupplyState:
        """One line cycle with the tubes replaced by their slopes at `point`."""
        network, slopes = self.network, list(point.slopes)
        matrix = linearised(network, slopes)
        moved = np.einsum("bpq,bq->bp", block_diagonal(network.groups, slopes), point.port_volts)
        tubes = replace(
            network, conductance=matrix, dc=network.dc - (point.port_currents - moved) @ network.incidence.T
        )
        harmonics = Harmonics(network, self.s, self.edge, matrix, self.rails_only)
        cycle, feed = self._rectified(tubes, harmonics, near)
        fed = feed.into(tubes)
        mean = solve_linear(fed, fed.conductance, fed.dc[..., None])[..., 0]
        return SupplyState(cycle, harmonics, mean, feed)

    def _rectified(self, tubes: Network, harmonics: Harmonics, near: Cycle | None) -> tuple[Cycle, Feed]:
        """The rectifiers over a cycle of the linear network `tubes`."""
        count = len(tubes.dc)
        if not tubes.rectifiers:
            return nothing_rectified(count, self.samples), Feed.of(np.zeros((count, 0)))
        ports = np.broadcast_to(self.edge, (count, *self.edge.shape))
        at_dc = solve_linear(tubes, tubes.conductance, np.concatenate((tubes.dc[..., None], ports), axis=2))
        impedance = harmonics.impedance()
        impedance[:, 0] = self.edge.T @ at_dc[:, :, 1:]
        seen = Ports(impedance, at_dc[:, :, 0] @ self.edge, harmonics.open_phasors(), tubes.rectifier_laws())
        cycle = solve_cycle(seen, near)
        means = cycle.currents.mean(axis=2)
        held = np.where(means > NOTHING, HOLDING, 0.0)
        slopes = mean_slopes(seen, cycle) + held[..., None] * np.eye(self.edge.shape[1])
        return cycle, Feed(means, cycle.volts.mean(axis=2), slopes)


@dataclass(frozen=True, eq=False)
class SupplyState:
    """Rectifier waveforms and what follows from them: the `mean` (N, n) of every unknown, with the tubes as
    their slopes; `feed`, what the tubes see of it.
    """

    cycle: Cycle
    harmonics: Harmonics
    mean: Array
    feed: Feed

    def spectrum(self, means: Array) -> Array:
        """Peak phasors of every unknown at harmonics 0..K, (N, K+1, n), `means` (N, n) those of order nil."""
        spectrum = self.harmonics.all(self.cycle.currents)
        spectrum[:, 0] = means
        return spectrum
