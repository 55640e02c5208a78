"""Parts that join named nodes. `ground` is the reference node.

Every value may be a number or a one-dimensional array: N values make N circuits of one shape,
solved at once. A part knows nothing of what an amp is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from tubekit.devices.law import Law
from tubekit.devices.rectifier import RectifierLaw
from tubekit.errors import CircuitError

GROUND = "ground"

Value = float | np.ndarray


@dataclass(frozen=True, eq=False)
class Resistor:
    """Joins `a` and `b` by `ohms` [Ω], above zero."""

    name: str
    a: str
    b: str
    ohms: Value


@dataclass(frozen=True, eq=False)
class Capacitor:
    """Joins `a` and `b` by `farads` [F]; open at DC."""

    name: str
    a: str
    b: str
    farads: Value


@dataclass(frozen=True, eq=False)
class Wire:
    """Makes `a` and `b` one node: a closed switch, a shorted part."""

    name: str
    a: str
    b: str


@dataclass(frozen=True, eq=False)
class Windings:
    """Coupled coils: one for a choke, several for a transformer.

    `ends[j]` are the nodes of coil j (start first), `ohms[j]` [Ω] its copper, `henries` [H] the
    symmetric inductance matrix, shape (coils, coils) or (N, coils, coils). Short but for the
    copper at DC.

    Examples
    --------
    >>> Windings("L1", (("b0", "b1"),), (250.0,), np.array([[10.0]])).ends
    (('b0', 'b1'),)
    """

    name: str
    ends: tuple[tuple[str, str], ...]
    ohms: tuple[Value, ...]
    henries: np.ndarray


@dataclass(frozen=True, eq=False)
class VoltageSource:
    """Holds `a` above `b` by `dc` [V] plus a sine whose peak is `ac` [V]."""

    name: str
    a: str
    b: str
    dc: Value = 0.0
    ac: Value = 0.0


@dataclass(frozen=True, eq=False)
class CurrentSource:
    """Drives `dc` [A] out of `a`, through itself, into `b`."""

    name: str
    a: str
    b: str
    dc: Value = 0.0


@dataclass(frozen=True, eq=False)
class Device:
    """One tube section: `terminals` are its nodes in the order of `law.terminals`.

    Examples
    --------
    >>> from tubekit.devices.triode import Triode
    >>> V1a = Device("V1a", Triode(perveance=1e-3, mu=100), terminals=("p", "g"), cathode="k")
    >>> dict(zip(V1a.law.terminals, V1a.terminals))
    {'plate': 'p', 'grid': 'g'}

    With `pins` (N, T, T) the law sees that matrix times the voltages of the terminals, and its currents
    flow by the transposed one: a socket wired wrongly, one matrix for each member of the batch.
    """

    name: str
    law: Law
    terminals: tuple[str, ...]
    cathode: str
    pins: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Rectifier:
    """One diode of a supply, solved over the line cycle."""

    name: str
    law: RectifierLaw
    plate: str
    cathode: str


Part = Resistor | Capacitor | Wire | Windings | VoltageSource | CurrentSource | Device | Rectifier

Kind = TypeVar("Kind", Resistor, Capacitor, Wire, Windings, VoltageSource, CurrentSource, Device, Rectifier)


def nodes_of(part: Part) -> tuple[str, ...]:
    """Every node a part touches, in drawing order.

    Examples
    --------
    >>> nodes_of(Resistor("R1", "in", "ground", 1e6))
    ('in', 'ground')
    """
    match part:
        case Windings():
            return tuple(node for pair in part.ends for node in pair)
        case Device():
            return (*part.terminals, part.cathode)
        case Rectifier():
            return (part.plate, part.cathode)
        case _:
            return (part.a, part.b)


@dataclass(frozen=True, eq=False)
class Circuit:
    """A set of parts. Names are unique; nodes come into being by being named.

    `batch` says how many circuits it stands for where that is known from elsewhere (an amp says it), even
    if none of the varied values is in it. Left out, the values say it: any that is an array makes a batch,
    an array of one too.

    Examples
    --------
    >>> divider = Circuit((VoltageSource("B", "top", "ground", 300.0),
    ...                    Resistor("R1", "top", "mid", 1e5), Resistor("R2", "mid", "ground", 2e5)))
    >>> divider.nodes
    ('top', 'mid')
    """

    parts: tuple[Part, ...]
    title: str = ""
    batch: int | None = None
    nodes: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        parts = tuple(self.parts)
        _refuse_duplicates(part.name for part in parts)
        seen = dict.fromkeys(node for part in parts for node in nodes_of(part))
        seen.pop(GROUND, None)
        object.__setattr__(self, "parts", parts)
        object.__setattr__(self, "nodes", tuple(seen))

    def of(self, kind: type[Kind]) -> list[Kind]:
        """The parts of one class, in order."""
        return [part for part in self.parts if isinstance(part, kind)]

    def made_of(self, parts: Iterable[Part]) -> Circuit:
        """A circuit of other parts, under the same title and of the same batch."""
        return Circuit(tuple(parts), self.title, self.batch)

    def with_parts(self, *extra: Part) -> Circuit:
        """The same circuit with parts added."""
        return self.made_of((*self.parts, *extra))

    @property
    def cold(self) -> Circuit:
        """The same with cold tubes: without those whose cathode must be heated."""
        return self.without(*(d.name for d in self.of(Device) if getattr(d.law, "emission_parameter", "")))

    def without(self, *names: str) -> Circuit:
        """The same circuit with the named parts taken out."""
        return self.made_of(p for p in self.parts if p.name not in names)


def _refuse_duplicates(names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise CircuitError("two parts have this name", part=name, fix="Give each part its own designator")
        seen.add(name)


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
