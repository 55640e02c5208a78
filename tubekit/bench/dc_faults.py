"""Direct readings of hundreds of single faults at once: each changes a few conductances of one network.

The network is solved once for the good amp. A fault changes conductances between k pairs of nodes, and the
port resistance follows by the Woodbury identity (Golub & Van Loan, Matrix Computations, §2.1.4, from
memory); the tubes then settle from where the good amp stood. The supply is its regulation line, so faults
of the line side are not asked for here.

Tubes with two pins swapped, many at once: each member of a batch has another one.

The nodes stay where they are and the law is turned: with u the voltages of the terminals to the cathode, an
electrode on another's node sees v = M u, and the terminals carry i = M' i(v).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.faults import GAS, LEAK, NO_LEAK, Change, CircuitParameter, Fault
from tubekit.amp.parts.tubes import Section, Tube
from tubekit.amp.settings import Settings
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.circuit.network import Group, Network, assemble, parameters
from tubekit.circuit.newton import block_diagonal, evaluate, on_one_core, solve_ports
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, CurrentSource, Device, Part, Resistor
from tubekit.circuit.reduction import Reduced
from tubekit.decisions.population import Population
from tubekit.result_fields import Array

SETTLED = 1e-7
"""Far below what a meter tells, since a node behind a gigohm multiplies it [V]."""
AT_CATHODE, CONDUCTS = 2.0, 1.0
"""No plate or screen is started nearer its cathode than the first, no grid further positive than the second,
where it conducts [V]."""


@dataclass(frozen=True, eq=False)
class DcFaults:
    """The good amp at idle, ready for faults: `inverse` (n, n) of its network, `ports` (n, P) its columns at
    the tubes.
    """

    population: Population
    point: OperatingPoint
    inverse: Array
    ports: Array

    @property
    def network(self) -> Network:
        """The direct-current network, supply as a line."""
        return self.point.network

    def takes(self, change: Change) -> bool:
        """Whether a change concerns this network alone: not the supply's line, not what carries no DC."""
        there = {part.name for part in self.network.circuit.parts}
        return all(
            parameter not in self.population.lines.powers
            and _dc_name(parameter) in there
            and "turns" not in parameter.field
            for parameter in change
        )

    @on_one_core
    def volts(self, changes: Sequence[Change]) -> Array:
        """Voltage of every node of the network under each change, (S, nodes) [V]."""
        pairs, gained = self._conductances(changes)
        source = np.broadcast_to(self.network.dc, (len(changes), self.network.dc.shape[1])).copy()
        self._gas(changes, source)
        # K = (1 + D U' Z U)^-1 D, padded with unused pairs of no conductance
        through = pairs @ self.inverse  # U' Z, (S, k, n)
        inner = np.einsum("skn,sjn->skj", through, pairs)
        core = np.linalg.solve(np.eye(pairs.shape[1]) + gained[:, :, None] * inner, _diagonal(gained))
        edge = self.network.incidence
        at_ports = through @ edge
        lost = core @ at_ports
        resistance = edge.T @ self.ports - np.einsum("skp,skq->spq", at_ports, lost)
        rest = source @ self.inverse.T
        rest -= np.einsum("skn,skj,sj->sn", through, core, np.einsum("skn,sn->sk", pairs, rest))
        reduced = Reduced(self._with_laws(changes), rest @ edge, resistance, rest, rest[..., None])
        start = self._start(reduced)
        solution = solve_ports(reduced, start, SETTLED)
        by_ports = solution.currents @ self.ports.T
        by_ports -= np.einsum("skn,skj,sj->sn", through, core, np.einsum("skn,sn->sk", pairs, by_ports))
        result = rest - by_ports
        result[~solution.converged] = np.nan
        return np.asarray(result)

    def _start(self, reduced: Reduced) -> Array:
        """Where the tubes would stand if they stayed the slopes they are at the good amp's idle point; then
        once more from there, since some are far away.
        """
        names = self.network.port_names
        plates = [t != "grid" and name not in self.population.lines.laws for name, t in names]
        low = np.where(plates, AT_CATHODE, -np.inf)
        high = np.where([t == "grid" for _, t in names], CONDUCTS, np.inf)
        held = np.broadcast_to(self.point.port_volts, reduced.open.shape)
        for _ in range(2):
            amps, each = evaluate(reduced.network.groups, held)
            slopes = block_diagonal(reduced.network.groups, each)
            flows = amps - np.einsum("spq,sq->sp", slopes, held)
            matrix = np.eye(len(names)) + np.matmul(reduced.resistance, slopes)
            right = reduced.open - np.einsum("spq,sq->sp", reduced.resistance, flows)
            held = np.clip(np.linalg.solve(matrix, right[..., None])[..., 0], low, high)
        return np.asarray(held)

    def _conductances(self, changes: Sequence[Change]) -> tuple[Array, Array]:
        """Pairs of nodes (S, k, n) whose conductance each change alters, and by how much (S, k) [S]."""
        parts = {part.name: part for part in self.network.circuit.of(Resistor)}
        altered = [
            [(parts[_dc_name(k)], v[0]) for k, v in c.items() if _dc_name(k) in parts] for c in changes
        ]
        width = max((len(one) for one in altered), default=0) or 1
        pairs = np.zeros((len(changes), width, len(self.network.unknowns)))
        gained = np.zeros((len(changes), width))
        for s, one in enumerate(altered):
            for j, (part, factor) in enumerate(one):
                for node, sign in ((part.a, 1.0), (part.b, -1.0)):
                    at = -1 if node == GROUND else self.network.index[node]
                    if at >= 0:
                        pairs[s, j, at] += sign
                ohms = float(np.ravel(part.ohms)[0])
                # a leak's factor counts from none at all, others from the good part
                gained[s, j] = 1.0 / (factor * (NO_LEAK if part.name.endswith(LEAK) else ohms)) - 1.0 / ohms
        return pairs, gained

    def _gas(self, changes: Sequence[Change], source: Array) -> None:
        known = {part.name: part for part in self.network.circuit.of(CurrentSource)}
        for s, change in enumerate(changes):
            for parameter, (_, addend) in change.items():
                if parameter.part in known:
                    at = self.network.index.get(known[parameter.part].b, -1)
                    if at >= 0:
                        source[s, at] += addend

    def _with_laws(self, changes: Sequence[Change]) -> Network:
        """The network with the tubes' parameters of each change, (S, sections)."""
        size = len(changes)
        groups = []
        for group in self.network.groups:
            shape = (size, len(group.names))
            values = {n: np.broadcast_to(v, shape).copy() for n, v in parameters(group.law).items()}
            touched = False
            for s, change in enumerate(changes):
                for parameter, (factor, addend) in change.items():
                    if parameter.part in group.names and parameter.field in values:
                        own = values[parameter.field][s]
                        k = group.names.index(parameter.part)
                        own[k] = own[k] * factor + addend
                        touched = True
            law = dataclasses.replace(group.law, **values) if touched else group.law  # type: ignore[type-var]
            groups.append(Group(law, group.names, group.ports))
        return dataclasses.replace(self.network, groups=tuple(groups))


def dc_faults(population: Population, settings: Settings | None = None) -> DcFaults:
    """The good amp's network solved once, as drawn or with its knobs at `settings` (batches of one).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.faults import single_faults
    >>> from tubekit.decisions.population import dc_population
    >>> ready = dc_faults(dc_population(load_amp("teasel")))
    >>> fault = next(f for f in single_faults(ready.population.amp) if f.words == "R4 open")
    >>> volts = ready.volts([{}, fault.grades[0]])[:, ready.network.index["p1a"]]
    >>> bool(volts[1] > volts[0] + 50)
    True
    """
    point = population.point if settings is None else solve_network(assemble(population.circuit(settings)))
    inverse = np.linalg.inv(point.network.conductance[0])
    return DcFaults(population, point, inverse, inverse @ point.network.incidence)


def _dc_name(parameter: CircuitParameter) -> str:
    """Name of a knob's part in the direct-current network: coils are resistors there."""
    return f"{parameter.part}.{parameter.coil}" if parameter.field.startswith("copper") else parameter.part


def _diagonal(values: Array) -> Array:
    return np.asarray(values[:, :, None] * np.eye(values.shape[1]))


@dataclass(frozen=True)
class TubePinSwap:
    """Two electrodes of a section that stand on each other's nodes."""

    section: Section
    one: str
    two: str

    def on(self, electrode: str) -> str:
        """The electrode on whose node this one stands."""
        return {self.one: self.two, self.two: self.one}.get(electrode, electrode)

    def node(self, electrode: str) -> str:
        """The node it is on."""
        return str(getattr(self.section, self.on(electrode)))

    def turned(self, terminals: Sequence[str]) -> Array:
        """M (T, T) for a law with these terminals."""
        result = np.zeros((len(terminals), len(terminals)))
        for row, terminal in enumerate(terminals):
            for column, other in enumerate(terminals):
                result[row, column] = float(self.on(terminal) == other) - float(self.on("cathode") == other)
        return result


def pin_swap(amp: Amp, fault: Fault) -> TubePinSwap | None:
    """The swap a fault is; None where it is something else.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.faults import single_faults
    >>> amp = load_amp("teasel")
    >>> known = {fault.words: pin_swap(amp, fault) for fault in single_faults(amp)}
    >>> known["V1a plate and grid swapped"].node("grid"), known["F1 blown"]
    ('p1a', None)
    """
    new = fault.becomes
    old = amp.parts.get(new.designator) if new is not None else None
    if not (isinstance(new, Tube) and isinstance(old, Tube)):
        return None
    for was, now in zip(old.sections, new.sections, strict=True):
        names = ("plate", "screen", "grid", "cathode")
        moved = [name for name in names if getattr(was, name) != getattr(now, name)]
        if len(moved) == 2:
            return TubePinSwap(was, *moved)
    return None


def with_pins_swapped(circuit: Circuit, swaps: Sequence[TubePinSwap]) -> Circuit:
    """An instrumented circuit with its knobs turned, as a batch: one member for each swap."""
    by_section: dict[str, list[int]] = {}
    for k, swap in enumerate(swaps):
        by_section.setdefault(swap.section.name, []).append(k)
    parts: list[Part] = []
    for part in circuit.parts:
        name, _, label = part.name.partition(".")
        rows = by_section.get(name, [])
        if isinstance(part, Device) and rows:
            parts.append(_turned(part, swaps, rows))
        elif isinstance(part, Capacitor) and rows and label:
            parts += _moved_stray(part, label.split("_"), swaps, rows)
        elif isinstance(part, CurrentSource) and rows and part.name == name + GAS:
            parts += _moved_gas(part, swaps, rows)
        else:
            parts.append(part)
    return replace(circuit.made_of(parts), batch=len(swaps))


def _turned(part: Device, swaps: Sequence[TubePinSwap], rows: Sequence[int]) -> Device:
    width = len(part.terminals)
    pins = np.tile(np.eye(width), (len(swaps), 1, 1))
    for k in rows:
        pins[k] = swaps[k].turned(part.law.terminals)
    return replace(part, pins=pins)


def _moved_stray(
    part: Capacitor, between: Sequence[str], swaps: Sequence[TubePinSwap], rows: Sequence[int]
) -> Iterator[Part]:
    """The stray where it was for most members, and elsewhere for those whose electrodes stand elsewhere."""
    moved = [k for k in rows if {swaps[k].on(name) for name in between} != set(between)]
    stays = np.ones(len(swaps))
    stays[moved] = 0.0
    yield replace(part, farads=part.farads * stays)
    for k in moved:
        ends = [swaps[k].node(name) for name in between]
        if ends[0] != ends[1]:
            alone = np.where(np.arange(len(swaps)) == k, part.farads, 0.0)
            yield Capacitor(f"{part.name}.{k}", ends[0], ends[1], alone)


def _moved_gas(part: CurrentSource, swaps: Sequence[TubePinSwap], rows: Sequence[int]) -> Iterator[Part]:
    """Gas flows into the grid, and so on from where that is drawn to where it stands."""
    yield part
    for k in rows:
        if swaps[k].on("grid") != "grid" and np.any(part.dc):
            alone = np.where(np.arange(len(swaps)) == k, part.dc, 0.0)
            yield CurrentSource(f"{part.name}.{k}", part.b, swaps[k].node("grid"), alone)
