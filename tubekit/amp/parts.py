"""The parts of an amp as drawn: one frozen record per kind, in the technician's words.

Values are SI floats, or 1-D arrays with one value per member of a batch. `condition` says whether a
part is fitted, has gone open, or is shorted; the drawn value is kept either way.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tubekit.amp.fields import (
    Choice,
    Listed,
    NodeName,
    Quantity,
    Together,
    Value,
    YesNo,
    written,
)
from tubekit.amp.part import GROUND, Part, TwoTerminal
from tubekit.amp.sockets import DiodeType, RectifierTube, Section, Tube

TOLERANCE = Quantity("%", 0.0, 100.0)
WATTS, VOLTS, AMPS = Quantity("W", 0.01, 1e4), Quantity("V", 1.0, 1e5), Quantity("A", 1e-3, 100.0)
COIL_OHMS = Quantity("ohm", 0.0, 1e6)


@dataclass(frozen=True, eq=False, kw_only=True)
class Resistor(TwoTerminal):
    """Resistor: ohms, rated watts, tolerance in percent."""

    kind, letters = "resistor", ("R",)
    ohms: Value = field(metadata=written(Quantity("ohm", 0.01, 1e9), "value", main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Capacitor(TwoTerminal):
    """Capacitor: farads, rated volts; the first end of an electrolytic is its +."""

    kind, letters = "capacitor", ("C",)
    farads: Value = field(metadata=written(Quantity("F", 1e-13, 1.0), "value", main=True))
    volts: Value | None = field(default=None, metadata=written(VOLTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))
    style: str = field(
        default="film",
        metadata=written(Choice(("film", "electrolytic", "ceramic", "mica", "paper"))),
    )


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


@dataclass(frozen=True, eq=False, kw_only=True)
class Choke(TwoTerminal):
    """Filter choke: henries at its rated current, winding resistance, rated amps."""

    kind, letters = "choke", ("L",)
    henries: Value = field(metadata=written(Quantity("H", 1e-6, 1e3), "value", main=True))
    ohms: Value = field(metadata=written(COIL_OHMS, "resistance"))
    amps: Value | None = field(default=None, metadata=written(AMPS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Winding:
    """One winding: k nodes along it, k - 1 sections between them, in order.

    A power transformer states `volts` (open-circuit rms per section at the design mains), an output
    transformer `turns` (relative). `ohms` is the resistance per section. `henries` (and `leakage`)
    are written with the primary only.
    """

    name: str
    taps: tuple[str, ...] = field(metadata=written(Listed(NodeName(), 2, 12), "nodes"))
    volts: tuple[Value, ...] = field(
        default=(), metadata=written(Listed(Quantity("V", 0.1, 1e4), 1, 11, "voltages"))
    )
    turns: tuple[Value, ...] = field(
        default=(), metadata=written(Listed(Quantity("", 1e-3, 1e6), 1, 11, "turns"))
    )
    ohms: tuple[Value, ...] = field(metadata=written(Listed(COIL_OHMS, 1, 11, "resistances"), "resistance"))
    amps: Value | None = field(default=None, metadata=written(AMPS, "rating"))
    henries: Value | None = field(default=None, metadata=written(Quantity("H", 1e-6, 1e4), "inductance"))
    leakage: Value | None = field(default=None, metadata=written(Quantity("H", 1e-9, 100.0)))

    @property
    def sections(self) -> tuple[tuple[str, str], ...]:
        """The (from, to) nodes of each section."""
        return tuple(zip(self.taps[:-1], self.taps[1:], strict=True))


@dataclass(frozen=True, eq=False, kw_only=True)
class Transformer(Part):
    """Windings on one core, the primary first."""

    letters = ("T",)
    windings: tuple[Winding, ...] = ()

    @property
    def primary(self) -> Winding:
        """The first winding of an output transformer, the one named 'primary' otherwise."""
        return self.windings[0]

    @property
    def henries(self) -> Value | None:
        """Magnetizing inductance seen at the whole primary [H]."""
        return self.primary.henries

    @property
    def leakage(self) -> Value | None:
        """Leakage inductance referred to the whole primary [H]."""
        return self.primary.leakage

    def winding(self, name: str) -> Winding:
        """The winding of that name; KeyError if there is none."""
        return {one.name: one for one in self.windings}[name]


@dataclass(frozen=True, eq=False, kw_only=True)
class PowerTransformer(Transformer):
    """Mains transformer; windings state open-circuit volts at the design mains."""

    kind = "power transformer"


@dataclass(frozen=True, eq=False, kw_only=True)
class OutputTransformer(Transformer):
    """Output (or interstage) transformer; windings state relative turns."""

    kind = "output transformer"


@dataclass(frozen=True, eq=False, kw_only=True)
class Diode(TwoTerminal):
    """Silicon diode by type: nodes are anode, cathode."""

    kind, letters = "diode", ("CR", "D")
    type: str = field(metadata=written(DiodeType(), main=True))


@dataclass(frozen=True, eq=False, kw_only=True)
class Switch(TwoTerminal):
    """Switch with one contact; `position` is 'closed' or 'open'."""

    kind, letters = "switch", ("S",)
    position: str = field(metadata=written(Choice(("closed", "open")), main=True))


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
    Capacitor,
    Potentiometer,
    Choke,
    PowerTransformer,
    OutputTransformer,
    Tube,
    RectifierTube,
    Diode,
    Switch,
    Fuse,
    Jack,
    MainsPlug,
    Loudspeaker,
    Lamp,
)

__all__ = [
    "GROUND",
    "KINDS",
    "Capacitor",
    "Choke",
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
    "Switch",
    "Transformer",
    "Tube",
    "TwoTerminal",
    "Winding",
]
