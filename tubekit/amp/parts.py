"""The parts of an amp as drawn: one frozen record per kind, in the technician's words.

Values are SI floats, or 1-D arrays with one value per member of a batch. `condition` says whether a
part is fitted, has gone open, or is shorted; the drawn value is kept either way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.amp.connectors import Connector, Wire
from tubekit.amp.fields import Choice, Listed, NodeName, Quantity, Together, Value, YesNo, written
from tubekit.amp.iron import (
    AMPS,
    TOLERANCE,
    VOLTS,
    WATTS,
    Choke,
    OutputTransformer,
    PowerTransformer,
    Transformer,
    Winding,
)
from tubekit.amp.part import GROUND, Edge, Part, TwoTerminal
from tubekit.amp.sockets import DiodeType, RectifierTube, Section, Tube

RESISTANCE = Quantity(
    "ohm", 0.01, 1e9,
    below="no resistor has it: 0 Ω is a wire (write condition = 'short'), and a negative one would feed "
    "power into the amp",
)  # fmt: skip
CAPACITANCE = Quantity(
    "F", 1e-13, 1.0,
    below="without capacitance nothing is stored: a filter would pass the whole ripple "
    "(write condition = 'open')",
)  # fmt: skip


@dataclass(frozen=True, eq=False, kw_only=True)
class Resistor(TwoTerminal):
    """Resistor: ohms, rated watts, tolerance in percent."""

    kind, letters = "resistor", ("R",)
    ohms: Value = field(metadata=written(RESISTANCE, "value", main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Thermistor(TwoTerminal):
    """Inrush limiter: cold ohms at 25 °C, `hot` ohms at its rated amps, thermal time constant."""

    kind, letters = "thermistor", ("RT",)
    ohms: Value = field(metadata=written(Quantity("ohm", 0.1, 1e4), "value", main=True))
    hot: Value = field(metadata=written(Quantity("ohm", 1e-3, 1e3)))
    amps: Value = field(metadata=written(AMPS, "rating"))
    seconds: Value = field(default=60.0, metadata=written(Quantity("s", 0.1, 1e3), "time_constant"))


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


@dataclass(frozen=True, eq=False, kw_only=True)
class Switch(TwoTerminal):
    """Switch with one contact; `position` is 'closed' or 'open'."""

    kind, letters, switches = "switch", ("S",), True
    position: str = field(metadata=written(Choice(("closed", "open")), main=True))

    def closed(self) -> bool:
        """Whether its contact is drawn closed."""
        return self.position == "closed"


@dataclass(frozen=True, eq=False, kw_only=True)
class Selector(Part):
    """Selector switch, such as a mains voltage selector: `position` counts its contacts from 1."""

    kind, letters = "selector switch", ("S",)
    common: str = field(metadata=written(NodeName()))
    contacts: tuple[str, ...] = field(metadata=written(Listed(NodeName(), 2, 12, "contacts")))
    position: float = field(metadata=written(Quantity("", 1, 12), main=True))

    @property
    def chosen(self) -> str:
        """Node of the contact that is closed."""
        return self.contacts[min(round(float(self.position)), len(self.contacts)) - 1]

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:
        """Common and the chosen contact; every contact as wired."""
        yield from ((self.common, one) for one in self.contacts if as_wired or one == self.chosen)


@dataclass(frozen=True, eq=False, kw_only=True)
class Fuse(TwoTerminal):
    """Fuse: rated amps, speed, cold resistance where known."""

    kind, letters = "fuse", ("F",)
    amps: Value = field(metadata=written(AMPS, "rating", main=True))
    speed: str = field(default="slow", metadata=written(Choice(("slow", "fast"))))
    ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.0, 1e3), "resistance"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Jack(Part):
    """Jack: `tip_switch` is the node the tip rests on while nothing is plugged in."""

    kind, letters = "jack", ("J",)
    tip: str = field(metadata=written(NodeName()))
    sleeve: str = field(metadata=written(NodeName()))
    direction: str = field(metadata=written(Choice(("input", "output"))))
    tip_switch: str | None = field(default=None, metadata=written(NodeName()))
    plugged: bool = field(default=False, metadata=written(YesNo(("plugged in", "empty")), main=True))

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Tip and tip switch while nothing is plugged in."""
        if self.tip_switch is not None and not self.plugged:
            yield self.tip, self.tip_switch


@dataclass(frozen=True, eq=False, kw_only=True)
class MainsPlug(Part):
    """Mains plug: where the mains enters; `earth` is None on a two-wire cord."""

    kind, letters = "mains plug", ("P",)
    line: str = field(metadata=written(NodeName()))
    neutral: str = field(metadata=written(NodeName()))
    earth: str | None = field(default=None, metadata=written(NodeName()))


@dataclass(frozen=True, eq=False, kw_only=True)
class Loudspeaker(TwoTerminal):
    """Loudspeaker: nominal ohms; the rest where it was measured."""

    kind, letters = "loudspeaker", ("LS",)
    ohms: Value = field(metadata=written(Quantity("ohm", 0.5, 1e3), main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    resistance: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.1, 1e3)))
    henries: Value | None = field(default=None, metadata=written(Quantity("H", 1e-6, 1.0), "inductance"))
    resonance_hz: Value | None = field(default=None, metadata=written(Quantity("Hz", 10.0, 2e3)))
    resonance_ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 1.0, 1e4)))


@dataclass(frozen=True, eq=False, kw_only=True)
class Lamp(TwoTerminal):
    """Pilot lamp: rated volts and amps."""

    kind, letters = "lamp", ("DS",)
    rating: tuple[float, float] = field(
        metadata=written(Together((Quantity("V", 0.5, 300.0), Quantity("A", 1e-3, 10.0))), main=True)
    )


KINDS: tuple[type[Part], ...] = (
    Resistor,
    Thermistor,
    Capacitor,
    Potentiometer,
    Choke,
    PowerTransformer,
    OutputTransformer,
    Tube,
    RectifierTube,
    Diode,
    Switch,
    Selector,
    Fuse,
    Jack,
    MainsPlug,
    Loudspeaker,
    Lamp,
    Connector,
    Wire,
)

__all__ = [
    "GROUND",
    "KINDS",
    "Capacitor",
    "Choke",
    "Connector",
    "Diode",
    "Fuse",
    "Jack",
    "Lamp",
    "Loudspeaker",
    "MainsPlug",
    "OutputTransformer",
    "Part",
    "Potentiometer",
    "PowerTransformer",
    "RectifierTube",
    "Resistor",
    "Section",
    "Selector",
    "Switch",
    "Thermistor",
    "Transformer",
    "Tube",
    "TwoTerminal",
    "Winding",
    "Wire",
]
