"""What resists: resistors, inrush limiters, potentiometers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.fields import Choice, NodeName, Quantity, Value, written
from tubekit.amp.parts.part import AMPS, TOLERANCE, WATTS, Edge, Hookup, Part, TwoTerminal
from tubekit.circuit import parts as wired
from tubekit.devices.potentiometer import fraction

RESISTANCE = Quantity(
    "ohm", 0.01, 1e9,
    below="no resistor has it: 0 Ω is a wire (write condition = 'short'), and a negative one would feed "
    "power into the amp",
)  # fmt: skip
END_RESISTANCE = 1.0
"""Left between wiper and the end of a potentiometer's track [Ω]; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Resistor(TwoTerminal):
    """Resistor: ohms, rated watts, tolerance in percent."""

    kind, letters = "resistor", ("R",)
    ohms: Value = field(metadata=written(RESISTANCE, "value", main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A resistor."""
        yield wired.Resistor(self.designator, self.a, self.b, self.ohms)


@dataclass(frozen=True, eq=False, kw_only=True)
class Thermistor(TwoTerminal):
    """Inrush limiter: cold ohms at 25 °C, `hot` ohms at its rated amps, thermal time constant."""

    kind, letters = "thermistor", ("RT",)
    ohms: Value = field(metadata=written(Quantity("ohm", 0.1, 1e4), "value", main=True))
    hot: Value = field(metadata=written(Quantity("ohm", 1e-3, 1e3)))
    amps: Value = field(metadata=written(AMPS, "rating"))
    seconds: Value = field(default=60.0, metadata=written(Quantity("s", 0.1, 1e3), "time_constant"))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """A resistor, cold until its current has set it."""
        ohms = hookup.settled.get(self.designator, self.ohms)
        yield wired.Resistor(self.designator, self.a, self.b, ohms)


@dataclass(frozen=True, eq=False, kw_only=True)
class Potentiometer(Part):
    """Potentiometer: `position` 0 is the bottom end (fully counter-clockwise), 1 the top."""

    kind, letters, may_join_itself = "potentiometer", ("R",), True
    top: str = field(metadata=written(NodeName()))
    wiper: str = field(metadata=written(NodeName()))
    bottom: str = field(metadata=written(NodeName()))
    ohms: Value = field(metadata=written(Quantity("ohm", 1.0, 1e8), "value", main=True))
    taper: str = field(metadata=written(Choice(("audio", "linear", "reverse audio"))))
    position: Value = field(default=0.5, metadata=written(Quantity("", 0.0, 1.0)))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Both halves of the track."""
        yield from ((self.top, self.wiper), (self.wiper, self.bottom))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """Both parts of its track."""
        share = fraction(self.position, self.taper)
        for name, a, b, portion in (
            ("top", self.top, self.wiper, 1.0 - share),
            ("bottom", self.wiper, self.bottom, share),
        ):
            if a != b:
                ohms = np.maximum(np.multiply(self.ohms, portion), END_RESISTANCE)
                yield wired.Resistor(f"{self.designator}.{name}", a, b, ohms)
