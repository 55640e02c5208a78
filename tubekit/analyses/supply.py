"""The network as its rectifiers see it: impedance at every harmonic, open voltage, mean and ripple."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from tubekit.analyses.cycle import Cycle, Ports, solve_cycle
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.analyses.poles import PoleForm, direct_transfer, pole_form
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.parts import VoltageSource
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

    @property
    def s(self) -> Array:
        """Complex frequencies of harmonics 0..K [rad/s]."""
        return 2j * np.pi * self.frequency_hz * np.arange(self.samples // 2 + 1)

    @property
    def edge(self) -> Array:
        """Incidence of the rectifier ports, (n, R)."""
        return self.network.rectifier_incidence

    def inputs(self) -> tuple[Array, Array]:
        """Unit inputs (n, I): rectifier ports, then the sources; and the sources' phasors."""
        network = self.network
        rows = [network.unknowns.index(f"I({p.name})") for p in network.circuit.of(VoltageSource)]
        sources = np.eye(len(network.unknowns))[:, rows]
        return np.concatenate((self.edge, sources), axis=1), network.ac[:, rows]

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

    def cycle(self, point: OperatingPoint, drive: Array | None) -> Answer:
        """One mains cycle with the tubes replaced by their slopes at `point`."""
        network, slopes = self.network, list(point.slopes)
        matrix = linearised(network, slopes)
        moved = np.einsum("bpq,bq->bp", block_diagonal(network.groups, slopes), point.port_volts)
        right = network.dc - (point.port_currents - moved) @ network.incidence.T
        ports = np.broadcast_to(self.edge, (len(right), *self.edge.shape))
        at_dc = solve_linear(network, matrix, np.concatenate((right[..., None], ports), axis=2))
        rest, per_ampere = at_dc[:, :, 0], at_dc[:, :, 1:]
        harmonics = Harmonics(self, matrix)
        impedance = harmonics.impedance()
        impedance[:, 0] = self.edge.T @ per_ampere
        laws = network.rectifier_laws()
        cycle = solve_cycle(Ports(impedance, rest @ self.edge, harmonics.open_phasors(), laws), drive)
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


class Harmonics:
    """Answers of the linear network at the harmonics, by poles where they can be trusted."""

    def __init__(self, supply: Supply, matrix: Array) -> None:
        self.supply = supply
        self.inputs, self.phasors = supply.inputs()
        self.ports = supply.edge.shape[1]
        outputs = np.eye(len(supply.network.unknowns))
        self.form = pole_form(supply.network, matrix, outputs, self.inputs)
        self.table: Array | None = None
        if self.form is None:
            self.table = direct_transfer(supply.network, matrix, outputs, self.inputs, supply.s[1:])

    def impedance(self) -> Array:
        """Port impedances (N, K+1, R, R) [Ω]; harmonic 0 is left to the caller."""
        edge, ports = self.supply.edge.T, slice(0, self.ports)
        if self.form is not None:
            form, s = self.form, self.supply.s[1:]
            seen = PoleForm(
                form.eigenvalues, edge @ form.left, form.right[..., ports], edge @ form.direct[..., ports]
            ).at(s)
        else:
            assert self.table is not None
            seen = edge @ self.table[..., ports]
        return np.concatenate((np.zeros_like(seen[:, :1]), seen), axis=1)

    def open_phasors(self) -> Array:
        """Open-voltage peak phasors of the rectifiers (N, R) [V]."""
        drive = np.zeros((len(self.phasors), 1, self.inputs.shape[1]), complex)
        drive[:, 0, self.ports :] = self.phasors
        return np.asarray(self._respond(drive)[:, 0] @ self.supply.edge)

    def all(self, currents: Array) -> Array:
        """Peak phasors of every unknown (N, K+1, n) for rectifier currents (N, R, S)."""
        spectrum = np.fft.rfft(currents)[:, :, 1:] * (2.0 / currents.shape[2])
        spectrum[:, :, -1] *= 0.5  # the last harmonic has no mirror image
        drive = np.zeros((len(currents), spectrum.shape[2], self.inputs.shape[1]), complex)
        drive[:, :, : self.ports] = -spectrum.transpose(0, 2, 1)
        drive[:, 0, self.ports :] = self.phasors
        answer = self._respond(drive)
        return np.concatenate((np.zeros_like(answer[:, :1]), answer), axis=1)

    def _respond(self, drive: Array) -> Array:
        s = self.supply.s[1 : 1 + drive.shape[1]]
        if self.form is not None:
            return self.form.respond(s, drive)
        assert self.table is not None
        return np.asarray(np.einsum("nkji,nki->nkj", self.table[:, : len(s)], drive))


def wave(spectrum: Array, samples: int) -> Array:
    """From peak phasors (N, K+1) to samples (N, S), S at least 2 K."""
    scaled = spectrum * (samples / 2.0)
    scaled[:, 0] *= 2.0
    if samples == 2 * (scaled.shape[1] - 1):
        scaled[:, -1] *= 2.0
    return np.asarray(np.fft.irfft(scaled, n=samples, axis=1))
