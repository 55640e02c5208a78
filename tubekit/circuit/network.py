"""From parts to matrices (modified nodal analysis).

Unknowns are the node voltages, then one current per voltage source and per coil. Currents that
leave a node count positive. Source: Ho, Ruehli, Brennan, "The modified nodal approach to network
analysis", IEEE Trans. Circuits Syst. CAS-22 (1975) (from memory).

    (G + s C) x = sources - E i(v),   v = E' x

C is kept in factors, C = U D U', one column of U per capacitor or coil: that is what the pole
form and the supply solve feed on.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np

from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    CurrentSource,
    Device,
    Rectifier,
    Resistor,
    Value,
    VoltageSource,
    Windings,
    check_values,
)
from tubekit.circuit.stamps import (
    as_columns,
    conductance_matrix,
    floating_islands,
    node_names,
    number_nodes,
    pair,
    reactive_parts,
    source_vectors,
)
from tubekit.devices.law import Law, stack
from tubekit.devices.rectifier import RectifierLaw
from tubekit.errors import CircuitError
from tubekit.result_fields import Array

COUPLED = 1e-12
"""Below this the leakage of coils, relative to their inductance, is rounding."""


@dataclass(frozen=True, eq=False)
class Group:
    """Devices of one law class, evaluated in one call; `ports` is their slice of the port vector."""

    law: Law
    names: tuple[str, ...]
    ports: slice
    pins: Array | None = None  # (N, S, T, T), see `Device`
    held: Array | None = None  # (S, T) [S], what `reduction.held` moved into the network

    def members(self, keep: Array) -> Group:
        """The group in some members of the batch."""
        pins = self.pins if self.pins is None else self.pins[keep]
        return dataclasses.replace(self, law=self.law.subset(keep), pins=pins)

    @property
    def width(self) -> int:
        """Ports per device."""
        return len(self.law.terminals)


@dataclass(frozen=True, eq=False)
class RectifierSet:
    """Rectifiers of one circuit: tube and silicon may stand side by side."""

    laws: tuple[RectifierLaw, ...]
    places: tuple[Array, ...]

    def subset(self, index: slice | Array) -> RectifierSet:
        """Some members of the batch."""
        return RectifierSet(tuple(law.subset(index) for law in self.laws), self.places)

    def through(self, drive: Array, resistance: Array) -> tuple[Array, Array]:
        """Currents and slopes over the cycle: `drive` (N, R, S), `resistance` (N, R, 1)."""
        if len(self.laws) == 1:
            return self._over_time[0].through(drive, resistance)
        currents, slopes = np.empty_like(drive), np.empty_like(drive)
        for law, at in zip(self._over_time, self.places, strict=True):
            currents[:, at], slopes[:, at] = law.through(drive[:, at], resistance[:, at])
        return currents, slopes

    @cached_property
    def _over_time(self) -> tuple[RectifierLaw, ...]:
        return tuple(_along_time(law) for law in self.laws)


def _along_time(law: RectifierLaw) -> RectifierLaw:
    """Give every parameter a last axis of one, so that it broadcasts over the samples."""
    values = {name: np.asarray(value)[..., None] for name, value in parameters(law).items()}
    return dataclasses.replace(law, **values)  # type: ignore[type-var]


@dataclass(frozen=True, eq=False)
class Network:
    """A circuit as matrices. Leading axis N = batch (1 for a single circuit)."""

    circuit: Circuit
    batch: int | None
    index: dict[str, int]
    unknowns: tuple[str, ...]
    conductance: Array
    reactive: Array
    reactive_values: Array
    dc: Array
    ac: Array
    groups: tuple[Group, ...]
    incidence: Array
    port_names: tuple[tuple[str, str], ...]
    rectifiers: tuple[Rectifier, ...]
    rectifier_incidence: Array
    floating: tuple[str, ...]

    @property
    def size(self) -> int:
        """Members of the batch."""
        return len(self.conductance)

    @cached_property
    def storage(self) -> Array:
        """C, shape (N or 1, n, n)."""
        values, ends = self.reactive_values, [np.flatnonzero(column) for column in self.reactive.T]
        result = np.zeros((len(values), len(self.reactive), len(self.reactive)))
        for a, b in zip(*np.nonzero(values.any(axis=0)), strict=True):
            for i, j in product(ends[a], ends[b]):
                result[:, i, j] += self.reactive[i, a] * self.reactive[j, b] * values[:, a, b]
        return result

    @property
    def node_count(self) -> int:
        """Unknowns that are node voltages; they come first."""
        return len(set(self.index.values()) - {-1})

    @cached_property
    def charged(self) -> Array:
        """Places of the nodes that a capacitor holds, or of all nodes where none does."""
        nodes = self.node_count
        held = np.flatnonzero(np.abs(self.storage[:, :nodes, :nodes]).any(axis=(0, 2)))
        return held if len(held) else np.arange(nodes)

    @cached_property
    def storage_factor(self) -> tuple[Array, Array]:
        """F (N or 1, m, m) and signs (N or 1, m) with D = F diag(sign) F'.

        Each capacitor and coil is first brought to one, so that picofarads and henries do not
        drown each other; perfectly coupled coils leave columns of F at zero.
        """
        scale = np.sqrt(np.abs(np.diagonal(self.reactive_values, axis1=1, axis2=2)))
        scale = np.where(scale > 0, scale, 1.0)
        even = self.reactive_values / (scale[:, :, None] * scale[:, None, :])
        sizes, vectors = np.linalg.eigh(even)
        kept = np.where(np.abs(sizes) > COUPLED, np.sqrt(np.abs(sizes)), 0.0)
        return scale[:, :, None] * vectors * kept[:, None, :], np.sign(sizes)

    def members(self, keep: Array) -> Network:
        """Some members of the batch, of the same circuit."""
        own = self.reactive_values
        return dataclasses.replace(
            self, batch=len(self.dc[keep]), conductance=self.conductance[keep], dc=self.dc[keep],
            ac=self.ac[keep], reactive_values=own[keep] if len(own) > 1 else own,
            groups=tuple(group.members(keep) for group in self.groups),
            rectifiers=tuple(
                dataclasses.replace(r, law=r.law.subset(keep, axes=1)) for r in self.rectifiers
            ),
        )  # fmt: skip

    def rectifier_laws(self) -> RectifierSet:
        """The laws of all rectifiers, one stacked law per class."""
        by_class: dict[type, list[int]] = {}
        for k, part in enumerate(self.rectifiers):
            by_class.setdefault(type(part.law), []).append(k)
        return RectifierSet(
            tuple(stack([self.rectifiers[k].law for k in places]) for places in by_class.values()),
            tuple(np.array(places) for places in by_class.values()),
        )

    def pick(self, x: Array, node: str) -> Array:
        """Voltage of a node from a stack of solutions [V], shape x.shape[:-1]."""
        k = -1 if node == GROUND else self.index[node]
        return x[..., k] if k >= 0 else np.zeros(x.shape[:-1], x.dtype)  # wired to ground: -1


def parameters(law: Law) -> dict[str, Value]:
    """Name and value of every parameter of a law: a dataclass of nothing else.

    Examples
    --------
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> parameters(TubeDiode(perveance=4e-4))
    {'perveance': 0.0004}
    """
    return {field.name: getattr(law, field.name) for field in dataclasses.fields(law)}  # type: ignore[arg-type]


def batch_size(values: Iterable[Value]) -> int | None:
    """The common batch length of values that are numbers or arrays (None when all are numbers).

    Raises
    ------
    CircuitError : arrays of different lengths.

    Examples
    --------
    >>> batch_size([330.0, np.array([10.0, 22.0, 47.0])])
    3
    """
    lengths = {np.shape(value)[0] for value in values if np.ndim(value) > 0}
    if len(lengths) > 1:
        raise CircuitError(
            f"the parts have different numbers of values: {sorted(lengths)}",
            fix="Give every varied value the same number of entries",
        )
    return lengths.pop() if lengths else None


def assemble(circuit: Circuit) -> Network:
    """Matrices of a circuit.

    Raises
    ------
    CircuitError : a source is shorted by wires, a value is out of range, or batch lengths differ.

    Examples
    --------
    >>> from tubekit.circuit.parts import VoltageSource, Resistor
    >>> net = assemble(Circuit((VoltageSource("B", "a", "ground", 10.0),
    ...                         Resistor("R1", "a", "ground", 5.0))))
    >>> np.linalg.solve(net.conductance, net.dc[..., None])[0, :, 0].round(6).tolist()
    [10.0, -2.0]
    """
    check_values(circuit)
    index = number_nodes(circuit)
    count = max(index.values(), default=-1) + 1
    branches = _branches(circuit)
    batch = _batch_of(circuit)
    size, total = batch or 1, count + len(branches)
    place = {name: count + k for k, name in enumerate(branches)}
    floating = floating_islands(circuit, index, count)
    conductance = conductance_matrix(circuit, index, place, (size, total, total), floating)
    reactive, values = reactive_parts(circuit, index, place, total, size)
    dc, ac = source_vectors(circuit, index, place, (size, total))
    groups, incidence, ports = _devices(circuit, index, total)
    rectifiers = tuple(p for p in circuit.parts if isinstance(p, Rectifier))
    columns = [pair(total, index, r.plate, r.cathode) for r in rectifiers]
    return Network(
        circuit, batch, index, (*node_names(index, count), *branches), conductance, reactive, values,
        dc, ac, groups, incidence, ports, rectifiers, as_columns(columns, total),
        tuple(node for node, k in index.items() if k in floating),
    )  # fmt: skip


def _branches(circuit: Circuit) -> list[str]:
    names = []
    for part in circuit.parts:
        if isinstance(part, VoltageSource):
            names.append(f"I({part.name})")
        elif isinstance(part, Windings):
            names.extend(f"I({part.name}.{j})" for j in range(len(part.ends)))
    return names


def _batch_of(circuit: Circuit) -> int | None:
    result = batch_size(_varied(circuit))
    if circuit.batch is None:
        return result
    if result not in (None, circuit.batch):
        raise CircuitError(
            f"a value has {result} entries in a batch of {circuit.batch}",
            fix="Give every varied value one entry for each member",
        )
    return circuit.batch


def _varied(circuit: Circuit) -> list[Value]:
    """Every value that may be an array."""
    values: list[Value] = []
    for part in circuit.parts:
        match part:
            case Resistor():
                values.append(part.ohms)
            case Capacitor():
                values.append(part.farads)
            case VoltageSource():
                values += [part.dc, part.ac]
            case CurrentSource():
                values.append(part.dc)
            case Windings():
                values += [*part.ohms, part.henries if np.ndim(part.henries) == 3 else 0.0]
            case Device() | Rectifier():
                values += parameters(part.law).values()
    return values


def _devices(
    circuit: Circuit, index: dict[str, int], total: int
) -> tuple[tuple[Group, ...], Array, tuple[tuple[str, str], ...]]:
    by_class: dict[type, list[Device]] = {}
    for part in circuit.parts:
        if isinstance(part, Device):
            by_class.setdefault(type(part.law), []).append(part)
    groups: list[Group] = []
    columns: list[Array] = []
    names: list[tuple[str, str]] = []
    for devices in by_class.values():
        start = len(columns)
        for device in devices:
            for terminal, node in zip(device.law.terminals, device.terminals, strict=True):
                columns.append(pair(total, index, node, device.cathode))
                names.append((device.name, terminal))
        law = stack([device.law for device in devices])
        at = slice(start, len(columns))
        groups.append(Group(law, tuple(d.name for d in devices), at, _pins(devices)))
    return tuple(groups), as_columns(columns, total), tuple(names)


def _pins(devices: list[Device]) -> Array | None:
    """How the sockets of a group are wired, (N, S, T, T); None where all are as drawn."""
    size = next((len(d.pins) for d in devices if d.pins is not None), 0)
    straight = np.eye(len(devices[0].terminals))
    every = [
        np.broadcast_to(straight if d.pins is None else d.pins, (size, *straight.shape)) for d in devices
    ]
    return np.stack(every, axis=1) if size else None
