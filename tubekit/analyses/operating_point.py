"""Where the tubes idle: every DC voltage and current of a circuit.

Rectifiers take part as their mean over the line cycle, filled by a reservoir that holds its
voltage (`mains.py` refines this with the true waveform).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.analyses.time_stepper import FROM_COLD, KIRCHHOFF_A, Convergence, seal
from tubekit.circuit.full import solve_full
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import TOLERANCE, PortSolution, evaluate, on_one_core, solve_ports
from tubekit.circuit.parts import GROUND, Circuit
from tubekit.circuit.reduction import HELD, Reduced, held, reduce_to_ports
from tubekit.errors import CircuitError, SolveError, near_matches, warn_batch
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity


@dataclass(frozen=True, eq=False)
class Feed:
    """The rectifiers of a circuit as its direct current sees them: a straight line about a line cycle.

    Mean `currents` (N, R) [A] at mean `volts` (N, R) across each, and how they follow, `slopes`
    (N, R, R) [S]. Without its slope a supply would be a source of current: a rail without a bleeder
    would have millions of volts with its tubes pulled out, below whose rounding no answer can be found.
    """

    currents: Array
    volts: Array
    slopes: Array

    @classmethod
    def of(cls, currents: Array) -> Feed:
        """Currents that nothing changes."""
        return cls(currents, np.zeros_like(currents), np.zeros((*currents.shape, currents.shape[-1])))

    def into(self, network: Network) -> Network:
        """The network with this line in place of its rectifiers."""
        edge = network.rectifier_incidence
        return replace(
            network, conductance=network.conductance + edge @ self.slopes @ edge.T,
            dc=network.dc - self.still @ edge.T,
        )  # fmt: skip

    def beside(self, reduced: Reduced) -> Reduced:
        """A reduction without its last ports, those of the rectifiers, that carry this line."""
        return reduced.beside(self.still, self.slopes - HELD * np.eye(self.currents.shape[1]))

    def through(self, reduced: Reduced, currents: Array, volts: Array) -> Array:
        """Mean currents (N, R) at `volts` (N, R), those of a reduction beside it from its lines: a steep one
        would turn rounding of volts into amperes.
        """
        return self.at(volts) if reduced.within is None else reduced.follow(currents) + HELD * volts

    @property
    def still(self) -> Array:
        """Currents of the line at no volts (N, R) [A]."""
        return np.asarray(self.currents - np.einsum("brq,bq->br", self.slopes, self.volts))

    @property
    def arrays(self) -> tuple[Array, Array, Array]:
        """Currents, volts and slopes."""
        return self.currents, self.volts, self.slopes

    def at(self, volts: Array) -> Array:
        """Mean currents at other mean voltages (N, R)."""
        return np.asarray(self.currents + np.einsum("brq,bq->br", self.slopes, volts - self.volts))


@dataclass(frozen=True, eq=False)
class OperatingPoint(Printed):
    """Idle state of a circuit; arrays have shape (N,) with N = 1 for a single circuit."""

    circuit: Circuit
    network: Network = field(repr=False, kw_only=True)
    unknowns: Array = quantity("V, A", "x", "node voltages and branch currents, (N, n)")
    port_volts: Array = quantity("V", "v", "tube port voltages to cathode, (N, P)")
    port_currents: Array = quantity("A", "i", "tube port currents, (N, P)")
    slopes: tuple[Array, ...] = field(repr=False, kw_only=True)
    rectifier_currents: Array = quantity("A", "I", "mean current of each rectifier, (N, R)")
    feed: Feed = field(repr=False, kw_only=True)
    convergence: Convergence = field(repr=False, kw_only=True)

    def volts(self, node: str, to: str = GROUND) -> float | Array:
        """DC voltage of `node` against `to` [V]: a float, or (N,) for a batch.

        Raises
        ------
        CircuitError : no such node (near matches listed).
        """
        for name in (node, to):
            if name != GROUND and name not in self.network.index:
                raise CircuitError(
                    "no such node", part=name, fix="Name a node of the schematic",
                    near=near_matches(name, self.circuit.nodes),
                )  # fmt: skip
        return self._one(self.network.pick(self.unknowns, node) - self.network.pick(self.unknowns, to))

    def current(self, device: str, terminal: str = "plate") -> float | Array:
        """Current into a tube terminal [A]; `cathode` gives the sum of the others."""
        columns = [
            k for k, (name, port) in enumerate(self.network.port_names)
            if name == device and terminal in (port, "cathode")
        ]  # fmt: skip
        if not columns:
            known = {name for name, _ in self.network.port_names}
            raise CircuitError(
                f"has no {terminal}" if device in known else "no such tube section", part=device,
                fix="Name a section and one of its terminals", near=near_matches(device, known),
            )  # fmt: skip
        return self._one(self._into_electrodes(device)[:, columns].sum(axis=1))

    def _into_electrodes(self, device: str) -> Array:
        """The port currents, those of a device with its pins swapped sorted by electrode and not by node."""
        for group in self.network.groups:
            if group.pins is not None and device in group.names:
                j, result = group.names.index(device), self.port_currents.copy()
                at = slice(group.ports.start + j * group.width, group.ports.start + (j + 1) * group.width)
                pins = np.swapaxes(group.pins[:, j], 1, 2)
                result[:, at] = np.linalg.solve(pins, result[:, at, None])[..., 0]
                return result
        return self.port_currents

    def members(self, keep: Array) -> OperatingPoint:
        """Some members of the batch, on a network that is still the whole one."""

        def some(array: Array) -> Array:
            return np.asarray(array[keep])

        return replace(
            self, unknowns=some(self.unknowns), port_volts=some(self.port_volts),
            port_currents=some(self.port_currents), rectifier_currents=some(self.rectifier_currents),
            slopes=tuple(some(each) for each in self.slopes),
            feed=Feed(*(some(each) if len(each) > 1 else each for each in self.feed.arrays)),
            convergence=self.convergence.members(keep),
        )  # fmt: skip

    @classmethod
    def joined(cls, network: Network, pieces: Sequence[OperatingPoint], order: Array) -> OperatingPoint:
        """The members of some pieces, in this order, as the state of a network."""
        first = replace(pieces[0], network=network)
        if len(pieces) == 1:
            return first

        def whole(arrays: Iterable[Array]) -> Array:
            return np.asarray(np.concatenate(list(arrays))[order])

        return replace(
            first, unknowns=whole(p.unknowns for p in pieces), port_volts=whole(p.port_volts for p in pieces),
            port_currents=whole(p.port_currents for p in pieces),
            rectifier_currents=whole(p.rectifier_currents for p in pieces),
            slopes=tuple(map(whole, zip(*(p.slopes for p in pieces), strict=True))),
            feed=Feed(*map(whole, zip(*(p.feed.arrays for p in pieces), strict=True))),
            convergence=Convergence.joined([p.convergence for p in pieces], order),
        )  # fmt: skip

    def _one(self, values: Array) -> float | Array:
        return float(values[0]) if self.network.batch is None else values

    def headline(self) -> str:
        """One line for the top of a print."""
        return f"Operating point of {self.circuit.title or 'a circuit'}: {self.convergence}"

    def tables(self) -> list[Table]:
        """Node voltages, then tube currents."""
        nodes = [(node, self.network.pick(self.unknowns, node)) for node in self.circuit.nodes]
        ports = [(*names, self.port_volts[:, k], self.port_currents[:, k])
                 for k, names in enumerate(self.network.port_names)]  # fmt: skip
        return [
            Table("Nodes", headed("node", "DC [V]"), nodes),
            Table(
                "Tubes",
                headed("section", "terminal", "to cathode [V]", "current [A]"),
                ports,
            ),
        ]


@on_one_core
def operating_point(
    circuit: Circuit,
    *,
    rectifier_currents: Array | None = None,
    start: Array | None = None,
    path: str = "ports",
    strict: bool = True,
) -> OperatingPoint:
    """Idle voltages and currents of a circuit or a batch of them.

    Parameters
    ----------
    circuit
        The circuit, or a batch of them (arrays in its parts).
    rectifier_currents
        Mean current of each rectifier [A], (R,) or (N, R). Zero when not given: use `analyses.mains` for a
        circuit that is fed from the line.
    start
        Port voltages to start from [V], (N, P).
    path
        'ports' (default) or 'full', the slower reference on all nodes.
    strict
        A single circuit that does not converge raises; a batch warns once and gives NaN.

    Returns
    -------
    OperatingPoint
        Volts of every node, currents of every part, and how the solve converged.

    Raises
    ------
    SolveError
        A single circuit does not converge (best iterate and worst tube inside).

    Examples
    --------
    >>> from tubekit.circuit.parts import Circuit, Device, Resistor, VoltageSource
    >>> from tubekit.devices.catalogue import tube
    >>> stage = Circuit((VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", 1e5),
    ...                  Resistor("R2", "k", "ground", 1500.0), Resistor("R3", "g", "ground", 1e6),
    ...                  Device("V1a", tube("12AX7").law, ("p", "g"), "k")))
    >>> 0.7e-3 < operating_point(stage).current("V1a") < 1.0e-3
    True
    """
    network = assemble(circuit)
    means = np.zeros(len(network.rectifiers)) if rectifier_currents is None else rectifier_currents
    feed = Feed.of(np.broadcast_to(means, (network.size, len(network.rectifiers))))
    return _judged(solve_network(network, feed, start, path), strict)


def solve_network(
    network: Network,
    feed: Feed | None = None,
    start: Array | None = None,
    path: str = "ports",
    tolerance: float = TOLERANCE,
    ports: Reduced | None = None,
) -> OperatingPoint:
    """`operating_point` on matrices that are already assembled; whatever came out is returned.

    `tolerance` is the largest error of a port voltage that is accepted [V]; `ports` what the network was
    reduced to with its rectifiers.

    Examples
    --------
    >>> from tubekit.circuit.parts import Circuit, Resistor, VoltageSource
    >>> one = Circuit((VoltageSource("B", "b", "ground", 10.0), Resistor("R1", "b", "ground", 5.0)))
    >>> solve_network(assemble(one)).volts("b")
    10.0
    """
    feed = feed or Feed.of(np.zeros((network.size, len(network.rectifiers))))
    if path == "full":
        unknowns, solution = solve_full(feed.into(network), start)
        means = feed.at(unknowns @ network.rectifier_incidence)
    elif path == "ports":
        reduced = None if ports is None else feed.beside(ports)
        if reduced is None or reduced.floats.any():
            reduced = held(reduce_to_ports(feed.into(network)))
        solution = solve_ports(reduced, start, tolerance)
        unknowns = reduced.unknowns(solution.currents)
        means = feed.through(reduced, solution.currents, unknowns @ network.rectifier_incidence)
        if reduced.network.groups is not network.groups:
            currents, slopes = evaluate(network.groups, solution.volts)
            solution = replace(solution, currents=currents, slopes=tuple(slopes))
    else:
        raise ValueError(f"path is 'ports' or 'full', not {path!r}")
    return OperatingPoint(
        network.circuit, unknowns, solution.volts, solution.currents, means, network=network, feed=feed,
        slopes=solution.slopes, convergence=_convergence(network, unknowns, means, solution),
    )  # fmt: skip


def _convergence(network: Network, x: Array, means: Array, solution: PortSolution) -> Convergence:
    left = np.matmul(network.conductance, x[..., None])[..., 0] - network.dc
    left += solution.currents @ network.incidence.T + means @ network.rectifier_incidence.T
    residual = np.abs(left[:, : network.node_count]).max(axis=1, initial=0.0)
    good = solution.converged & (residual <= KIRCHHOFF_A)
    slow = {FROM_COLD: int(solution.settled.sum())}
    return Convergence(good, solution.iterations, solution.error, "V", solution.method, residual, slow)


def _judged(point: OperatingPoint, strict: bool) -> OperatingPoint:
    """Raise for a single failure; blank the lost members of a batch and warn once."""
    lost = point.convergence.mask
    single = point.network.batch is None
    if single and lost.any() and strict:
        raise _failure(point)
    if not single and lost.any():
        warn_batch(lost, "operating point")
    seal(lost & (not single), point.unknowns, point.port_volts, point.port_currents)
    return point


def _failure(point: OperatingPoint) -> SolveError:
    apart = np.abs(point.port_volts - point.unknowns @ point.network.incidence)[0]
    worst = int(np.argmax(apart)) if apart.size else 0
    name = " ".join(point.network.port_names[worst]) if point.network.port_names else ""
    return SolveError(
        "The operating point did not settle", best=point, worst=name,
        residual=float(apart.max(initial=0.0)), iterations=int(point.convergence.iterations[0]),
    )  # fmt: skip
