"""Capacitors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.amp.fields import Choice, Quantity, Value, written
from tubekit.amp.parts.part import AMPS, TOLERANCE, VOLTS, Hookup, TwoTerminal
from tubekit.circuit import parts as wired

CAPACITANCE = Quantity(
    "F", 1e-13, 1.0,
    below="without capacitance nothing is stored: a filter would pass the whole ripple "
    "(write condition = 'open')",
)  # fmt: skip


@dataclass(frozen=True, eq=False, kw_only=True)
class Capacitor(TwoTerminal):
    """Capacitor: farads, rated and surge volts, ripple amps; the first end of an electrolytic is its +."""

    kind, letters = "capacitor", ("C",)
    farads: Value = field(metadata=written(CAPACITANCE, "value", main=True))
    volts: Value | None = field(default=None, metadata=written(VOLTS, "rating"))
    surge_volts: Value | None = field(default=None, metadata=written(VOLTS, "surge"))
    ripple_amps: Value | None = field(default=None, metadata=written(AMPS, "ripple"))
    series_ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 1e-4, 1e4), "esr"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))
    style: str = field(
        default="film",
        metadata=written(Choice(("film", "electrolytic", "ceramic", "mica", "paper"))),
    )

    def closed(self) -> bool:
        """Never: a good capacitor blocks DC."""
        return False

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A capacitor."""
        yield wired.Capacitor(self.designator, self.a, self.b, self.farads)
