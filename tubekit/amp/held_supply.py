"""An amp with its supply held: rectifiers out, each rail they feed at its idle voltage.

That is the amp as the signal finds it for the length of a note, and a circuit without rectifiers, which
can be driven hard. Sag under drive is left out but for what falls across the droppers.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tubekit.amp.parts import GROUND, MainsPlug, PowerTransformer
from tubekit.amp.signal_view import GENERATOR, SignalView
from tubekit.circuit.parts import Circuit, Part, Rectifier, Resistor, Value, VoltageSource, nodes_of

EMF = "generator tip"


def held_supply(view: SignalView, volts_peak: Value = 0.0) -> Circuit:
    """The circuit with rails held and the generator giving a sine of `volts_peak` [V peak].

    Heaters and everything else on the mains side are left out.
    """
    rails = view.amp.topology.delivered
    gone = _mains_side(view) - set(rails)
    parts = list(_kept(view.point.circuit.parts, gone))
    state = view.solved.state
    for node in sorted(rails):
        mean = state.mean(node)
        parts.append(VoltageSource(f"{node} held", node, GROUND, view.solved.one(mean)))
    tip, sleeve = view.jack.tip, view.jack.sleeve
    parts.append(VoltageSource(GENERATOR, EMF, sleeve, ac=volts_peak))
    parts.append(Resistor(f"{GENERATOR} ohms", EMF, tip, view.source_ohms))
    return view.point.circuit.made_of(parts)


def _mains_side(view: SignalView) -> set[str]:
    nodes: set[str] = set()
    for part in view.amp.parts.values():
        if isinstance(part, PowerTransformer | MainsPlug):
            nodes |= set(part.nodes)
    nodes |= {part.plate for part in view.solved.built.circuit.of(Rectifier)}
    return nodes - {GROUND}


def _kept(parts: tuple[Part, ...], gone: set[str]) -> Iterator[Part]:
    for part in parts:
        outside = set(nodes_of(part)) & gone or isinstance(part, Rectifier) or part.name == GENERATOR
        if not outside:
            yield part


def drives(low: float, high: float, count: int) -> np.ndarray:
    """Drive amplitudes in even steps of decibels [V peak]."""
    return np.geomspace(low, high, count)
