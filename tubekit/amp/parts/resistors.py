"""What resists: resistors, inrush limiters, potentiometers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import Choice, NodeName, Quantity, Value, written
from tubekit.amp.parts.faults import (
    GONE,
    LEAK,
    NO_LEAK,
    OPEN_OHMS,
    SHORT_OHMS,
    Adjustment,
    Age,
    CircuitParameter,
    Fault,
    Variable,
    of_value,
    times,
    to_value,
    wrong_decade,
)
from tubekit.amp.parts.part import (
    AMPS,
    TOLERANCE,
    VOLTS,
    WATTS,
    Edge,
    Hookup,
    Part,
    Rating,
    TwoTerminal,
    across,
    stated,
)
from tubekit.circuit import parts as wired
from tubekit.devices.potentiometer import fraction
from tubekit.series import nearest
from tubekit.units import mark, show

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState


RESISTANCE = Quantity(
    "ohm", 0.01, 1e9,
    below="a resistor of 0 Ω is a wire (for a shorted one, write condition = 'short'), and one below zero "
    "does not exist",
)  # fmt: skip
END_RESISTANCE = 1.0
"""Left between wiper and the end of a potentiometer's track [Ω]; common practice, no source."""


RESISTOR, POTENTIOMETER = 0.10, 0.20
"""Tolerances where the amp file states none; common practice, no source."""
DRIFT = 0.08
"""Scale of the upward drift of old composition resistors, half-normal (95 % below +16 %; from memory)."""
WIREWOUND_FROM_W = 3.0
"""From this rating on a resistor is wirewound and does not drift; common practice, no source."""
PAD_LEAST = 1e-3
"""What an L-pad leaves at its ends, as a voltage ratio; common practice, no source."""
THERMISTOR = 0.20
"""Tolerance of the cold resistance of an inrush limiter (from memory: makers state 15 to 25 %)."""
COLD_K, HOT_K = 298.0, 473.0
POINTER = 0.012
"""Standard deviation of a control's position; common practice, no source."""
DIGIT_FAR = 0.3
"""Misread digits that change less than this (as a logarithm) are drift by another name."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Resistor(TwoTerminal):
    """Resistor: ohms, rated watts, tolerance in percent."""

    kind, letters, preferred, controls = "resistor", ("R",), "E24", ("ohms",)
    usual_tolerance = RESISTOR
    ohms: Value = field(metadata=written(RESISTANCE, "value", main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A resistor."""
        yield wired.Resistor(self.designator, self.a, self.b, self.ohms)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:
        """Its tolerance, and with age the drift of a composition resistor."""
        name, turn = self.designator, (Adjustment(CircuitParameter(self.designator, "ohms")),)
        yield Variable(name, name, turn, 0.5 * (self.tolerance if known is None else known))
        watts = 0.5 if self.watts is None else float(np.max(self.watts))
        if known is None and age == "vintage" and watts < WIREWOUND_FROM_W:
            yield Variable(f"{name} drift", name, turn, DRIFT, "half")

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Open, shorted, drifted, or another value fitted."""
        name, parameter, ohms = (
            self.designator,
            CircuitParameter(self.designator, "ohms"),
            float(np.max(self.ohms)),
        )
        up, down = (1.4, 1.8, 2.5, 4.0), (0.75, 0.55, 0.35)
        yield Fault(name, "open", (to_value(parameter, OPEN_OHMS, ohms),), weight=3.0)
        yield Fault(name, "shorted", (to_value(parameter, SHORT_OHMS, ohms),), weight=0.2)
        yield Fault(name, "drifted up", times(parameter, *up), of_value(*up), weight=4.0)
        yield Fault(name, "drifted down", times(parameter, *down), of_value(*down), weight=0.7)
        yield from wrong_decade(parameter)
        for other in _misread_digit(ohms):
            words = f"color code misread ({mark(other, 'ohm')} installed)"
            yield Fault(name, words, times(parameter, other / ohms), weight=0.1)

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its heat."""
        watts = across(state, self.a, self.b) ** 2 / np.asarray(self.ohms)
        yield Rating(self.designator, "watts", watts, self.watts, "resistor's rating")

    def ohmmeter(self) -> Iterator[Edge]:
        """Its ends."""
        yield self.ends


@dataclass(frozen=True, eq=False, kw_only=True)
class Thermistor(TwoTerminal):
    """Inrush limiter: cold ohms at 25 °C, `hot` ohms at its rated amps, thermal time constant.

    It follows R(T) = R25·exp(B·(1/T - 1/298 K)) and loses heat in proportion to its rise,
    I²R = δ·(T - 298 K). Its two points, cold and at rated current, fix B and δ once the body's temperature
    at rated current is taken as 200 °C (common practice, no source). Source: the B equation of makers'
    thermistor notes (from memory).
    """

    kind, letters = "thermistor", ("RT",)
    bench = "inrush limiter"
    ohms: Value = field(metadata=written(Quantity("ohm", 0.1, 1e4), "value", main=True))
    hot: Value = field(metadata=written(Quantity("ohm", 1e-3, 1e3)))
    amps: Value = field(metadata=written(AMPS, "rating"))
    seconds: Value = field(default=60.0, metadata=written(Quantity("s", 0.1, 1e3), "time_constant"))

    @property
    def law(self) -> tuple[Value, Value]:
        """B [K] and the dissipation factor δ [W/K]."""
        b = np.log(np.asarray(self.ohms) / self.hot) / (1.0 / COLD_K - 1.0 / HOT_K)
        return b, np.asarray(self.amps) ** 2 * self.hot / (HOT_K - COLD_K)

    def warm_ohms(self, amps: Value) -> Value:
        """Resistance at a steady effective current [Ω]: where heating and cooling balance.

        Examples
        --------
        >>> part = Thermistor(designator="RT1", ends=("a", "b"), ohms=10.0, hot=0.2, amps=2.0)
        >>> part.warm_ohms(np.array([0.0, 2.0])).round(3).tolist()
        [10.0, 0.2]
        """
        b, loss = self.law
        low = np.full(np.broadcast(np.asarray(amps), loss).shape, COLD_K)
        high = np.full(low.shape, 3 * HOT_K)
        for _ in range(51):  # heating falls and cooling rises with temperature: one crossing
            middle = 0.5 * (low + high)
            ohms = self.ohms * np.exp(b * (1.0 / middle - 1.0 / COLD_K))
            heats = np.square(amps) * ohms > loss * (middle - COLD_K)
            low, high = np.where(heats, middle, low), np.where(heats, high, middle)
        return np.asarray(ohms)

    @property
    def sets_itself(self) -> bool:
        """Always."""
        return True

    def set_by(self, state: MainsState) -> tuple[str, Value]:
        """Its resistance at the effective current through it."""
        one = next(one for one in state.circuit.of(wired.Resistor) if one.name == self.designator)
        return self.designator, self.warm_ohms(across(state, self.a, self.b) / np.asarray(one.ohms))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """A resistor, cold until its current has set it."""
        ohms = hookup.settled.get(self.designator, self.ohms)
        yield wired.Resistor(self.designator, self.a, self.b, ohms)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its cold resistance."""
        turn = (Adjustment(CircuitParameter(self.designator, "ohms")),)
        sd = 0.5 * (THERMISTOR if known is None else known)
        yield Variable(self.designator, self.designator, turn, sd)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Cracked."""
        parameter = CircuitParameter(self.designator, "ohms")
        yield Fault(self.designator, "open", (to_value(parameter, OPEN_OHMS, float(np.max(self.ohms))),))

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its effective current."""
        wires = [one.ohms for one in state.circuit.of(wired.Resistor) if one.name == self.designator]
        for ohms in wires:
            amps = across(state, self.a, self.b) / np.asarray(ohms)
            yield Rating(self.designator, "coil_a", amps, self.amps, "inrush limiter's rating")


@dataclass(frozen=True, eq=False, kw_only=True)
class Potentiometer(Part):
    """Potentiometer: `position` 0 is the bottom end (fully counter-clockwise), 1 the top."""

    kind, letters, is_control = "potentiometer", ("R",), True
    apart, controls, usual_tolerance = (("top", "bottom"),), ("position", "ohms"), POTENTIOMETER
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

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """The heat of its whole track at the larger current in it: a rating holds for a whole track.

        Source: makers derate a part of the track in proportion to its length (common practice, no source).
        """
        share = np.asarray(fraction(self.position, self.taper))
        halves = ((self.top, self.wiper, 1.0 - share), (self.wiper, self.bottom, share))
        amps = [
            across(state, a, b) / np.maximum(np.multiply(self.ohms, portion), END_RESISTANCE)
            for a, b, portion in halves
        ]
        watts = np.max(amps, axis=0) ** 2 * np.asarray(self.ohms)
        yield Rating(self.designator, "watts", watts, self.watts, "potentiometer's rating")

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its track, and where its pointer is."""
        name = self.designator
        ends = [CircuitParameter(f"{name}.top", "ohms")] if self.top != self.wiper else []
        ends += [CircuitParameter(f"{name}.bottom", "ohms")] if self.bottom != self.wiper else []
        tolerance = self.tolerance if known is None else known
        yield Variable(name, name, tuple(Adjustment(parameter) for parameter in ends), 0.5 * tolerance)
        at = float(np.clip(np.max(self.position), 0.02, 0.98))
        low, high = fraction(at - 0.01, self.taper), fraction(at + 0.01, self.taper)
        share, slope = 0.5 * (low + high), (high - low) / 0.02
        gains = {f"{name}.top": -slope / (1.0 - share), f"{name}.bottom": slope / share}
        turns = tuple(
            Adjustment(parameter, float(np.clip(gains[parameter.part], -20.0, 20.0))) for parameter in ends
        )
        yield Variable(f"{name} position", name, turns, POINTER)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """An end, or the wiper, open."""
        name = self.designator
        top, bottom = CircuitParameter(f"{name}.top", "ohms"), CircuitParameter(f"{name}.bottom", "ohms")
        far = OPEN_OHMS / float(np.max(self.ohms))
        has_top, has_bottom = self.top != self.wiper, self.bottom != self.wiper
        if has_top:
            yield Fault(name, "top end open", times(top, far), weight=0.5)
        if has_bottom:
            yield Fault(name, "bottom end open", times(bottom, far), weight=0.5)
        if has_top and has_bottom:
            yield Fault(name, "wiper open", ({top: (far, 0.0), bottom: (far, 0.0)},), weight=1.5)


@dataclass(frozen=True, eq=False, kw_only=True)
class LPad(Part):
    """L-pad before a speaker: an arm in series and one across, turned together, so that the amp sees `ohms`.

    `position` 0 is fully counter-clockwise (silent), 1 is full volume; `ohms` is the load it is made for.
    """

    kind, letters, is_control = "L-pad", ("R",), True
    apart = (("input", "common"), ("output", "common"), ("input", "output"))
    controls, usual_tolerance = ("position", "ohms"), POTENTIOMETER
    input: str = field(metadata=written(NodeName()))
    output: str = field(metadata=written(NodeName()))
    common: str = field(metadata=written(NodeName()))
    ohms: Value = field(metadata=written(Quantity("ohm", 1.0, 1e4), "value", main=True))
    position: Value = field(default=1.0, metadata=written(Quantity("", 0.0, 1.0)))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))

    @property
    def arms(self) -> tuple[Value, Value]:
        """Series and shunt resistance [Ω]: Z(1 - k) and Zk/(1 - k) for a voltage ratio k."""
        k = np.clip(fraction(self.position, "audio"), PAD_LEAST, 1.0 - PAD_LEAST)
        return np.multiply(self.ohms, 1.0 - k), np.multiply(self.ohms, k / (1.0 - k))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """Its two arms."""
        series, shunt = self.arms
        yield wired.Resistor(f"{self.designator}.series", self.input, self.output, series)
        yield wired.Resistor(f"{self.designator}.shunt", self.output, self.common, shunt)

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Both arms."""
        yield from ((self.input, self.output), (self.output, self.common))

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its two arms together."""
        turns = tuple(
            Adjustment(CircuitParameter(f"{self.designator}.{arm}", "ohms")) for arm in ("series", "shunt")
        )
        spread = 0.5 * (self.tolerance if known is None else known)
        yield Variable(self.designator, self.designator, turns, spread)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """An arm burnt open."""
        for arm, ohms in zip(("series", "shunt"), self.arms, strict=True):
            parameter = CircuitParameter(f"{self.designator}.{arm}", "ohms")
            gone = to_value(parameter, OPEN_OHMS, float(np.max(ohms)))
            yield Fault(self.designator, f"{arm} arm open", (gone,), weight=0.5)

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """The heat of its arms together."""
        series, shunt = self.arms
        heat = across(state, self.input, self.output) ** 2 / series
        heat = heat + across(state, self.output, self.common) ** 2 / shunt
        yield Rating(self.designator, "watts", heat, self.watts, "L-pad's rating")


def _misread_digit(ohms: float) -> Iterator[float]:
    """Preferred values whose bands differ in one digit by a neighboring color, far enough off to matter.

    Examples
    --------
    >>> [round(value) for value in _misread_digit(12e3)]
    [22000]
    """
    power = 10.0 ** np.floor(np.log10(ohms) - 1.0 + 1e-9)
    digits = round(ohms / power)
    for other in (digits - 10, digits + 10, digits - 1, digits + 1):
        value = other * power
        if other >= 10 and abs(np.log(other / digits)) > DIGIT_FAR and nearest(value, "E24") == value:
            yield float(value)


CAPACITANCE = Quantity(
    "F", 1e-13, 1.0,
    below="without capacitance it would filter nothing (for an open capacitor, write "
    "condition = 'open')",
)  # fmt: skip


FILM, ELECTROLYTIC = 0.20, 0.20
"""Tolerances where the amp file states none; common practice, no source."""
DRIED = (0.05, 0.20)
"""Mean and standard deviation of ln C of an old electrolytic (from memory: -20/+50 % new, less when old)."""
OLD_PAPER = (1e9, 1e11)
"""Leak of a good old paper capacitor is between these, spread evenly by decades [Ω]; common practice."""
LOW_V = 100.0
"""Below this rating an electrolytic leaks through fewer ohms; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Capacitor(TwoTerminal):
    """Capacitor: farads, rated and surge volts, ripple amps; the first end of an electrolytic is its +."""

    kind, letters, preferred, controls = "capacitor", ("C",), "E6", ("farads",)
    farads: Value = field(metadata=written(CAPACITANCE, "value", main=True))
    volts: Value | None = field(default=None, metadata=written(VOLTS, "rating"))
    surge_volts: Value | None = field(default=None, metadata=written(VOLTS, "surge"))
    ripple_amps: Value | None = field(default=None, metadata=written(AMPS, "ripple"))
    series_ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 1e-4, 1e4), "esr"))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))
    style: str = field(
        default="film", metadata=written(Choice(("film", "electrolytic", "ceramic", "mica", "paper")))
    )

    def one_way(self) -> bool:
        """Whether it is an electrolytic."""
        return self.style == "electrolytic"

    def closed(self) -> bool:
        """Never: a good capacitor blocks DC."""
        return False

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """A capacitor."""
        yield wired.Capacitor(self.designator, self.a, self.b, self.farads)

    @property
    def tolerance(self) -> float:
        """Tolerance as stated, else the usual one, as a fraction."""
        return stated(self.tolerance_percent, ELECTROLYTIC if self.style == "electrolytic" else FILM)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:
        """Its capacitance, and the leak of old paper."""
        name, turn = self.designator, (Adjustment(CircuitParameter(self.designator, "farads")),)
        if known is not None:
            yield Variable(name, name, turn, 0.5 * known)
        elif self.style == "electrolytic":
            mean, sd = DRIED if age == "vintage" else (0.0, 0.5 * ELECTROLYTIC)
            yield Variable(name, name, turn, sd, center=mean, cut=2.5)
        else:
            yield Variable(name, name, turn, 0.5 * self.tolerance)
        if self.style == "paper" and age == "vintage":
            low, high = np.log(OLD_PAPER[0] / NO_LEAK), np.log(OLD_PAPER[1] / NO_LEAK)
            leak, spread = (
                (Adjustment(CircuitParameter(name + LEAK, "ohms")),),
                float((high - low) / np.sqrt(12.0)),
            )
            yield Variable(f"{name} leak", name, leak, spread, "leak", float(0.5 * (low + high)))

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Leaky, shorted, open, dried out, or another value fitted."""
        name, farads, leak = (
            self.designator,
            CircuitParameter(self.designator, "farads"),
            CircuitParameter(self.designator + LEAK, "ohms"),
        )
        electrolytic = self.style == "electrolytic"
        low_voltage = self.volts is not None and float(np.max(self.volts)) < LOW_V
        grades = (1e5, 2e4, 4e3) if electrolytic else (5e7, 1e7, 2e6, 3e5, 4e4)
        if electrolytic and low_voltage:
            grades = (2e4, 3e3, 500.0)
        yield Fault(
            name, "leaky", tuple(to_value(leak, ohms, NO_LEAK) for ohms in grades),
            tuple(f"leak of {show(ohms, 'ohm')}" for ohms in grades), 0.5 if self.style == "mica" else 5.0,
        )  # fmt: skip
        yield Fault(name, "shorted", (to_value(leak, SHORT_OHMS, NO_LEAK),), weight=1.5)
        yield Fault(name, "open", times(farads, GONE), weight=1.5)
        if electrolytic:
            yield Fault(name, "dried out", times(farads, 0.4, 0.15), of_value(0.4, 0.15), weight=6.0)
        else:
            yield from wrong_decade(farads)

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its peak voltage."""
        peak = np.abs(state.waveform(self.a, self.b)).max(axis=1)
        yield Rating(self.designator, "working_v", peak, self.volts, "capacitor's rating")
