"""What is wound on iron: chokes and transformers, as drawn."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tubekit.amp.fields import Listed, NodeName, Quantity, Together, Value, written
from tubekit.amp.part import Edge, Part, TwoTerminal

TOLERANCE = Quantity("%", 0.0, 100.0)
WATTS, VOLTS, AMPS = Quantity("W", 0.01, 1e4), Quantity("V", 1.0, 1e5), Quantity("A", 1e-3, 100.0)
COIL_OHMS = Quantity(
    "ohm", 1e-4, 1e6,
    below="every winding has resistance: without it nothing would hold back the rectifier's peaks or the "
    "current at switch-on. Measure it with the set unplugged and discharged",
)  # fmt: skip
CHOKE_HENRIES = Quantity(
    "H", 1e-6, 1e3,
    below="a choke without inductance is a wire: as choke input it would turn into capacitor input and B+ "
    "would rise by half (write condition = 'short')",
)  # fmt: skip


@dataclass(frozen=True, eq=False, kw_only=True)
class Choke(TwoTerminal):
    """Filter choke: henries at its rated amps, winding resistance.

    `swing` (henries, amps) makes it a swinging choke: its inductance at a light direct current.
    """

    kind, letters = "choke", ("L",)
    henries: Value = field(metadata=written(CHOKE_HENRIES, "value", main=True))
    ohms: Value = field(metadata=written(COIL_OHMS, "resistance"))
    amps: Value | None = field(default=None, metadata=written(AMPS, "rating"))
    swing: tuple[float, float] | None = field(
        default=None, metadata=written(Together((Quantity("H", 1e-6, 1e3), Quantity("A", 1e-6, 100.0))))
    )
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Winding:
    """One winding: k nodes along it, k - 1 sections between them, in order.

    A power transformer states `volts` (open-circuit rms per section at the design mains), an output
    transformer `turns` (relative). `ohms` is the resistance per section; a secondary may state its
    `regulation` instead: how far the whole winding falls from open circuit to `amps`, both windings
    together, in percent of the loaded voltage. `henries` stands with the primary only; `leakage` with
    the primary is referred to all of it, with a secondary it is that winding's own.
    """

    name: str
    taps: tuple[str, ...] = field(metadata=written(Listed(NodeName(), 2, 12), "nodes"))
    volts: tuple[Value, ...] = field(
        default=(), metadata=written(Listed(Quantity("V", 0.1, 1e4), 1, 11, "voltages"))
    )
    turns: tuple[Value, ...] = field(
        default=(), metadata=written(Listed(Quantity("", 1e-3, 1e6), 1, 11, "turns"))
    )
    ohms: tuple[Value, ...] = field(
        default=(), metadata=written(Listed(COIL_OHMS, 1, 11, "resistances"), "resistance")
    )
    regulation_percent: Value | None = field(
        default=None, metadata=written(Quantity("%", 0.1, 60.0), "regulation")
    )
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

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Every section of every winding."""
        for winding in self.windings:
            yield from winding.sections

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
