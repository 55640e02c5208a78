"""Gain at the idle point: tubes as slopes, capacitors and coils as they stand.

`frequency_response` puts a signal on a node and reads it elsewhere: the gain a technician finds with
a probe. `stage_gains` puts one volt into each grid's own lead, so that each stage is loaded by what
follows it while nothing before it is disturbed. Rectifiers count as open, rails as their capacitors.

Noise at a node: every resistor's heat, every tube's shot noise, carried there by the circuit itself.

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
from tubekit.analyses.natural_modes import natural_modes
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.part_sensitivity import across, coil_rows, picker
from tubekit.analyses.poles import transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.newton import block_diagonal, on_one_core
from tubekit.circuit.parts import GROUND, Device, Resistor, Windings
from tubekit.circuit.reduction import solve_linear
from tubekit.errors import CircuitError, SolveError, warn_batch
from tubekit.result_fields import Array, evenly
from tubekit.text import Column, Printed, Table, headed, quantity

HELD_SIEMENS = 1e3
"""Conductance of the source that drives a node, when poles are asked for [S]: near enough to a short."""


@dataclass(frozen=True, eq=False)
class FrequencyResponse(Printed):
    """Voltage gain from one node to others over frequency."""

    point: OperatingPoint
    drive: str
    outputs: tuple[str, ...]
    frequencies_hz: Array = quantity("Hz", "f", "where the gain was calculated, (K,)")
    gain: Array = quantity("", "A", "complex voltage gain, (N, K, J) for J outputs")

    @property
    def gain_db(self) -> Array:
        """20 log |gain| [dB], (N, K, J)."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.gain)))

    def headline(self) -> str:
        """One line for the top of a print."""
        return f"Voltage gain from {self.drive} of {self.point.circuit.title or 'a circuit'}"

    def tables(self) -> list[Table]:
        """Gain at up to ten of the frequencies."""
        some = evenly(len(self.frequencies_hz), 10)
        rows = [(float(self.frequencies_hz[k]), *np.moveaxis(self.gain_db[:, k], 1, 0)) for k in some]
        return [Table("Gain", (Column("f", "Hz"), *(Column(node, "dB") for node in self.outputs)), rows)]


@on_one_core
def frequency_response(
    point: OperatingPoint, drive: str, outputs: Sequence[str], frequencies_hz: Array | Sequence[float]
) -> FrequencyResponse:
    """Gain from node `drive` to each of `outputs` [V/V].

    Parameters
    ----------
    point
        Idle point of the circuit (`operating_point`, or `.operating_point` of a mains state).
    drive
        Node the signal is applied to.
    outputs
        Nodes to read.
    frequencies_hz
        (K,) above zero.

    Returns
    -------
    FrequencyResponse
        Complex gain of each output at each frequency [V/V].

    Raises
    ------
    CircuitError
        No such node, `drive` is grounded or held by a source, a frequency not above zero.
    SolveError
        The circuit oscillates with its drive held, so that it has no response; in a batch such members are
        NaN, with one warning.

    Examples
    --------
    >>> from tubekit.analyses.operating_point import operating_point
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> low = Circuit((Resistor("R1", "in", "out", 1e5), Capacitor("C1", "out", "ground", 1e-9)))
    >>> corner = 1 / (2 * np.pi * 1e5 * 1e-9)
    >>> frequency_response(operating_point(low), "in", ["out"], [corner]).gain_db.round(2).tolist()
    [[[-3.01]]]
    """
    frequencies = np.atleast_1d(np.asarray(frequencies_hz, float))
    if not (np.isfinite(frequencies) & (frequencies > 0)).all():
        raise CircuitError("a frequency must be above zero", fix="Write hertz, like 1000")
    network = point.network
    for node in (drive, *outputs):
        point.volts(node)
    if network.index.get(drive, -1) < 0:
        raise CircuitError("this node is ground: there can be no signal on it", part=drive)
    rows = _rows(point, (drive, *outputs))
    matrix = linearised(network, list(point.slopes))
    answer = transfer(network, matrix, rows, rows[:1].T, 2j * np.pi * frequencies)[..., 0]
    if np.any(np.abs(answer[..., 0]) < 1e-9):
        raise CircuitError("a source fixes the voltage here", part=drive, fix="Feed the signal in after it")
    gain = answer[..., 1:] / answer[..., :1]
    _no_response_where_unstable(point, matrix, drive, gain)
    return FrequencyResponse(point, drive, tuple(outputs), frequencies, gain)


def _no_response_where_unstable(point: OperatingPoint, matrix: Array, drive: str, gain: Array) -> None:
    """Raise for a single circuit that oscillates; blank such members of a batch and warn once."""
    held, place = matrix.copy(), point.network.index[drive]
    held[:, place, place] += HELD_SIEMENS
    poles = natural_modes(point.network, held, point.circuit.title)
    if poles.stable.all():
        return
    if point.network.batch is None:
        raise SolveError(f"{point.circuit.title or 'The circuit'}: {poles.describe()}. It has no response",
                         best=poles, iterations=1)  # fmt: skip
    warn_batch(~poles.stable, "frequency response")
    gain[~poles.stable] = np.nan


@dataclass(frozen=True, eq=False)
class StageGains(Printed):
    """Gain of every tube section from its own grid, loaded as it stands."""

    point: OperatingPoint
    frequency_hz: float
    sections: tuple[str, ...]
    to_plate: Array = quantity("", "A", "grid to plate, complex, (N, D)")
    to_cathode: Array = quantity("", "A_k", "grid to cathode, complex, (N, D)")

    def headline(self) -> str:
        """One line for the top of a print."""
        return f"Gain of each section at {self.frequency_hz:g} Hz"

    def tables(self) -> list[Table]:
        """Grid to plate and grid to cathode."""
        rows = [
            (name, np.abs(self.to_plate[:, k]), np.abs(self.to_cathode[:, k]))
            for k, name in enumerate(self.sections)
        ]
        columns = headed("section", "to plate [×]", "to cathode [×]")
        return [Table("Stage gain", columns, rows)]


@on_one_core
def stage_gains(point: OperatingPoint, frequency_hz: float = 1000.0) -> StageGains:
    """Voltage gain of each tube section from grid to plate and to cathode, in place.

    One grid is driven at a time: of a push-pull pair the other tube idles, and half of the load's
    pull is missing.

    Examples
    --------
    >>> from tubekit.analyses.operating_point import operating_point
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.triode import Triode
    >>> stage = Circuit((VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", 1e5),
    ...                  Resistor("R2", "k", "ground", 1500.0), Resistor("R3", "g", "ground", 1e6),
    ...                  Device("V1a", Triode(perveance=2e-3, mu=100.0, exponent=1.4), ("p", "g"), "k")))
    >>> bool(20 < abs(stage_gains(operating_point(stage)).to_plate[0, 0]) < 60)
    True
    """
    network, slopes = point.network, list(point.slopes)
    devices = [d for d in point.circuit.of(Device) if "grid" in d.law.terminals]
    ports = [network.port_names.index((d.name, "grid")) for d in devices]
    s = 2j * np.pi * frequency_hz
    pushed = (
        -network.incidence @ block_diagonal(network.groups, slopes)[:, :, ports]
    )  # by 1 V in the grid's lead
    answer = solve_linear(network, linearised(network, slopes) + s * network.storage, pushed.astype(complex))
    plates = [d.terminals[d.law.terminals.index("plate")] for d in devices]
    grids = [d.terminals[d.law.terminals.index("grid")] for d in devices]
    at_grid = 1.0 + _each_own(point, answer, grids)
    return StageGains(
        point, frequency_hz, tuple(d.name for d in devices),
        _each_own(point, answer, plates) / at_grid,
        _each_own(point, answer, [d.cathode for d in devices]) / at_grid,
    )  # fmt: skip


def _each_own(point: OperatingPoint, answer: Array, nodes: Sequence[str]) -> Array:
    """Voltage at node k in answer k of (N, n, D): (N, D)."""
    return np.asarray(np.einsum("dn,bnd->bd", _rows(point, nodes), answer))


def _rows(point: OperatingPoint, nodes: Sequence[str]) -> Array:
    """One row per node that picks its voltage out of the unknowns; ground picks nothing."""
    rows = np.zeros((len(nodes), len(point.network.unknowns)))
    for row, node in zip(rows, nodes, strict=True):
        if node != GROUND and point.network.index[node] >= 0:
            row[point.network.index[node]] = 1.0
    return rows


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
