"""What opens a circuit: switches and fuses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import Choice, Listed, NodeName, Quantity, Value, written
from tubekit.amp.parts.faults import (
    Fault,
)
from tubekit.amp.parts.part import AMPS, Edge, Hookup, Part, Rating, TwoTerminal, across
from tubekit.circuit import parts as wired

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
