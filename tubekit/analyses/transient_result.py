"""What a run in time gives, and what is carried from one run into the next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import scipy

from tubekit.analyses.convergence import Convergence
from tubekit.circuit.network import Network
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Windings
from tubekit.errors import CircuitError, near_matches
from tubekit.text import Printed, Table, headed, quantity

Array = np.ndarray
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
