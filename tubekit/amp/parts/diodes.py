"""Silicon diodes with wire ends."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from tubekit.amp.fields import Form, said, written
from tubekit.amp.parts.faults import (
    Fault,
)
from tubekit.amp.parts.part import Edge, Hookup, Part, TwoTerminal
from tubekit.circuit import parts as wired
from tubekit.devices import catalogue
from tubekit.errors import InputError, UnknownTube

JUNCTION = "its junction fails, nearly always as a short: the winding is shorted until the fuse opens"
"""How silicon fails, as diodes with wire ends and as a plug-in; common practice, no source."""


@dataclass(frozen=True)
class DiodeType(Form):
    """A type designation of a silicon diode that the catalogue knows."""

    def read(self, raw: object) -> str:
        """The type as written, once the catalogue knows it."""
        if not isinstance(raw, str):
            raise InputError(f"is {said(raw)}, not a diode type", fix='Write it like "1N4007"', code="text")
        try:
            catalogue.silicon(raw)
        except UnknownTube as error:
            problem = f"{said(raw)} is not a known silicon diode"
            raise InputError.of(error, problem=problem, word=raw) from error
        return raw.strip()


@dataclass(frozen=True, eq=False, kw_only=True)
class Diode(TwoTerminal):
    """Silicon diode by type: nodes are anode, cathode."""

    kind, letters, controls = "diode", ("CR", "D"), ("type",)
    bench = "silicon diode"
    without = (
        ("varies", "its drop is lost beside the copper"),
        ("ratings", "its type states them: compared in `decisions.tube_limits`"),
    )
    type: str = field(metadata=written(DiodeType(), main=True))

    @property
    def fails(self) -> str:
        """As silicon does."""
        return JUNCTION

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

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Open: an exponential law never opens by its parameters, so the part leaves the circuit."""
        yield Fault(self.designator, "open", becomes=replace(self, condition="open"))
