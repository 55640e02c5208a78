"""A circuit in time: switch-on, sag, standby, discharge.

Two views of the same equations (`stepping.py`): every instant of the line cycle (`transient`), or the
mean over each cycle with its ripple (`slow_transient`), which crosses half a minute in a few hundred steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import scipy

from tubekit.analyses.averaged import Averaged
from tubekit.analyses.mains import MainsState
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.stepping import Devices, Emission, Instant
from tubekit.analyses.time_stepper import Convergence, TimeProblem, TimeSteps, Until, step_through
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Windings
from tubekit.errors import CircuitError, SolveError, near_matches
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity

Stored = Mapping[str, Array]
"""What a circuit keeps while it is switched: volts of each capacitor, amps of each coil, by part."""


@dataclass(frozen=True, eq=False, repr=False)
class Transient(Printed):
    """Voltages and currents of one circuit over time.

    Of a slow run `unknowns` are means over the line cycle, `highest` and `lowest` the ends of its ripple;
    of an instantaneous run all three are the same.
    """

    circuit: Circuit
    network: Network = field(repr=False, kw_only=True)
    time: Array = quantity("s", "t", "times, (T,), not evenly spaced")
    unknowns: Array = quantity("V, A", "x", "node voltages and branch currents, (T, n)")
    highest: Array = quantity("V, A", "x_max", "highest within the line cycle, (T, n)")
    lowest: Array = quantity("V, A", "x_min", "lowest within the line cycle, (T, n)")
    port_currents: Array = quantity("A", "i", "currents of tube terminals, then of rectifiers, (T, P + R)")
    convergence: Convergence = field(repr=False, kw_only=True)
    method: str = ""

    def volts(self, node: str, to: str = GROUND) -> Array:
        """Voltage (of a slow run its mean over the line cycle) [V], (T,)."""
        return np.asarray(self._of(self.unknowns, node) - self._of(self.unknowns, to))

    def at(self, node: str, times: Array | float, to: str = GROUND) -> Array:
        """The same at any times within the run [V]: shape-keeping cubic between the steps."""
        return np.asarray(scipy.interpolate.PchipInterpolator(self.time, self.volts(node, to))(times))

    def peak(self, node: str) -> tuple[float, float]:
        """Highest voltage of a node, ripple included [V], and when [s]."""
        high = self._of(self.highest, node)
        k = int(np.argmax(high))
        return float(high[k]), float(self.time[k])

    def extremes(self, a: str, b: str = GROUND) -> tuple[Array, Array]:
        """Highest and lowest voltage between two nodes [V], (T,) each.

        Of a slow run an upper bound where both nodes ripple: the ripples are taken as opposed.
        """
        if np.array_equal(self.highest, self.lowest):
            volts = self.volts(a, b)
            return volts, volts
        high = self._of(self.highest, a) - self._of(self.lowest, b)
        return np.asarray(high), np.asarray(self._of(self.lowest, a) - self._of(self.highest, b))

    def current(self, device: str, terminal: str = "plate") -> Array:
        """Current into a tube terminal ('cathode' sums them) or through a rectifier [A], (T,)."""
        tubes = self.network.port_names
        columns = [
            k for k, (name, port) in enumerate(tubes) if name == device and terminal in (port, "cathode")
        ]
        names = [part.name for part in self.network.rectifiers]
        columns += [len(tubes) + k for k, name in enumerate(names) if name == device]
        if not columns:
            known = {name for name, _ in tubes} | set(names)
            raise CircuitError(
                "no such tube section or rectifier", part=device, near=near_matches(device, known)
            )
        return np.asarray(self.port_currents[:, columns].sum(axis=1))

    def coil(self, name: str, coil: int = 0) -> Array:
        """Current in a coil or voltage source [A], (T,)."""
        for unknown in (f"I({name}.{coil})", f"I({name})"):
            if unknown in self.network.unknowns:
                return np.asarray(self.unknowns[:, self.network.unknowns.index(unknown)])
        raise CircuitError("no such coil or source", part=name, fix="Name a choke, transformer or source")

    def stored(self, index: int = -1) -> Stored:
        """What capacitors and coils hold at one of the times, to go on from in another circuit."""
        return stored_in(self.network, self.unknowns[index])

    def _of(self, table: Array, node: str) -> Array:
        if node != GROUND and node not in self.network.index:
            raise CircuitError("no such node", part=node, near=near_matches(node, self.circuit.nodes))
        return np.asarray(self.network.pick(table, node))

    def headline(self) -> str:
        """One line for the top of a print."""
        return (
            f"{self.circuit.title or 'a circuit'}, {self.time[-1]:g} s: {self.method}, {len(self.time)} steps"
        )

    def tables(self) -> list[Table]:
        """Start, end and highest of every node."""
        rows = [
            (node, float(self.volts(node)[0]), float(self.volts(node)[-1]), *self.peak(node))
            for node in self.circuit.nodes
        ]
        heads = headed("node", "start [V]", "end [V]", "highest [V]", "at [s]")
        return [Table("Nodes", heads, rows)]


def stored_in(network: Network, x: Array) -> dict[str, Array]:
    """Volts of each capacitor and amps of each coil in a solution x (n,)."""
    held, result, place = x @ network.reactive, {}, 0
    for part in network.circuit.parts:
        if isinstance(part, Capacitor | Windings):
            count = len(part.ends) if isinstance(part, Windings) else 1
            result[part.name] = held[place : place + count]
            place += count
    return result


def charge(network: Network, stored: Stored) -> Array:
    """C x, (n,), for what is stored; parts that are not named hold nothing."""
    held: list[Array] = []
    for part in network.circuit.parts:
        if isinstance(part, Capacitor | Windings):
            count = len(part.ends) if isinstance(part, Windings) else 1
            held.append(np.broadcast_to(stored.get(part.name, 0.0), (count,)))
    every = np.concatenate(held) if held else np.zeros(0)
    return np.asarray(network.reactive @ (network.reactive_values[0] @ every))


LONGEST = 3600.0
TOLERANCE = 1e-4


Start = Stored | Transient | MainsState | OperatingPoint | None


def _begin(network: Network, start: Start, slow: bool) -> Array:
    if start is None:
        return charge(network, {})
    if isinstance(start, Transient):
        return charge(network, start.stored())
    if isinstance(start, MainsState):
        spectrum = start.spectrum[0]
        x = spectrum[0].real if slow else spectrum.sum(axis=0).real  # the line is at its peak at t = 0
        return charge(network, stored_in(start.operating_point.network, x))
    if isinstance(start, OperatingPoint):
        return charge(network, stored_in(start.network, start.unknowns[0]))
    return charge(network, start)


def _tube_volts(network: Network, start: Start) -> Array | None:
    """Port voltages of the tubes in a state of the same tubes, to start Newton from."""
    if isinstance(start, MainsState):
        start = start.operating_point
    if isinstance(start, OperatingPoint) and start.network.port_names == network.port_names:
        return np.asarray(start.port_volts[0])
    if isinstance(start, Transient) and start.network.port_names == network.port_names:
        return np.asarray(start.unknowns[-1] @ start.network.incidence)
    return None


def _single(circuit: Circuit, seconds: float, tolerance: float) -> Network:
    if not (np.isfinite(seconds) and 0 < seconds <= LONGEST and 1e-8 <= tolerance <= 0.1):
        raise CircuitError(
            f"cannot run for {seconds} s at a tolerance of {tolerance}",
            fix=f"Give up to {LONGEST:g} s and a tolerance from 1e-8 to 0.1",
        )
    network = assemble(circuit)
    if network.batch is not None:
        raise CircuitError("only one amp can be run through time", fix="Take one member")
    return network


@on_one_core
def transient(
    circuit: Circuit,
    seconds: float,
    *,
    start: Start = None,
    frequency_hz: float | None = None,
    phase_degrees: float = 0.0,
    emission: Emission | None = None,
    tolerance: float = TOLERANCE,
    longest_step: float | None = None,
) -> Transient:
    """The circuit at every instant.

    Parameters
    ----------
    circuit
        A single circuit.
    seconds
        How long [s].
    start
        A state to go on from (a run, a steady state, an operating point, stored volts and amps by part);
        nothing stored when not given.
    frequency_hz
        Of the sources' `ac` [Hz]; not needed where none has any.
    phase_degrees
        Where in its cycle the line begins: 0 at the peak, -90 at the rising zero.
    emission
        Emission of tube or rectifier (by name) at a time; warm when not given.
    tolerance
        Error allowed in each step, as a share of a voltage and of 100 V.
    longest_step
        Longest time step [s]; a 100th of the line cycle, or a 20th of the run, when not given.

    Returns
    -------
    Transient
        Volts and currents at every step.

    Raises
    ------
    CircuitError
        A batch, or numbers out of range.
    SolveError
        A step does not arrive however short it is made.

    Examples
    --------
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> rc = Circuit((Capacitor("C1", "a", "ground", 1e-6), Resistor("R1", "a", "ground", 1e6)))
    >>> round(float(transient(rc, 2.0, start={"C1": 100.0}).at("a", 1.0)), 1)
    36.8
    """
    network = _single(circuit, seconds, tolerance)
    alternating = bool(np.any(network.ac))
    if alternating and not frequency_hz:
        raise CircuitError("a source alternates at no stated frequency", fix="Give frequency_hz")
    if longest_step is None:
        longest_step = 1.0 / (100.0 * (frequency_hz or 0.0)) if alternating else seconds / 20.0
    rate = 2 * np.pi * (frequency_hz or 0.0)
    phase = np.radians(phase_degrees)

    def source(time: float) -> Array:
        return np.asarray(network.dc[0] + network.ac[0] * np.cos(rate * time + phase))

    closure = Instant(_tube_volts(network, start))
    job = TimeProblem(
        network, closure, source, seconds, tolerance, longest_step, emission, Devices.of(network)
    )
    return _result(circuit, network, step_through(job, _begin(network, start, False)), "every instant")


@on_one_core
def slow_transient(
    circuit: Circuit,
    seconds: float,
    *,
    frequency_hz: float,
    start: Start = None,
    emission: Emission | None = None,
    tolerance: float = TOLERANCE,
    longest_step: float | None = None,
    swing: Array | None = None,
    until: Until | None = None,
) -> Transient:
    """The circuit as means over the line cycle, with the ends of its ripple; parameters as `transient`.

    Parameters
    ----------
    swing : voltages that a drive adds at the tube ports over one of its cycles [V], (P, A): the tubes
        then pass the mean of their currents over it. Held while the rails move.
    until : whether the run may end, asked after each step with the times and unknowns so far.

    Valid once the rails move little within a line cycle; the first few cycles after switch-on belong to
    `transient`.

    Raises
    ------
    CircuitError : a batch, no rectifier, or numbers out of range.
    SolveError : a step does not arrive however short it is made.
    """
    network = _single(circuit, seconds, tolerance)
    if not network.rectifiers:
        raise CircuitError("there is no rectifier", fix="Use transient for a circuit without one")
    closure = Averaged(network, frequency_hz, _tube_volts(network, start))
    longest = seconds / 20.0 if longest_step is None else longest_step
    devices = Devices.of(network, swing)
    job = TimeProblem(
        network, closure, lambda _: network.dc[0], seconds, tolerance, longest, emission, devices,
        spread=closure.spread, until=until,
    )  # fmt: skip
    return _result(
        circuit, network, step_through(job, _begin(network, start, True)), "means over the line cycle"
    )


def _result(circuit: Circuit, network: Network, trace: TimeSteps, method: str) -> Transient:
    steps = np.array([trace.solves])
    convergence = Convergence(
        np.array([trace.floored == 0]), steps, np.array([trace.worst]), "of the tolerance",
        f"{method}, {trace.floored} steps at the shortest", np.full(1, np.nan),
    )  # fmt: skip
    if not np.isfinite(trace.x).all():
        raise SolveError("The calculation through time failed", iterations=trace.solves)
    return Transient(
        circuit, np.array(trace.time), np.array(trace.x), np.array(trace.highest), np.array(trace.lowest),
        np.array(trace.currents), method, network=network, convergence=convergence,
    )  # fmt: skip
