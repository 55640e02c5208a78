"""What opens a circuit: switches and fuses."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import Choice, Form, Listed, NodeName, Quantity, Value, Words, YesNo, as_text, written
from tubekit.amp.parts.faults import Adjustment, Age, CircuitParameter, Fault, Variable
from tubekit.amp.parts.part import (
    AMPS,
    GROUND,
    Edge,
    Hookup,
    Part,
    Rating,
    Symbol,
    TwoTerminal,
    across,
    terminals_of,
)
from tubekit.circuit import parts as wired
from tubekit.errors import InputError

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState


FUSE_DROP_V = 0.1
"""Drop of a fuse at its rating, where no resistance is stated [V]; common practice, no source."""
LEAST_OHMS = 1e-3


@dataclass(frozen=True, eq=False, kw_only=True)
class Switch(TwoTerminal):
    """Switch with one contact; `position` is 'closed' or 'open'."""

    kind, letters, switches, metal, controls = "switch", ("S",), True, True, ("position",)
    without = (
        ("varies", "a good contact has no resistance that shows"),
        ("ratings", "amp files do not state it"),
    )
    position: str = field(metadata=written(Choice(("closed", "open")), main=True))

    def closed(self) -> bool:
        """Whether its contact is drawn closed."""
        return self.position == "closed"

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A wire where it is closed."""
        if self.closed():
            yield wired.Wire(self.designator, self.a, self.b)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Its contact does not close."""
        if self.closed():
            yield Fault(self.designator, "contact does not close", becomes=replace(self, position="open"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Selector(Part):
    """Selector switch, such as a line voltage selector: `position` counts its contacts from 1."""

    kind, letters, metal = "selector switch", ("S",), True
    without = (
        ("varies", "a good contact has no resistance that shows"),
        ("ratings", "amp files do not state it"),
    )
    common: str = field(metadata=written(NodeName()))
    contacts: tuple[str, ...] = field(metadata=written(Listed(NodeName(), 2, 12, "contacts")))
    position: float = field(metadata=written(Quantity("", 1, 12), main=True))

    def meeting(self) -> Iterator[tuple[str, str, str]]:
        """A contact on the common terminal's node."""
        for n, node in enumerate(self.contacts, 1):
            if node == self.common:
                yield "common", f"contacts[{n}]", node

    @property
    def chosen(self) -> str:
        """Node of the contact that is closed."""
        return self.contacts[min(round(float(self.position)), len(self.contacts)) - 1]

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:
        """Common and the chosen contact; every contact as wired."""
        yield from ((self.common, one) for one in self.contacts if as_wired or one == self.chosen)

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A wire to the chosen contact."""
        yield wired.Wire(self.designator, self.common, self.chosen)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """The chosen contact does not close."""
        yield Fault(
            self.designator, "contact does not close", weight=0.3, becomes=replace(self, condition="open")
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Fuse(TwoTerminal):
    """Fuse: rated amps, speed, the standard that says what its rating means, cold resistance where known."""

    kind, letters, metal = "fuse", ("F",), True
    without = (("varies", "its few milliohms are small compared with the copper"),)
    amps: Value = field(metadata=written(AMPS, "rating", main=True))
    speed: str = field(default="slow", metadata=written(Choice(("slow", "fast"))))
    standard: str | None = field(default=None, metadata=written(Choice(("UL 248-14", "IEC 60127"))))
    ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.0, 1e3), "resistance"))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """Its cold resistance."""
        ohms = FUSE_DROP_V / np.asarray(self.amps) if self.ohms is None else np.asarray(self.ohms)
        yield wired.Resistor(self.designator, self.a, self.b, np.maximum(ohms, LEAST_OHMS))

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Blown."""
        yield Fault(self.designator, "blown", weight=3.0, becomes=replace(self, condition="open"))

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its effective current, wherever it is."""
        for one in state.circuit.of(wired.Resistor):
            if one.name == self.designator:
                amps = across(state, self.a, self.b) / np.asarray(one.ohms)
                yield Rating(self.designator, "fuse_a", amps, self.amps, "fuse's rating")


UNUSED = "-"
MOST_PINS = 24
MAINS = "mains"
MAINS_BAND = 0.05
"""Mains unknown: within 5 % either way (ANSI C84.1 range A, from memory)."""


@dataclass(frozen=True)
class PinNode(NodeName):
    """The node on a pin, or '-' for a pin that nothing is soldered to."""

    def read(self, raw: object) -> str:
        """The name, or '-'."""
        return UNUSED if raw == UNUSED else super().read(raw)


@dataclass(frozen=True)
class Strap(Form):
    """Two pins of one plug joined inside it, as '7-8'."""

    def read(self, raw: object) -> tuple[int, int]:
        """The two pin numbers, the smaller first."""
        match = re.fullmatch(r"\s*([0-9]{1,2})\s*-\s*([0-9]{1,2})\s*", raw) if isinstance(raw, str) else None
        if match is None or match[1] == match[2]:
            raise InputError(f"is {as_text(raw)}, not a strap between two pins", fix='Write it like "7-8"')
        one, two = sorted((int(match[1]), int(match[2])))
        return one, two

    def write(self, value: tuple[int, int]) -> object:
        """As '7-8'."""
        return f"{value[0]}-{value[1]}"

    def show(self, value: tuple[int, int]) -> str:
        """As '7-8'."""
        return f"{value[0]}-{value[1]}"


PINS = Listed(PinNode(), 2, MOST_PINS, "pins, '-' for an unused one")


@dataclass(frozen=True, eq=False, kw_only=True)
class Connector(Part):
    """A multi-pin plug and the socket it goes into; pins count from 1 in list order.

    `straps` join pins inside the plug; with the plug out, socket and plug are apart and the straps stay
    with the plug.
    """

    kind, letters, metal = "connector", ("P",), True
    bench = "plug and socket"
    without = (
        ("varies", "a good contact has no resistance that shows"),
        ("ratings", "amp files do not state it"),
    )
    plug: tuple[str, ...] = field(metadata=written(PINS))
    socket: tuple[str, ...] = field(metadata=written(PINS))
    straps: tuple[tuple[int, int], ...] = field(
        default=(), metadata=written(Listed(Strap(), 0, MOST_PINS, "straps"))
    )
    inserted: bool = field(default=True, metadata=written(YesNo(("inserted", "out")), main=True))

    @property
    def terminals(self) -> tuple[tuple[str, str], ...]:
        """(terminal, node) of every pin that something is soldered to."""
        return tuple((name, node) for name, node in terminals_of(self) if node != UNUSED)

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:
        """Pins that meet, and what the straps join; the plug is in where only the wiring is asked for."""
        yield from (replace(self, inserted=True) if as_wired else self).joined

    @property
    def joined(self) -> tuple[tuple[str, str], ...]:
        """Pairs of nodes that the connector joins as it stands."""
        return tuple(self._joined())

    def _joined(self) -> Iterator[tuple[str, str]]:
        for plug, socket in zip(self.plug, self.socket, strict=False):
            if self.inserted and UNUSED not in (plug, socket):
                yield plug, socket
        for one, two in self.straps:
            yield from self._strapped(one, two)

    def _strapped(self, one: int, two: int) -> Iterator[tuple[str, str]]:
        """A strap joins whatever is soldered to, or mated with, its two pins."""
        a, b = (self._soldered(pin) for pin in (one, two))
        if UNUSED not in (a, b) and a != b:
            yield a, b

    def _soldered(self, pin: int, *, mated: bool = False) -> str:
        """What a pin of the plug brings out: its own node, else that of the socket it stands in."""
        own, mate = self.plug[pin - 1], self.socket[pin - 1]
        return mate if own == UNUSED and (mated or self.inserted) else own

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A wire for each pair of pins that meet."""
        for k, (one, two) in enumerate(self.joined, 1):
            yield wired.Wire(f"{self.designator}.{k}", one, two)

    def symbols(self) -> Iterator[Symbol]:
        """A pin with both sides soldered is one, a strap another; a lone side shows as an open pin."""
        name, symbol = self.designator, "cable" if self.inserted else "plug out"
        pairs = enumerate(zip(self.plug, self.socket, strict=False), 1)
        result = [(f"{name}-{pin}", socket, plug) for pin, (plug, socket) in pairs]
        for one, two in self.straps:
            a, b = (self._soldered(pin, mated=True) for pin in (one, two))
            result.append((f"{name} strap {one}-{two}", a, b))
        for words, a, b in result:
            if UNUSED not in (a, b):
                yield Symbol(words, symbol, (("a", a), ("b", b)), words)

    def without_pin(self, pin: int) -> Connector:
        """The same with one pin that touches nothing (its straps there with it)."""
        plug = tuple(UNUSED if k == pin else node for k, node in enumerate(self.plug, 1))
        return replace(self, plug=plug, straps=tuple(strap for strap in self.straps if pin not in strap))

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """A pin that makes no contact."""
        strapped = {pin for strap in self.straps for pin in strap}
        for pin, (plug, socket) in enumerate(zip(self.plug, self.socket, strict=True), 1):
            if pin in strapped or (self.inserted and UNUSED not in (plug, socket)):
                words = f"pin {pin} makes no contact"
                yield Fault(self.designator, words, weight=0.4, becomes=self.without_pin(pin))


@dataclass(frozen=True, eq=False, kw_only=True)
class Wire(TwoTerminal):
    """A wire between two nodes, with the color of its insulation."""

    kind, letters, metal = "wire", ("W",), True
    without = (
        ("varies", "a good wire has no resistance that shows"),
        ("ratings", "amp files do not state it"),
    )
    color: str = field(default="", metadata=written(Words(), main=True))

    def symbols(self) -> Iterator[Symbol]:
        """A piece of cable with its color, as a good wire."""
        symbol = "cable" if self.condition == "fitted" else self.kind
        words = f"{self.designator} {self.color}".rstrip()
        yield Symbol(self.designator, symbol, (("a", self.a), ("b", self.b)), words)

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A wire."""
        yield wired.Wire(self.designator, self.a, self.b)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Broken."""
        yield Fault(self.designator, "broken", weight=0.5, becomes=replace(self, condition="open"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Jack(Part):
    """Jack: `tip_switch` is the node the tip rests on while nothing is plugged in.

    `load` is the input resistance of what is plugged into an output; open where none is stated.
    """

    kind, letters, metal, controls = "jack", ("J",), True, ("plugged",)
    apart = (("tip", "sleeve"), ("tip", "tip_switch"))
    without = (
        ("varies", "a good contact has no resistance that shows"),
        ("ratings", "amp files do not state it"),
    )
    tip: str = field(metadata=written(NodeName()))
    sleeve: str = field(metadata=written(NodeName()))
    direction: str = field(metadata=written(Choice(("input", "output"))))
    tip_switch: str | None = field(default=None, metadata=written(NodeName()))
    plugged: bool = field(default=False, metadata=written(YesNo(("plugged in", "empty")), main=True))
    load: Value | None = field(default=None, metadata=written(Quantity("ohm", 1.0, 1e7)))

    @property
    def a(self) -> str:
        """Node where a level is read."""
        return self.tip

    @property
    def b(self) -> str:
        """Node that it is read from."""
        return self.sleeve

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Tip and tip switch while nothing is plugged in."""
        if self.tip_switch is not None and not self.plugged:
            yield self.tip, self.tip_switch

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A wire from tip to tip switch while nothing is plugged in; else the load of an output."""
        for tip, switch in self.conducts():
            yield wired.Wire(self.designator, tip, switch)
        if self.plugged and self.load is not None and self.direction == "output":
            yield wired.Resistor(f"{self.designator}.load", self.tip, self.sleeve, self.load)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Its switch contact sticks."""
        if self.direction == "input" and self.tip_switch is not None:
            words = f"switch contact does not {'open' if self.plugged else 'close'}"
            stuck = replace(self, plugged=not self.plugged)
            yield Fault(self.designator, words, weight=0.5 if self.plugged else 1.0, becomes=stuck)


def input_jacks(parts: Mapping[str, Part]) -> list[Jack]:
    """The input jacks among the parts of an amp, in the order of its file."""
    return [part for part in parts.values() if isinstance(part, Jack) and part.direction == "input"]


@dataclass(frozen=True, eq=False, kw_only=True)
class MainsPlug(Part):
    """Mains plug: where the line enters; `earth` is None on a two-wire cord."""

    kind, letters, apart = "mains plug", ("P",), (("line", "neutral"),)
    without = (("faults", "a broken cord leaves nothing to read"), ("ratings", "amp files do not state it"))
    line: str = field(metadata=written(NodeName()))
    neutral: str = field(metadata=written(NodeName()))
    earth: str | None = field(default=None, metadata=written(NodeName()))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """The line between line and neutral; the safety ground is ground."""
        peak = np.sqrt(2.0) * np.asarray(hookup.mains_rms)
        yield wired.VoltageSource(self.designator, self.line, self.neutral, ac=peak)
        if self.earth is not None and self.earth != GROUND:
            yield wired.Wire(f"{self.designator}.earth", self.earth, GROUND)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """The line voltage."""
        turn = (Adjustment(CircuitParameter(self.designator, "volts")),)
        if known is not None:
            yield Variable(MAINS, self.designator, turn, 0.5 * known)
        else:
            yield Variable(MAINS, self.designator, turn, MAINS_BAND / np.sqrt(3.0), "even")
