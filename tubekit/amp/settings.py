"""An amp's circuit with its numbers turned: factors and addends of parts, leaks and gas currents drawn in."""

from __future__ import annotations

import dataclasses
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence

import numpy as np

from tubekit.amp.parts.faults import GAS, LEAK, NO_LEAK, Adjustment, CircuitParameter
from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    CurrentSource,
    Device,
    Part,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
    Wire,
)
from tubekit.result_fields import Array

Settings = Mapping[CircuitParameter, tuple[Array, Array]]
"""For each knob a factor and an addend, (N,) each."""


def with_leaks(circuit: Circuit, drawn: Container[str], wanted: Container[str] | None = None) -> Circuit:
    """The circuit with a leak across each capacitor that is `drawn`, and a grid current into each tube.

    Those that are there stay; `wanted` names the only ones that are added.
    """
    return circuit.made_of(_leaking(circuit, drawn, wanted))


def _leaking(circuit: Circuit, drawn: Container[str], wanted: Container[str] | None) -> Iterator[Part]:
    there = {part.name for part in circuit.parts}
    for part in circuit.parts:
        yield part
        new: Part | None = None
        if isinstance(part, Capacitor) and part.name in drawn:
            new = Resistor(part.name + LEAK, part.a, part.b, NO_LEAK)
        elif isinstance(part, Device):
            new = CurrentSource(part.name + GAS, GROUND, part.terminals[-1], 0.0)
        if new is not None and new.name not in there and (wanted is None or new.name in wanted):
            yield new


def apply_settings(circuit: Circuit, settings: Settings) -> Circuit:
    """The circuit with its knobs turned; every setting is (factor, addend), (N,) each."""
    by_part: dict[str, dict[str, tuple[Array, Array]]] = {}
    for parameter, value in settings.items():
        by_part.setdefault(parameter.part, {})[parameter.field] = value
    return circuit.made_of(
        _apply(part, by_part[part.name]) if part.name in by_part else part for part in circuit.parts
    )


def _apply(part: Part, fields: Mapping[str, tuple[Array, Array]]) -> Part:
    match part:
        case Windings():
            return _apply_to_coils(part, fields)
        case Wire():  # a part that is shorted: its value no longer matters
            return part
        case Device() | Rectifier():
            law = part.law
            own = law.parameters()
            new = {name: np.asarray(own[name]) * f + a for name, (f, a) in fields.items()}
            return dataclasses.replace(part, law=dataclasses.replace(law, **new))  # type: ignore[type-var, arg-type]
        case VoltageSource():
            factor, _ = fields["volts"]
            return dataclasses.replace(part, ac=np.asarray(part.ac) * factor)
        case CurrentSource():
            factor, addend = fields["amps"]
            return dataclasses.replace(part, dc=np.asarray(part.dc) * factor + addend)
        case _:
            new = {n: np.asarray(getattr(part, n)) * f + a for n, (f, a) in fields.items()}
            return dataclasses.replace(part, **new)


def _apply_to_coils(part: Windings, fields: Mapping[str, tuple[Array, Array]]) -> Windings:
    ohms, henries = list(part.ohms), np.asarray(part.henries)
    for name, (factor, addend) in fields.items():
        coil = CircuitParameter(part.name, name).coil
        if name.startswith("copper"):
            ohms[coil] = np.asarray(ohms[coil]) * factor + addend
        else:
            scale = np.ones((*np.shape(factor), len(part.ends)))
            scale[..., coil] = factor
            henries = henries * scale[..., :, None] * scale[..., None, :]
    return dataclasses.replace(part, ohms=tuple(ohms), henries=henries)


def combine_settings(
    turns: Iterable[tuple[Sequence[Adjustment], Array]], size: int
) -> dict[CircuitParameter, tuple[Array, Array]]:
    """Settings for `size` amps from (turns, x) pairs: x (N,) moves every knob of its turns.

    Examples
    --------
    >>> twice = combine_settings([((Adjustment(CircuitParameter("R1", "ohms")),), np.log([2.0]))], 1)
    >>> twice[CircuitParameter("R1", "ohms")][0].round(6).tolist()
    [2.0]
    """
    result: dict[CircuitParameter, tuple[Array, Array]] = {}
    for each, x in turns:
        for turn in each:
            factor, addend = result.get(turn.parameter, (np.ones(size), np.zeros(size)))
            if turn.adds:
                result[turn.parameter] = factor, addend + turn.gain * x
            else:
                result[turn.parameter] = factor * np.exp(turn.gain * x), addend
    return result
