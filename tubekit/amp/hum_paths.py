"""The parts by which ripple crosses from held nodes to the signal's side, and what each carries.

Nodes whose ripple is known (rails, heaters, mains) move to the right-hand side of the equations, part by
part; one adjoint solve per harmonic weighs them at the loudspeaker.

An amp with its supply held: rectifiers out, each rail they feed at its idle voltage.

That is the amp as the signal finds it for the length of a note, and a circuit without rectifiers, which
can be driven hard. Sag under drive is left out but for what falls across the droppers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.findings import part_words
from tubekit.amp.parts import GROUND, Jack, MainsPlug, PowerTransformer
from tubekit.amp.parts.transformers import Winding
from tubekit.amp.signal_view import GENERATOR, SignalView
from tubekit.analyses.mains import MainsState
from tubekit.analyses.part_sensitivity import coil_rows, number
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    Device,
    Part,
    Rectifier,
    Resistor,
    Value,
    VoltageSource,
    Windings,
    nodes_of,
)
from tubekit.circuit.reduction import solve_stack
from tubekit.result_fields import Array

NIL_V = 0.1
"""A return of a winding this near ground is joined to it [V]."""


@dataclass(frozen=True, eq=False)
class HumPath:
    """Hum that one part carries from held `node` into node `into`: peak phasors at the speaker, (N, H)."""

    node: str
    part: str
    into: str
    volts: Array


def hum_paths(view: SignalView, s: Array) -> Iterator[HumPath]:
    """Every part that joins a held node to the signal's side; `s` are the harmonics (H,) [rad/s]."""
    held = _Held(view, len(s))
    weights = _weights(view, held, s)
    for part in view.network.circuit.parts:
        if isinstance(part, Resistor | Capacitor):
            yield from _through_pair(held, weights, part, s)
        elif isinstance(part, Windings):
            yield from _through_coils(held, weights, part)
        elif isinstance(part, Device):
            yield from _through_tube(view, held, weights, part)


class _Held:
    """Held nodes by number, with their names and peak phasors over the harmonics."""

    def __init__(self, view: SignalView, harmonics: int) -> None:
        self.network: Network = view.network
        self.names: dict[int, str] = {}
        self.volts: dict[int, Array] = {}
        state = view.solved.state
        for node in sorted(view.solved.held_nodes):
            place = number(self.network, node)
            if place >= 0 and place not in self.names:
                self.names[place] = node
                orders = range(1, harmonics + 1)
                self.volts[place] = np.stack([state.harmonic(node, order) for order in orders], axis=1)

    def number(self, node: str) -> int:
        return number(self.network, node)

    def free(self, place: int) -> bool:
        """A node whose voltage is to be found."""
        return place >= 0 and place not in self.names


def _weights(view: SignalView, held: _Held, s: Array) -> Array:
    """What a unit on the right-hand side of each equation makes at the loudspeaker, (N, H, n)."""
    network = view.network
    kept = np.ones(len(network.unknowns), bool)
    kept[list(held.names)] = False
    for part in network.circuit.parts:
        if isinstance(part, VoltageSource) and not any(held.free(held.number(n)) for n in (part.a, part.b)):
            kept[network.unknowns.index(f"I({part.name})")] = False
        elif isinstance(part, Windings) and not any(held.free(held.number(n)) for e in part.ends for n in e):
            kept[coil_rows(network, part)] = False
    inner = np.ix_(np.arange(len(view.matrix)), kept, kept)
    matrix = view.matrix[inner].transpose(0, 2, 1)
    storage = np.broadcast_to(network.storage, view.matrix.shape)[inner].transpose(0, 2, 1)
    weights = np.zeros((len(matrix), len(s), len(kept)), complex)
    right = np.broadcast_to(view.out[kept].astype(complex)[:, None], (len(matrix), int(kept.sum()), 1))
    for k, each in enumerate(s):
        weights[:, k, kept] = solve_stack(matrix + each * storage, right)[..., 0]
    return weights


def _through_pair(held: _Held, weights: Array, part: Resistor | Capacitor, s: Array) -> Iterator[HumPath]:
    value = part.ohms if isinstance(part, Resistor) else part.farads
    column = np.atleast_1d(np.asarray(value, float))[:, None]
    admittance = 1.0 / column if isinstance(part, Resistor) else s * column
    for here, there in ((part.a, part.b), (part.b, part.a)):
        source, into = held.number(here), held.number(there)
        if source in held.names and held.free(into):
            volts = admittance * held.volts[source] * weights[:, :, into]
            yield HumPath(held.names[source], part_words(part.name), there, volts)


def _through_coils(held: _Held, weights: Array, part: Windings) -> Iterator[HumPath]:
    rows = coil_rows(held.network, part)
    for k, ((a, b), row) in enumerate(zip(part.ends, rows, strict=True), 1):
        for here, there, sign in ((a, b, -1.0), (b, a, 1.0)):
            source = held.number(here)
            if source in held.names and held.free(held.number(there)):
                name = f"{part.name} section {k}" if len(rows) > 1 else part.name
                yield HumPath(held.names[source], name, there, sign * held.volts[source] * weights[:, :, row])


def _through_tube(view: SignalView, held: _Held, weights: Array, part: Device) -> Iterator[HumPath]:
    """A terminal straight on a rail moves all of the tube's currents."""
    network = held.network
    ports = [k for k, (name, _) in enumerate(network.port_names) if name == part.name]
    slopes = block_diagonal(network.groups, list(view.point.slopes))[:, ports][:, :, ports]
    into = np.matmul(weights, network.incidence[:, ports])  # (N, H, T)
    for j, node in enumerate(part.terminals):
        source = held.number(node)
        if source in held.names:
            volts = -np.einsum("nht,nt->nh", into, slopes[:, :, j]) * held.volts[source]
            yield HumPath(held.names[source], f"{part.name} itself", node, volts)
    source = held.number(part.cathode)
    if source in held.names:
        volts = np.einsum("nht,ntj->nh", into, slopes) * held.volts[source]
        yield HumPath(held.names[source], f"{part.name} itself", part.cathode, volts)


EMF, BLOCKED = "generator tip", "generator lead"
BLOCKING_F = 1e-3
"""Between the generator and a jack that carries bias [F]: no reactance to speak of."""
LEAST_OHMS = 1e-3


def held_supply(view: SignalView, volts_peak: Value = 0.0) -> Circuit:
    """The circuit with rails held and the generator giving a sine of `volts_peak` [V peak].

    The line side and the windings that feed rectifiers are left out. A heater winding stays as its copper:
    its center tap may be on the output cathodes, or the filament be the cathode itself.
    """
    state = view.solved.state
    rails = held_means(view.amp, state)
    gone = _mains_side(view) - set(rails)
    parts = [*_kept(view.point.circuit.parts, gone), *_copper(view, gone)]
    for node, mean in sorted(rails.items()):
        parts.append(VoltageSource(f"{node} held", node, GROUND, view.solved.one(mean)))
    parts += generator(view.jack, volts_peak, view.source_ohms, view.blocked)
    return view.point.circuit.made_of(parts)


def held_means(amp: Amp, state: MainsState) -> dict[str, Array]:
    """Means of the nodes that a supply holds [V]: what rectifiers deliver to, and back bias."""
    means = {node: state.mean(node) for node in amp.topology.delivered}
    back = {node: state.mean(node) for node in amp.topology.returned}
    return means | {node: mean for node, mean in back.items() if np.min(np.abs(mean)) > NIL_V}


def generator(jack: Jack, volts_peak: Value, ohms: float, blocked: bool) -> list[Part]:
    """A generator of `volts_peak` [V peak] and `ohms` [Ω] at a jack, through a capacitor where `blocked`."""
    tip, sleeve = jack.tip, jack.sleeve
    parts: list[Part] = [
        VoltageSource(GENERATOR, EMF, sleeve, ac=volts_peak),
        Resistor(f"{GENERATOR} ohms", EMF, BLOCKED if blocked else tip, ohms),
    ]
    if blocked:
        parts.append(Capacitor(f"{GENERATOR} capacitor", BLOCKED, tip, BLOCKING_F))
    return parts


def _mains_side(view: SignalView) -> set[str]:
    """Nodes of the line, and of windings that feed rectifiers or are joined to nothing but heaters."""
    circuit = view.solved.built.circuit
    plates = {part.plate for part in circuit.of(Rectifier)}
    nodes = {*plates}
    for part in view.amp.parts.values():
        if isinstance(part, MainsPlug):
            nodes |= set(part.nodes)
        elif isinstance(part, PowerTransformer):
            for winding in part.windings:
                if winding is part.primary or plates & set(winding.taps) or not _joined(view, winding):
                    nodes |= set(winding.taps)
    return nodes - {GROUND}


def _joined(view: SignalView, winding: Winding) -> bool:
    """Whether anything but heaters is at a winding."""
    own = set(winding.taps)
    if GROUND in own:
        return True
    others = (
        part for part in view.solved.built.circuit.parts
        if not isinstance(part, Windings | Rectifier) and not part.name.endswith(".heater")
    )  # fmt: skip
    return any(own & set(nodes_of(part)) for part in others)


def _copper(view: SignalView, gone: set[str]) -> Iterator[Part]:
    """The windings that stay, as the resistance of their copper."""
    for part in view.amp.parts.values():
        if isinstance(part, PowerTransformer) and part.condition == "fitted":
            for winding in part.windings:
                for k, ((a, b), ohms) in enumerate(zip(winding.sections, winding.ohms, strict=True), 1):
                    if not {a, b} & gone:
                        copper = np.maximum(ohms, LEAST_OHMS)
                        yield Resistor(f"{part.designator} {winding.name} {k}", a, b, copper)


def _kept(parts: tuple[Part, ...], gone: set[str]) -> Iterator[Part]:
    for part in parts:
        outside = set(nodes_of(part)) & gone or isinstance(part, Rectifier) or part.name == GENERATOR
        if not outside:
            yield part
