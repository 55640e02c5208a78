"""Silicon diodes with wire ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.amp.fields import written
from tubekit.amp.parts.part import Edge, Hookup, TwoTerminal
from tubekit.amp.parts.tubes import DiodeType
from tubekit.circuit import parts as wired
from tubekit.devices import catalogue


@dataclass(frozen=True, eq=False, kw_only=True)
class Diode(TwoTerminal):
    """Silicon diode by type: nodes are anode, cathode."""

    kind, letters = "diode", ("CR", "D")
    type: str = field(metadata=written(DiodeType(), main=True))

    def closed(self) -> bool:
        """Never: it conducts one way only."""
        return False

    def couples(self) -> Iterator[Edge]:
        """Only what a short joins."""
        yield from self.conducts()

    def rectifies(self, *, as_wired: bool = False) -> Iterator[Edge]:
        """Anode to cathode, while it is good."""
        if as_wired or self.condition == "fitted":
            yield self.ends

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A diode of its type's law."""
        yield wired.Rectifier(self.designator, catalogue.silicon(self.type), self.a, self.b)
