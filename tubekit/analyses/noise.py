"""Noise at a node: every resistor's heat, every tube's shot noise, carried there by the circuit itself.

One adjoint solve per frequency gives the way from every part to the node at once.

    resistor   v² = 4 k T R                        [V²/Hz]
    triode     R_eq = 2.5 / gm                     at the grid
    pentode    R_eq = Ip / (Ip + Is) · (2.5 / gm + 20 Is / gm²)
    flicker    the tube's noise grows by 1 + f_k / f below f_k

Sources: H. Nyquist, Phys. Rev. 32 (1928) 110; W. A. Harris, RCA Review 5 (1941) 505, and D. O. North,
RCA Review 4 (1940) 441 for the equivalent resistances (from memory). f_k is common practice, no source:
selected input tubes lie below it, microphonic and worn ones far above.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.analyses.elimination import respond
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.part_sensitivity import across, coil_rows, picker
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import GROUND, Device, Resistor, Windings
from tubekit.circuit.threads import on_one_core
from tubekit.errors import CircuitError
from tubekit.text import Printed, Table, headed, quantity

Array = np.ndarray

BOLTZMANN = 1.380649e-23
"""[J/K]; SI, exact."""
KELVIN = 300.0
"""Temperature of the parts in a warm chassis [K]; common practice, no source."""
FLICKER_HZ = 1000.0
"""Where a tube's flicker noise equals its shot noise [Hz]; common practice, no source."""
LEAST_A = 1e-9
"""A tube that carries less makes no noise worth adding [A]."""


@dataclass(frozen=True, eq=False, repr=False)
class Noise(Printed):
    """Noise voltage at a node, and where it comes from."""

    title: str
    node: str
    sources: tuple[str, ...]
    frequencies_hz: Array = quantity("Hz", "f", "where it was calculated, (K,)")
    density: Array = quantity("V²/Hz", "S", "of each source at the node, (N, K, P)")

    @property
    def total_rms(self) -> Array:
        """Noise over the whole band [V], (N,)."""
        return np.asarray(np.sqrt(self._band(self.density.sum(axis=2))))

    @property
    def source_rms(self) -> Array:
        """The same for each source [V], (N, P)."""
        return np.asarray(np.sqrt(np.moveaxis(self._band(np.moveaxis(self.density, 2, 0)), 0, 1)))

    def _band(self, density: Array) -> Array:
        return np.asarray(np.trapezoid(density, self.frequencies_hz, axis=-1))

    def headline(self) -> str:
        """Total in its band."""
        low, high = self.frequencies_hz[[0, -1]]
        volts = float(self.total_rms[0])
        band = f"{low:g} Hz to {high:g} Hz"
        return f"Noise of {self.title or 'a circuit'} at {self.node}: {volts * 1e3:.3g} mV, {band}"

    def tables(self) -> list[Table]:
        """The ten strongest sources."""
        sizes = self.source_rms
        order = np.argsort(-sizes[0])[:10]
        total = self.total_rms
        rows = [(self.sources[k], sizes[:, k], 100 * (sizes[:, k] / total) ** 2) for k in order]
        heads = headed("source", "at the node [V]", "of the power [%] .1f")
        note = f"Parts at {KELVIN:g} K; tubes' flicker noise from {FLICKER_HZ:g} Hz down (common practice)."
        return [Table("Noise", heads, rows, note=note)]


@on_one_core
def noise(
    point: OperatingPoint, node: str, frequencies_hz: Array | Sequence[float], *, to: str = GROUND
) -> Noise:
    """Noise at `node` against `to` over a band; frequencies (K,) rise from its lower to its upper edge.

    Examples
    --------
    >>> from tubekit.analyses.operating_point import operating_point
    >>> from tubekit.circuit.parts import Circuit
    >>> point = operating_point(Circuit((Resistor("R1", "a", "ground", 1e6),)))
    >>> print(f"{noise(point, 'a', np.linspace(20, 20e3, 50)).total_rms[0] * 1e6:.1f} µV")
    18.2 µV
    """
    band = np.asarray(frequencies_hz, float)
    if band.ndim != 1 or len(band) < 2 or not (np.diff(band) > 0).all() or band[0] <= 0:
        raise CircuitError("a band needs rising frequencies above zero", part=node)
    network = point.network
    point.volts(node, to)
    matrix = linearised(network, list(point.slopes)).transpose(0, 2, 1)  # C is symmetric
    adjoint = respond(network, matrix, picker(network, node, to), 2j * np.pi * band)
    result = [*_of_parts(point, adjoint), *_of_tubes(point, adjoint, band)]
    density = np.stack([np.broadcast_to(each, adjoint.shape[:2]) for _, each in result], axis=2)
    return Noise(point.circuit.title, node, tuple(name for name, _ in result), band, density)


def _of_parts(point: OperatingPoint, adjoint: Array) -> Iterator[tuple[str, Array]]:
    network = point.network
    for part in point.circuit.parts:
        if isinstance(part, Resistor):
            way = np.abs(across(network, adjoint, part.a, part.b)) ** 2
            yield part.name, 4 * BOLTZMANN * KELVIN / _column(part.ohms) * way
        elif isinstance(part, Windings):
            ways = np.abs(adjoint[..., coil_rows(network, part)]) ** 2
            power = sum(ways[..., j] * _column(ohms) for j, ohms in enumerate(part.ohms))
            yield part.name, 4 * BOLTZMANN * KELVIN * np.asarray(power)


def _of_tubes(point: OperatingPoint, adjoint: Array, band: Array) -> Iterator[tuple[str, Array]]:
    network = point.network
    for group, slopes in zip(network.groups, point.slopes, strict=True):
        terminals = group.law.terminals
        if "grid" not in terminals:
            continue
        for j, name in enumerate(group.names):
            first = group.ports.start + j * group.width
            currents = point.port_currents[:, first : first + group.width]
            gm = np.maximum(slopes[:, j, terminals.index("plate"), terminals.index("grid")], 1e-12)
            plate = np.maximum(currents[:, terminals.index("plate")], LEAST_A)
            screen = currents[:, terminals.index("screen")] if "screen" in terminals else 0.0 * plate
            ohms = equivalent_ohms(gm, plate, np.maximum(screen, 0.0))
            device = next(each for each in point.circuit.of(Device) if each.name == name)
            way = np.abs(across(network, adjoint, device.terminals[terminals.index("plate")], device.cathode))
            white = 4 * BOLTZMANN * KELVIN * ohms * gm**2
            yield name, white[:, None] * way**2 * (1 + FLICKER_HZ / band)


def equivalent_ohms(gm: Array | float, plate_a: Array | float, screen_a: Array | float = 0.0) -> Array:
    """Resistor at the grid [Ω] that would make as much noise as the tube does, flicker left out.

    Examples
    --------
    >>> float(equivalent_ohms(1.6e-3, 1.2e-3).round(1))  # 2.5 / gm
    1562.5
    """
    plate, screen, gm = np.asarray(plate_a), np.asarray(screen_a), np.asarray(gm)
    return np.asarray(plate / (plate + screen) * (2.5 / gm + 20 * screen / gm**2))


def _column(value: float | Array) -> Array:
    """(1,) or (N,) as a column against the frequencies."""
    return np.atleast_1d(np.asarray(value, float))[:, None]
