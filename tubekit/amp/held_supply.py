"""An amp with its supply held: rectifiers out, each rail they feed at its idle voltage.

That is the amp as the signal finds it for the length of a note, and a circuit without rectifiers, which
can be driven hard. Sag under drive is left out but for what falls across the droppers.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tubekit.amp.parts import GROUND, Jack, MainsPlug, PowerTransformer
from tubekit.amp.parts.transformers import Winding
from tubekit.amp.signal_view import GENERATOR, SignalView
from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    Part,
    Rectifier,
    Resistor,
    Value,
    VoltageSource,
    Windings,
    nodes_of,
)

EMF, BLOCKED = "generator tip", "generator lead"
BLOCKING_F = 1e-3
"""Between the generator and a jack that carries bias [F]: no reactance to speak of."""
LEAST_OHMS = 1e-3


def held_supply(view: SignalView, volts_peak: Value = 0.0) -> Circuit:
    """The circuit with rails held and the generator giving a sine of `volts_peak` [V peak].

    The line side and the windings that feed rectifiers are left out. A heater winding stays as its copper:
    its center tap may be on the output cathodes, or the filament be the cathode itself.
    """
    rails = view.amp.topology.delivered
    gone = _mains_side(view) - set(rails)
    parts = [*_kept(view.point.circuit.parts, gone), *_copper(view, gone)]
    state = view.solved.state
    for node in sorted(rails):
        mean = state.mean(node)
        parts.append(VoltageSource(f"{node} held", node, GROUND, view.solved.one(mean)))
    parts += generator(view.jack, volts_peak, view.source_ohms, view.blocked)
    return view.point.circuit.made_of(parts)


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
