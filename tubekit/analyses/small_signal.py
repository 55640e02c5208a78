"""Gain at the idle point: tubes as slopes, capacitors and coils as they stand.

`frequency_response` puts a signal on a node and reads it elsewhere: the gain a technician finds with
a probe. `stage_gains` puts one volt into each grid's own lead, so that each stage is loaded by what
follows it while nothing before it is disturbed. Rectifiers count as open, rails as their capacitors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.analyses.natural_modes import natural_modes
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.poles import transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.parts import GROUND, Device
from tubekit.circuit.reduction import solve_linear
from tubekit.circuit.threads import on_one_core
from tubekit.errors import CircuitError, SolveError, warn_batch
from tubekit.text import Column, Printed, Table, headed, quantity

Array = np.ndarray

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
        some = np.unique(np.linspace(0, len(self.frequencies_hz) - 1, 10).astype(int))
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
