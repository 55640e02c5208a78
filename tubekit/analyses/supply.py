"""The network as its rectifiers see it: impedance at every harmonic, open voltage, mean and ripple."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tubekit.analyses.cycle import Cycle, mean_slopes, nothing_rectified, solve_cycle
from tubekit.analyses.harmonics import Harmonics
from tubekit.analyses.operating_point import Feed, OperatingPoint
from tubekit.analyses.waves import Ports
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal, held_slopes
from tubekit.circuit.reduction import HELD, Reduced, reduce_with_rectifiers, solve_linear, solve_stack
from tubekit.result_fields import Array

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
    reduced: Reduced | None = None

    @cached_property
    def ports(self) -> Reduced:
        """The network at the ports of its tubes, then of its rectifiers: reduced once for all rounds."""
        return self.reduced or reduce_with_rectifiers(self.network)

    def members(self, keep: Array) -> Supply:
        """Some members of the batch."""
        return replace(self, network=self.network.members(keep), reduced=self.ports.members(keep))

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
        tubes = block_diagonal(network.groups, slopes)
        still = point.port_currents - np.einsum("bpq,bq->bp", tubes, point.port_volts)
        harmonics = Harmonics(network, self.s, self.edge, matrix, self.rails_only)
        idle = Feed.of(np.zeros((len(network.dc), self.edge.shape[1])))
        cycle, feed = self._rectified(self._linear(still, tubes, idle)[0], harmonics, near)
        volts, currents = self._linear(still, tubes, feed)
        at_tubes, mean = volts[:, : tubes.shape[1], 0], self.ports.unknowns(currents)
        return SupplyState(cycle, harmonics, at_tubes, mean, feed)

    def _linear(self, still: Array, tubes: Array, feed: Feed) -> tuple[Array, Array]:
        """The ports with tubes and rectifiers as straight lines: their volts, and what an ampere out of each
        rectifier's takes from them (N, P + R, 1 + R); and their currents (N, P + R).
        """
        ports, count = self.ports, still.shape[1]
        lines = np.zeros(ports.resistance.shape)
        lines[:, :count, :count] = tubes - np.diag(held_slopes(ports.network.groups))
        lines[:, count:, count:] = feed.slopes - HELD * np.eye(self.edge.shape[1])
        carried = np.concatenate((still, feed.still), axis=1)
        matrix = np.eye(len(lines[0])) + np.matmul(ports.resistance, lines)
        alone = ports.open - np.matmul(ports.resistance, carried[..., None])[..., 0]
        right = np.concatenate((alone[..., None], ports.resistance[:, :, count:]), axis=2)
        volts = solve_stack(matrix, right)
        return volts, carried + np.matmul(lines, volts[..., :1])[..., 0]

    def _rectified(self, ports: Array, harmonics: Harmonics, near: Cycle | None) -> tuple[Cycle, Feed]:
        """The rectifiers over a cycle of the network with its tubes as lines, `ports` as from `_linear`."""
        network, count = self.network, len(ports)
        if not network.rectifiers:
            return nothing_rectified(count, self.samples), Feed.of(np.zeros((count, 0)))
        own = ports[:, -self.edge.shape[1] :]
        impedance = harmonics.impedance()
        impedance[:, 0] = own[..., 1:]
        seen = Ports(impedance, own[..., 0], harmonics.open_phasors(), network.rectifier_laws())
        cycle = solve_cycle(seen, near)
        means = cycle.currents.mean(axis=2)
        held = np.where(means > NOTHING, HOLDING, 0.0)
        slopes = mean_slopes(seen, cycle) + held[..., None] * np.eye(self.edge.shape[1])
        return cycle, Feed(means, cycle.volts.mean(axis=2), slopes)


@dataclass(frozen=True, eq=False)
class SupplyState:
    """Rectifier waveforms and what follows from them: the mean volts of the tubes' `ports` (N, P) and the
    `mean` (N, n) of every unknown, with the tubes as their slopes; `feed`, what the tubes see of it.
    """

    cycle: Cycle
    harmonics: Harmonics
    ports: Array
    mean: Array
    feed: Feed

    def spectrum(self, means: Array, keep: Array) -> Array:
        """Peak phasors of every unknown at harmonics 0..K, (N, K+1, n), of the members `keep`; `means` (N, n)
        are those of order nil.
        """
        spectrum = self.harmonics.all(self.cycle.currents, np.flatnonzero(keep))
        spectrum[:, 0] = means[keep]
        return spectrum
