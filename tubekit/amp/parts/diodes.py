"""What conducts one way: silicon diodes with wire ends, stacks of selenium, Zener diodes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import Form, Quantity, Value, as_text, written
from tubekit.amp.parts.faults import Adjustment, Age, CircuitParameter, Fault, Variable, of_value, times
from tubekit.amp.parts.part import AMPS, Edge, Hookup, Part, Rating, TwoTerminal, stated
from tubekit.circuit import parts as wired
from tubekit.devices import catalogue
from tubekit.devices.rectifier import GasDiode, SiliconDiode
from tubekit.errors import InputError, UnknownTube, near_matches
from tubekit.tables import Row, handbook

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

JUNCTION = "its junction fails, nearly always as a short: the winding is shorted until the fuse opens"
"""How silicon fails, as diodes with wire ends and as a plug-in; common practice, no source."""
SELENIUM = "selenium"
PLATE_INVERSE_V = 36.0
"""Peak inverse voltage of one plate [V]: makers rated them 26 V RMS each (from memory)."""
PLATE_DROP = {"emission_volts": 0.1, "corner": 7.0, "straight": 0.25}
"""Law of a plate, from memory (some 1 V at rated direct current, new): volts per e-fold, e-folds up to the
straight line, and where that begins, as a share of the rated direct current."""
SELENIUM_SPREAD = 0.15
"""Standard deviation of a stack's drop; common practice, no source."""
WORN = (2.0, 4.0)
"""Times its drop when new that an old stack has; common practice, no source."""
KNEE = 0.005
"""Over what share of its voltage a Zener diode's breakdown sets in; common practice, no source."""
ZENER_LIMITS = {"1N4": {"": 0.10, "A": 0.05}, "1N5": {"": 0.20, "A": 0.10, "B": 0.05}}
"""Tolerances by series and by the letter behind the number (from memory)."""


class TypeName(Form):
    """A type designation out of those that `names` lists."""

    example = ""

    def names(self) -> list[str]:
        """Types that can be written."""
        raise NotImplementedError


@dataclass(frozen=True)
class DiodeType(TypeName):
    """A type designation of a silicon diode that the catalogue knows."""

    example = "1N4007"

    def names(self) -> list[str]:
        """Silicon diodes with wire ends."""
        return catalogue.silicon_types()

    def read(self, raw: object) -> str:
        """The type as written, once the catalogue knows it."""
        if not isinstance(raw, str):
            raise InputError(
                f"is {as_text(raw)}, not a diode type", fix='Write it like "1N4007"', code="text"
            )
        try:
            catalogue.silicon(raw)
        except UnknownTube as error:
            fix = error.fix
            if _zener_row(raw) is not None:
                fix = "It is a Zener diode: add kind = 'Zener diode'"
            elif raw.strip().casefold() == SELENIUM:
                fix = (
                    "Add kind = 'selenium rectifier' with plates and rating. If your type is not listed, "
                    "write 1N4007 with a resistor in series"
                )
            problem = f"{as_text(raw)} is not a known silicon diode"
            raise InputError.of(error, problem=problem, fix=fix, word=raw) from error
        return raw.strip()


@dataclass(frozen=True)
class StackType(DiodeType):
    """'selenium', or the silicon diode that was put in the place of the stack."""

    def names(self) -> list[str]:
        """The stack itself first."""
        return [SELENIUM, *super().names()]

    def read(self, raw: object) -> str:
        """'selenium', or a known silicon diode."""
        if isinstance(raw, str) and raw.strip().casefold() == SELENIUM:
            return SELENIUM
        return super().read(raw)


@dataclass(frozen=True)
class ZenerType(TypeName):
    """A type designation of a Zener diode in data/handbook/zener_types.csv."""

    example = "1N4742A"

    def names(self) -> list[str]:
        """Types without the letter of their tolerance."""
        return [row.text("type") for row in handbook("zener_types")]

    def read(self, raw: object) -> str:
        """The type as written, once the table knows it."""
        if not isinstance(raw, str):
            raise InputError(
                f"is {as_text(raw)}, not a Zener type", fix='Write it like "1N4742A"', code="text"
            )
        if _zener_row(raw) is None:
            names = self.names()
            raise InputError(
                f"{as_text(raw)} is not a known Zener diode",
                fix=f"Write a type from {names[0]} (1 W) to {names[-1]} (5 W) of the voltage you need. Enter "
                "a glow tube such as 0D3 as a tube (V4), a rectifier such as 1N4007 with kind = 'diode'",
                near=near_matches(raw.strip(), names), code="unknown_tube", word=raw,
            )  # fmt: skip
        return raw.strip()


def _zener_row(type_: str) -> Row | None:
    match = re.fullmatch(r"(1N\d{4})[A-D]?", type_.strip().upper())
    return next(iter(handbook("zener_types", type=match[1])), None) if match else None


class OneWay(TwoTerminal):
    """Nodes are anode, cathode; a short joins them, nothing else does."""

    lead_words = ("anode", "cathode")

    def one_way(self) -> bool:
        """Always."""
        return True

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
class Diode(OneWay):
    """Silicon diode by type: nodes are anode, cathode."""

    kind, letters, controls = "diode", ("CR", "D"), ("type",)
    bench = "silicon diode"
    without = (
        ("varies", "its drop is small compared with the copper"),
        ("ratings", "its type states them: compared in `decisions.tube_limits`"),
    )
    type: str = field(metadata=written(DiodeType(), main=True))

    @property
    def fails(self) -> str:
        """As silicon does."""
        return JUNCTION

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A diode of its type's law."""
        yield wired.Rectifier(self.designator, catalogue.silicon(self.type), self.a, self.b)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Open: an exponential law never opens by its parameters, so the part leaves the circuit."""
        yield Fault(self.designator, "open", becomes=replace(self, condition="open"))


@dataclass(frozen=True, eq=False, kw_only=True)
class SeleniumRectifier(OneWay):
    """Stack of selenium plates in series: nodes are anode, cathode; `amps` its rated direct current.

    `type` is 'selenium', or the silicon diode put in its place, then behind `series` ohms. Its drop is
    from memory; `aging` says how many times as much it drops as a new one. Back current is left out.
    """

    kind, letters, controls = "selenium rectifier", ("CR", "D"), ("type", "aging")
    type: str = field(default=SELENIUM, metadata=written(StackType(), main=True))
    plates: Value = field(metadata=written(Quantity("", 1.0, 100.0)))
    amps: Value = field(metadata=written(AMPS, "rating"))
    aging: Value = field(default=1.0, metadata=written(Quantity("", 0.5, 20.0)))
    series: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.1, 1e4)))

    @property
    def fails(self) -> str:
        """Silicon as silicon does; selenium burns."""
        return "" if self.type != SELENIUM else "its plates break through and burn, with poisonous fumes"

    @property
    def drop(self) -> float:
        """Forward drop at its rated current [V].

        Examples
        --------
        >>> stack = SeleniumRectifier(designator="CR1", ends=("a", "b"), plates=5.0, amps=0.1)
        >>> round(stack.drop, 2)
        5.0
        """
        folds = PLATE_DROP["corner"] + 1.0 / PLATE_DROP["straight"] - 1.0
        return float(np.max(self.plates) * np.max(self.aging) * PLATE_DROP["emission_volts"] * folds)

    @property
    def law(self) -> SiliconDiode:
        """Of the whole stack."""
        straight = PLATE_DROP["straight"] * np.asarray(self.amps)
        return SiliconDiode(
            saturation=straight * np.exp(-PLATE_DROP["corner"]), straight_above=straight,
            emission_volts=PLATE_DROP["emission_volts"] * np.asarray(self.aging), junctions=self.plates,
        )  # fmt: skip

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """The stack, or a silicon diode behind its resistor."""
        name, anode = self.designator, self.a
        if self.type == SELENIUM:
            hookup.notes.append(
                f"{name}: usual drop of selenium plates (not checked in a data sheet), no reverse current"
            )
            yield wired.Rectifier(name, self.law, anode, self.b)
            return
        if self.series is not None:
            anode = f"{name} lead"
            yield wired.Resistor(f"{name}.series", self.a, anode, self.series)
        yield wired.Rectifier(name, catalogue.silicon(self.type), anode, self.b)

    def marking(self, one: Callable[[Value], float] = float) -> list[str]:
        """Its plates, or the diode in its place with its resistor."""
        if self.type != SELENIUM:
            return [self.type, *([f"{one(self.series):g} Ω"] if self.series is not None else [])]
        aged = one(self.aging)
        return [f"{one(self.plates):g} plates", *([f"{aged:g} × its drop"] if aged != 1.0 else [])]

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its drop."""
        if self.type == SELENIUM:
            sd = SELENIUM_SPREAD if known is None else 0.5 * known
            yield Variable(self.designator, self.designator, (Adjustment(self._knob),), sd)

    @property
    def _knob(self) -> CircuitParameter:
        return CircuitParameter(self.designator, "emission_volts")

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Aged, or open."""
        if self.type == SELENIUM:
            yield Fault(self.designator, "aged", times(self._knob, *WORN), of_value(*WORN), weight=3.0)
        yield Fault(self.designator, "open", becomes=replace(self, condition="open"))

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its direct current and inverse voltage, those of the diode where one stands in its place."""
        names = [one.name for one in state.operating_point.network.rectifiers]
        if self.designator not in names:
            return
        row = names.index(self.designator)
        rule, amps = "stack's rating", self.amps
        inverse: Value = PLATE_INVERSE_V * np.asarray(self.plates)
        if self.type != SELENIUM:
            known = catalogue.tube(self.type).ratings
            rule, amps, inverse = f"{self.type} maker's rating", known.dc_a or np.nan, known.piv or np.nan
        yield Rating(self.designator, "dc_a", state.rectifier_currents[:, row].mean(axis=-1), amps, rule)
        yield Rating(self.designator, "piv", -state.rectifier_volts[:, row].min(axis=-1), inverse, rule)


@dataclass(frozen=True, eq=False, kw_only=True)
class ZenerDiode(TwoTerminal):
    """Zener diode by type: nodes are anode, cathode; the cathode is the positive end where it regulates."""

    kind, letters, controls = "Zener diode", ("CR", "D"), ("type",)
    lead_words = ("anode", "cathode")
    type: str = field(metadata=written(ZenerType(), main=True))
    tolerance_percent: Value | None = field(
        default=None, metadata=written(Quantity("%", 0.0, 100.0), "tolerance")
    )

    def one_way(self) -> bool:
        """Always."""
        return True

    @property
    def row(self) -> Row:
        """Row of the table for its type."""
        result = _zener_row(self.type)
        assert result is not None  # read by `ZenerType`
        return result

    @property
    def tolerance(self) -> float:
        """As stated, else that of the letter behind its number."""
        letters = ZENER_LIMITS[self.type.strip().upper()[:3]]
        usual = letters.get(self.type.strip().upper()[6:], min(letters.values()))
        return stated(self.tolerance_percent, usual)

    @property
    def fails(self) -> str:
        """As a short."""
        return "it shorts: what it held falls to nothing, and its dropping resistor takes all the voltage"

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """Its breakdown from cathode to anode, and a silicon diode the other way."""
        volts, amps = self.row.number("volts"), 1e-3 * self.row.number("test_mA")
        ohms = self.row.number("ohms")
        law = GasDiode(glow=volts - amps * ohms, ohms=ohms, softness=KNEE * volts)
        yield wired.Device(self.designator, law, (self.b,), self.a)
        yield wired.Rectifier(f"{self.designator}.forward", SiliconDiode(), self.a, self.b)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its voltage."""
        turn = (Adjustment(CircuitParameter(self.designator, "glow")),)
        sd = 0.5 * (self.tolerance if known is None else known)
        yield Variable(self.designator, self.designator, turn, sd)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Shorted, or open."""
        for how, weight in (("short", 2.0), ("open", 0.5)):
            words = "shorted" if how == "short" else how
            yield Fault(self.designator, words, weight=weight, becomes=replace(self, condition=how))

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its dissipation, and the current below which it does not hold its voltage."""
        amps = np.asarray(state.operating_point.current(self.designator, "plate"))
        watts, rule = amps * state.mean(self.b, self.a), f"{self.type} maker's rating (memory)"
        yield Rating(self.designator, "watts", watts, self.row.number("watts"), rule)
        least = np.full(np.shape(amps), 1e-3 * self.row.number("least_mA"))
        yield Rating(self.designator, "least_a", least, amps, "current it gets")
