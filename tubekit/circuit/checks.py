"""Values no circuit can have, refused before they become infinities in a matrix."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    CurrentSource,
    Device,
    Part,
    Resistor,
    Value,
    VoltageSource,
    Windings,
)
from tubekit.errors import CircuitError


def check_values(circuit: Circuit) -> None:
    """Refuse values out of range.

    Raises
    ------
    CircuitError : a resistance not above zero, a negative capacitance or copper resistance, a value that
        is not a number, an inductance matrix or a set of terminals of the wrong size.

    Examples
    --------
    >>> check_values(Circuit((Resistor("R1", "a", "ground", 0.0),)))
    Traceback (most recent call last):
    ...
    tubekit.errors.CircuitError: R1: a resistance of 0 Ω is not above zero. For a short use a wire, ...
    """
    for part in circuit.parts:
        match part:
            case Resistor():
                _check_resistor(part)
            case Capacitor():
                _not_below_zero(part, "capacitance", part.farads, "F")
            case VoltageSource():
                _numbers(part, (part.dc, part.ac))
            case CurrentSource():
                _numbers(part, (part.dc,))
            case Windings():
                _check_windings(part)
            case Device():
                _check_terminals(part)


def _check_resistor(part: Resistor) -> None:
    _numbers(part, (part.ohms,))
    if np.any(np.asarray(part.ohms) <= 0):
        raise CircuitError(
            f"a resistance of {np.min(part.ohms):g} Ω is not above zero",
            part=part.name,
            fix="For a short use a wire, for an open leave the part out",
        )


def _check_windings(part: Windings) -> None:
    coils = len(part.ends)
    if np.shape(part.henries)[-2:] != (coils, coils) or len(part.ohms) != coils:
        raise CircuitError(
            f"{coils} coils need {coils} resistances and an inductance matrix of {coils} by {coils}",
            part=part.name,
        )
    _numbers(part, (part.henries,))
    for ohms in part.ohms:
        _not_below_zero(part, "copper resistance", ohms, "Ω")


def _check_terminals(part: Device) -> None:
    wanted = part.law.terminals
    if len(part.terminals) != len(wanted):
        raise CircuitError(
            f"{len(part.terminals)} terminals are given",
            part=part.name,
            fix=f"Name the nodes of {', '.join(wanted)}, then the cathode",
        )


def _numbers(part: Part, values: Iterable[Value]) -> None:
    if not all(np.isfinite(value).all() for value in values):
        raise CircuitError("a value is not a finite number", part=part.name)


def _not_below_zero(part: Part, what: str, value: Value, unit: str) -> None:
    _numbers(part, (value,))
    if np.any(np.asarray(value) < 0):
        raise CircuitError(f"a {what} of {np.min(value):g} {unit} is below zero", part=part.name)
