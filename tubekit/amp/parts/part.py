"""What every part of an amp has: designator, role, note, condition and the nodes it joins."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar, NamedTuple

import numpy as np

from tubekit.amp.fields import Choice, FieldSpec, Listed, NodeName, Quantity, Value, Words, fields_of, written
from tubekit.amp.parts.faults import Age, CircuitParameter, Fault, Variable
from tubekit.circuit import parts as wired

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

GROUND = "ground"
HEAT = "heat"
"""Key of what heaters get: volts over rated volts."""
Edge = tuple[str, str]
CONDITIONS = ("fitted", "open", "short")
REVERSED = "reversed"
PAIR = Listed(NodeName(), 2, 2)
TOLERANCE = Quantity("%", 0.0, 100.0)
TOLERANCE_TAKEN = 0.3
"""Of a kind whose usual tolerance is not known; common practice, no source."""
WATTS, VOLTS, AMPS = Quantity("W", 0.01, 1e4), Quantity("V", 1.0, 1e5), Quantity("A", 1e-3, 100.0)


class Rating(NamedTuple):
    """One rating of a part and what it has to bear; `code` is one of `decisions.rating.KINDS`."""

    part: str
    code: str
    value: Value
    limit: Value | None
    rule: str


class Symbol(NamedTuple):
    """One symbol of a part on a drawing: its name, which one, its pins (terminal, node), words beside it."""

    name: str
    symbol: str
    pins: tuple[Edge, ...]
    words: str = ""


class Assumed(NamedTuple):
    """A usual value taken where the file states none: in words, of what, and the key that would state it.

    `without` is the part as it would be without what was assumed.
    """

    words: str
    of: str
    key: str
    without: Part


@dataclass(frozen=True, eq=False)
class Hookup:
    """What the circuit of a part depends on beside the part: the line, and what its own current has set.

    `settled` has the values of parts that set themselves, by designator; into `notes` goes what the drawing
    left open.
    """

    mains_rms: Value
    design_mains_rms: float
    mains_hz: float
    settled: Mapping[str, Value] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def heat(self, designator: str = "") -> Value:
        """Voltage of the heaters and lamps over their rated one: that of the line unless it was set."""
        whole = self.settled.get(HEAT, np.asarray(self.mains_rms) / self.design_mains_rms)
        return self.settled.get(f"{designator}.{HEAT}", whole)


@dataclass(frozen=True, eq=False, kw_only=True)
class Part:
    """What every part has: its designator, its role in words, a note and its condition.

    Examples
    --------
    >>> from tubekit.amp.parts import Resistor
    >>> part = Resistor(designator="R14", ends=("k34", "ground"), ohms=270.0, watts=5.0)
    >>> print(part)
    R14 resistor 270 Ω between k34 and ground
    """

    kind: ClassVar[str] = ""
    letters: ClassVar[tuple[str, ...]] = ()
    bench: ClassVar[str] = ""
    """What a list calls the kind where its own name will not do."""
    without: ClassVar[tuple[tuple[str, str], ...]] = ()
    """Why a kind has no faults, ratings …, where it has none."""
    apart: ClassVar[tuple[Edge, ...]] = ()
    """Pairs of terminals that must not be on one node."""
    preferred: ClassVar[str] = ""
    """Series of preferred values (IEC 60063) it is sold in, where it has substitutes of other values."""
    controls: ClassVar[tuple[str, ...]] = ()
    """Fields that a hand changes at the bench, the most usual first."""
    usual_tolerance: ClassVar[float] = TOLERANCE_TAKEN
    metal: ClassVar[bool] = False  # what it conducts is as good as one piece of metal: a wire, contact, fuse
    is_control: ClassVar[bool] = False
    """Whether it has a `position`, 0 to 1, that a hand turns."""

    designator: str
    role: str = field(default="", metadata=written(Words()))
    note: str = field(default="", metadata=written(Words()))
    condition: str = "fitted"

    @cached_property
    def terminals(self) -> tuple[tuple[str, str], ...]:
        """(terminal, node) of everything that is joined, as the terminals are named in the file."""
        return tuple(terminals_of(self))

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every node this part touches, each once, in drawn order."""
        return tuple(dict.fromkeys(node for _, node in self.terminals))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Circuit of the part, as a good part."""
        raise NotImplementedError

    def assumed(self) -> Iterator[Assumed]:
        """Usual values that matter to the signal, where the file does not state them."""
        yield from ()

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002 - a kind may use it
        """Pairs of nodes joined at DC; tubes and diodes, which conduct one way, join none.

        `as_wired` takes every switch as closed, every plug as in and every part as good: the wiring, not
        its state.
        """
        yield from ()

    def symbols(self) -> Iterator[Symbol]:
        """Symbols drawn for it."""
        yield Symbol(self.designator, self.kind, self.terminals)

    def couples(self) -> Iterator[Edge]:
        """Pairs of nodes that pass a signal, as the part is set: what conducts, and what only couples."""
        yield from self.conducts()

    def rectifies(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """(anode, cathode) of every path that passes current one way only, amplifying sections left out."""
        yield from ()

    @property
    def tolerance(self) -> float:
        """Tolerance as stated, else the usual one, as a fraction."""
        return stated(getattr(self, "tolerance_percent", None), self.usual_tolerance)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Values that differ between good parts; `known` is the accuracy it was measured with, if it was."""
        yield from ()

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Checks of its ratings in a steady state; `rectified` are the nodes at rectifiers."""
        yield from ()

    @property
    def fails(self) -> str:
        """Way it fails beyond a rating, where not as that rating says."""
        return ""

    @property
    def sets_itself(self) -> bool:
        """Whether its value depends on its own current."""
        return False

    def follows(self, old: Part) -> Part:  # noqa: ARG002 - a kind may use it
        """The part put in for `old` by its main value alone: what else was measured on `old` may follow."""
        return self

    def set_by(self, state: MainsState) -> tuple[str, Value]:
        """Value that a steady state sets it to, (N,), with its key in `Hookup.settled`."""
        raise NotImplementedError

    def with_condition(self, word: str) -> Part | None:  # noqa: ARG002 - a kind may use it
        """The part 'fitted', 'open', 'short' or 'reversed'; None where its kind cannot be calculated so."""
        return None

    def meeting(self) -> Iterator[tuple[str, str, str]]:
        """(terminal, terminal, node) of terminals that must not meet, and do."""
        terminals = dict(self.terminals)
        for one, two in self.apart:
            if one in terminals and terminals[one] == terminals.get(two):
                yield one, two, terminals[one]

    def ohmmeter(self) -> Iterator[Edge]:
        """Pairs of nodes between which its resistance is measured with the power off."""
        yield from ()

    def unheated(self, nodes: Iterable[str]) -> Mapping[CircuitParameter, tuple[float, float]]:  # noqa: ARG002
        """Sections lost where these nodes give its heater no volts."""
        return {}

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Faults it can have, in an amp of these `parts`."""
        yield from ()

    @cached_property
    def main(self) -> FieldSpec | None:
        """The field that a bare value in a change means."""
        return next((one for one in fields_of(type(self)) if one.main), None)

    def marking(self, one: Callable[[Value], float] = float) -> list[str]:
        """Its value, then its state; `one` picks a member of a batch.

        Examples
        --------
        >>> from tubekit.amp.parts import Resistor
        >>> Resistor(designator="R14", ends=("k34", "ground"), ohms=4700.0, condition="open").marking()
        ['4.7k', 'OPEN']
        """
        words = [] if self.condition == "fitted" else [self.condition.upper()]
        if self.main is None:
            return words
        value, form = getattr(self, self.main.name), self.main.form
        if np.ndim(value) and not isinstance(value, tuple):
            value = one(value)
        text = form.show(value)
        if getattr(form, "unit", "") in ("ohm", "F"):  # as a schematic has room for: 4.7k, 270, 20µ
            text = text.replace(" ", "").rstrip("ΩF")
        return [text, *words]

    def __str__(self) -> str:
        value = "" if self.main is None else getattr(self, self.main.name)
        value = f" {self.main.form.show(value)}" if self.main is not None and value is not None else ""
        state = "" if self.condition == "fitted" else f" ({self.condition})"
        joined = "between " if len(self.nodes) == 2 else "at "
        return f"{self.designator} {self.kind}{value}{state} {joined}{_listed(self.nodes)}"


@dataclass(frozen=True, eq=False, kw_only=True)
class TwoTerminal(Part):
    """A part with two ends; it can go open or short."""

    apart = (("nodes[1]", "nodes[2]"),)
    switches: ClassVar[bool] = False
    lead_words: ClassVar[tuple[str, str]] = ("from", "to")
    """What its ends are called."""

    ends: tuple[str, str] = field(metadata=written(PAIR, "nodes"))
    condition: str = field(default="fitted", metadata=written(Choice(CONDITIONS)))

    def with_condition(self, word: str) -> Part | None:
        """Open, shorted, or with its ends exchanged where that matters."""
        if word in CONDITIONS:
            return replace(self, condition=word)
        return replace(self, ends=(self.b, self.a)) if word == REVERSED and self.one_way() else None

    def one_way(self) -> bool:
        """Whether it matters which way round it is fitted."""
        return False

    def closed(self) -> bool:
        """Whether a good part of this kind joins its ends at DC as it is set."""
        return True

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:
        """Its two ends, unless it blocks DC, is switched open or has gone open."""
        if self.condition != "fitted" and not as_wired:
            joined = self.condition == "short"
        else:
            joined = self.closed() or (as_wired and self.switches)
        if joined:
            yield self.ends

    def couples(self) -> Iterator[Edge]:
        """Its two ends, unless it is switched open or has gone open."""
        if self.condition == "short" or (self.condition == "fitted" and (self.closed() or not self.switches)):
            yield self.ends

    def symbols(self) -> Iterator[Symbol]:
        """A symbol in a wire."""
        yield Symbol(self.designator, self.kind, (("a", self.a), ("b", self.b)), self.designator)

    @property
    def a(self) -> str:
        """Node of the first end (the + end of an electrolytic, the anode of a diode)."""
        return self.ends[0]

    @property
    def b(self) -> str:
        """Node of the second end."""
        return self.ends[1]


def terminals_of(part: Part) -> Iterator[tuple[str, str]]:
    """(terminal, node) of every field of a part that names nodes."""
    for one in fields(part):
        form, value = one.metadata.get("form"), getattr(part, one.name)
        key = (one.metadata.get("key") if form else "") or one.name
        if isinstance(form, NodeName) and value is not None:
            yield key, value
        elif isinstance(form, Listed) and isinstance(form.entry, NodeName):
            yield from ((f"{key}[{number}]", node) for number, node in enumerate(value, 1))
        elif one.name in {"windings", "sections"}:
            yield from _inner_terminals(value)


def _inner_terminals(inner: tuple[object, ...]) -> Iterator[tuple[str, str]]:
    for record in inner:
        name = getattr(record, "name")  # noqa: B009 - a winding or a tube section
        for one in fields(record):  # type: ignore[arg-type]
            form, value = one.metadata.get("form"), getattr(record, one.name)
            if isinstance(form, NodeName) and value is not None:
                yield f"{name}.{one.name}", value
            elif isinstance(form, Listed) and isinstance(form.entry, NodeName):
                yield from ((f"{name}.nodes[{n}]", node) for n, node in enumerate(value, 1))


def _listed(nodes: tuple[str, ...]) -> str:
    return " and ".join(nodes) if len(nodes) == 2 else ", ".join(nodes)


def stated(percent: Value | None, usual: float) -> float:
    """A tolerance as stated in percent, else the usual one, as a fraction."""
    return usual if percent is None else float(np.max(percent)) / 100.0


def across(state: MainsState, a: str, b: str) -> np.ndarray:
    """Effective voltage between two nodes, direct part included [V]."""
    return np.asarray(np.hypot(state.mean(a, b), state.ripple_rms(a, b)))
