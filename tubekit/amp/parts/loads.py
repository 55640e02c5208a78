"""What is driven: loudspeakers and pilot lamps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tubekit.amp.fields import Quantity, Together, Value, YesNo, fields_of, written
from tubekit.amp.parts.faults import (
    OPEN_OHMS,
    Adjustment,
    Age,
    CircuitParameter,
    Fault,
    Variable,
    times,
    to_value,
)
from tubekit.amp.parts.part import (
    PAIR,
    WATTS,
    Assumed,
    Edge,
    Hookup,
    Part,
    Rating,
    Symbol,
    TwoTerminal,
    across,
)
from tubekit.analyses.regulation import USUAL, voice_coil
from tubekit.circuit import parts as wired
from tubekit.devices import heater
from tubekit.units import show

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState


OVER = 0.1
"""A lamp may get this share more than its rated volts, as heaters may; common practice, no source."""
USUAL_OF: Mapping[str, tuple[float, str]] = {
    "resistance": (USUAL.resistance, "ohm"), "henries": (USUAL.inductance, "H"),
    "resonance_hz": (USUAL.resonance_hz, "Hz"), "resonance_ohms": (USUAL.resonance_ohms, "ohm"),
    "resonance_q": (USUAL.q, ""), "loss_hz": (USUAL.loss_hz, "Hz"),
}  # fmt: skip
"""Values of a usual loudspeaker of `USUAL.ohms`, with units; ohms and henries go by the nominal ohms."""
NO_LOSS_HZ = 1e9
"""Where a voice coil without losses bends [Hz]: beyond everything."""
LEAST_RISE = 1e-3
"""Least rise of the impedance at resonance, as a share of the coil's resistance."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Loudspeaker(TwoTerminal):
    """Loudspeaker: nominal ohms; the rest where it was measured, else as of a usual one.

    `dummy` makes it a load resistor of its nominal ohms, as on the bench.
    """

    kind, letters = "loudspeaker", ("LS",)
    without = (
        ("varies", "no reading at idle depends on it, and a level is read across it as it is"),
        ("ratings", "its rating is for sound: at idle it gets no power"),
    )
    ohms: Value = field(metadata=written(Quantity("ohm", 0.5, 1e3), main=True))
    watts: Value | None = field(default=None, metadata=written(WATTS, "rating"))
    resistance: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.1, 1e3)))
    henries: Value | None = field(default=None, metadata=written(Quantity("H", 1e-6, 1.0), "inductance"))
    resonance_hz: Value | None = field(default=None, metadata=written(Quantity("Hz", 10.0, 2e3)))
    resonance_ohms: Value | None = field(default=None, metadata=written(Quantity("ohm", 1.0, 1e4)))
    resonance_q: Value | None = field(default=None, metadata=written(Quantity("", 0.3, 50.0)))
    loss_hz: Value | None = field(default=None, metadata=written(Quantity("Hz", 100.0, 1e9)))
    dummy: bool = field(default=False, metadata=written(YesNo(("dummy load", "loudspeaker"))))

    def measured(self, name: str) -> Value:
        """A value as stated, else that of a usual loudspeaker of its nominal ohms.

        Examples
        --------
        >>> loudspeaker = Loudspeaker(designator="LS1", ends=("a", "b"), ohms=16.0, resonance_hz=75.0)
        >>> float(loudspeaker.measured("resistance")), loudspeaker.measured("resonance_hz")
        (12.8, 75.0)
        """
        result: Value | None = getattr(self, name)
        usual, unit = USUAL_OF[name]
        if result is not None:
            return result
        return usual * np.asarray(self.ohms) / USUAL.ohms if unit in ("ohm", "H") else usual

    def assumed(self) -> Iterator[Assumed]:
        """Coil, cone and losses of a usual loudspeaker."""
        if self.dummy:
            return
        name = self.designator
        left = {
            one.key: show(self.measured(one.name), USUAL_OF[one.name][1], 2)
            for one in fields_of(type(self))
            if one.name in USUAL_OF and getattr(self, one.name) is None
        }
        bend = left.pop("loss_hz", "")
        if left:
            words = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in left.items())
            without = replace(self, dummy=True) if "inductance" in left else self
            key = "dummy" if without.dummy else ", ".join(left)
            yield Assumed(words, name, key, without)
        if bend:
            words = f"voice-coil loss that rises with the square root of frequency above {bend}"
            yield Assumed(words, name, "loss_hz", replace(self, loss_hz=NO_LOSS_HZ))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:  # noqa: ARG002
        """Voice coil with two shorted turns for its losses, in series with the cone's resonance."""
        name, b = self.designator, self.b
        if self.dummy:
            yield wired.Resistor(name, self.a, b, self.ohms)
            return
        cone = f"{name} cone"
        of = {key: np.asarray(self.measured(key), float) for key in USUAL_OF}
        turns, coils = voice_coil(of["henries"], of["loss_hz"])
        yield wired.Windings(name, ((self.a, cone), (b, b), (b, b)), (of["resistance"], *turns), coils)
        rate, q = 2 * np.pi * of["resonance_hz"], of["resonance_q"]
        rise = np.maximum(of["resonance_ohms"] - of["resistance"], LEAST_RISE * of["resistance"])
        yield wired.Resistor(f"{name}.cone", cone, b, rise)
        yield wired.Capacitor(f"{name}.mass", cone, b, q / (rate * rise))
        yield wired.Windings(f"{name}.stiffness", ((cone, b),), (1e-3,), (rise / (rate * q))[..., None, None])

    def follows(self, old: Part) -> Part:
        """Another nominal impedance: coil and cone as in a like speaker that is wound for it."""
        if not isinstance(old, Loudspeaker):
            return self
        ratio = np.asarray(self.ohms) / np.asarray(old.ohms)
        scaled: dict[str, Any] = {}
        for name in ("resistance", "henries", "resonance_ohms"):
            if getattr(old, name) is not None:
                value = np.asarray(getattr(old, name)) * ratio
                scaled[name] = value if value.ndim else float(value)
        return replace(self, **scaled)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Its voice coil open."""
        parameter = CircuitParameter(self.designator, "ohms" if self.dummy else "copper0")
        yield Fault(self.designator, "voice coil open", times(parameter, OPEN_OHMS), weight=0.7)


@dataclass(frozen=True, eq=False, kw_only=True)
class Lamp(TwoTerminal):
    """Pilot lamp: rated volts and amps."""

    kind, letters = "lamp", ("DS",)
    bench = "pilot lamp"
    without = (("varies", "the heater winding does not show it"),)
    rating: tuple[float, float] = field(
        metadata=written(Together((Quantity("V", 0.5, 300.0), Quantity("A", 1e-3, 10.0))), main=True)
    )

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """A resistor, as hot as the heaters are."""
        volts, amps = self.rating
        ohms = volts / amps * heater.resistance(hookup.heat(self.designator), heater.COLD_LAMP)
        yield wired.Resistor(self.designator, self.a, self.b, ohms)

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Check its voltage against the rated one."""
        volts = self.rating[0]
        above = np.maximum(across(state, self.a, self.b) - volts, 0.0)
        yield Rating(self.designator, "above_v", above, OVER * volts, "lamp's tolerance of 10 %")

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Burnt out."""
        volts, amps = self.rating
        open_ = to_value(CircuitParameter(self.designator, "ohms"), OPEN_OHMS, volts / amps)
        yield Fault(self.designator, "burnt out", (open_,), weight=0.2)  # it is seen to be dark


TANK_HZ = 1000.0
"""Where the impedance of a tank's coils is stated [Hz]."""
COPPER_SHARE = 0.1
"""Copper of a coil over its impedance at 1 kHz; from memory."""
RATED = (8.0, 28e-3)
"""An input coil of 8 Ω takes 28 mA RMS at 1 kHz; others the same ampere-turns. From memory."""
RETURNED = (2250.0, 1.5e-3)
"""At rated drive an output coil of 2250 Ω gives 1.5 mV RMS at 1 kHz; from memory, within a factor of 2."""
IMPEDANCE = Quantity("ohm", 1.0, 1e5)
COIL_SPREAD = 0.1
"""Of a coil's impedance; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ReverbTank(Part):
    """Reverb tank: impedances of its input and output coil at 1 kHz, delay and decay where they are stated.

    The springs are left out of every solve: what comes back is late and adds to no level as a wave does.
    Delay and decay are stated, not computed; of the springs only the usual level at 1 kHz is known.
    """

    kind, letters = "reverb tank", ("DL",)
    apart = (("input[1]", "input[2]"), ("output[1]", "output[2]"))
    controls = ("ohms",)
    without = (("ratings", "it is driven by the signal alone: the levels of a tone show its drive"),)
    input: tuple[str, str] = field(metadata=written(PAIR))
    output: tuple[str, str] = field(metadata=written(PAIR))
    ohms: Value = field(metadata=written(IMPEDANCE, "value", main=True))
    output_ohms: Value = field(metadata=written(IMPEDANCE, "output_value"))
    resistance: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.05, 1e5)))
    output_resistance: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.05, 1e5)))
    amps: Value | None = field(default=None, metadata=written(Quantity("A", 1e-5, 1.0), "rating"))
    delay_s: Value | None = field(default=None, metadata=written(Quantity("s", 1e-3, 0.5), "delay"))
    decay_s: Value | None = field(default=None, metadata=written(Quantity("s", 0.1, 20.0), "decay"))

    @property
    def rated_a(self) -> Value:
        """Drive current it is made for [A RMS]: as stated, else that of the usual ampere-turns.

        Examples
        --------
        >>> tank = ReverbTank(designator="DL1", input=("a", "b"), output=("c", "d"), ohms=150.0,
        ...                   output_ohms=2250.0)
        >>> round(float(tank.rated_a) * 1e3, 1)
        6.5
        """
        return RATED[1] * np.sqrt(RATED[0] / np.asarray(self.ohms)) if self.amps is None else self.amps

    def coils(self) -> tuple[tuple[Value, Value], tuple[Value, Value]]:
        """(copper [Ω], inductance [H]) of the input coil, then of the output coil."""
        both = ((self.ohms, self.resistance), (self.output_ohms, self.output_resistance))
        copper = [np.multiply(COPPER_SHARE, z) if r is None else r for z, r in both]
        reach = 2 * np.pi * TANK_HZ
        henries = [
            np.sqrt(np.maximum(np.square(z) - np.square(r), 0.01 * np.square(z))) / reach
            for (z, _), r in zip(both, copper, strict=True)
        ]
        return (copper[0], henries[0]), (copper[1], henries[1])

    @property
    def returned_v(self) -> Value:
        """Voltage of the output coil at rated drive at 1 kHz [V RMS]; from memory, within a factor of 2."""
        return RETURNED[1] * np.sqrt(np.divide(self.output_ohms, RETURNED[0]))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Two coils that do not meet."""
        (copper, own), (copper_out, own_out) = self.coils()
        own, own_out = np.broadcast_arrays(own, own_out)
        henries = np.stack((own, 0 * own, 0 * own, own_out), axis=-1).reshape(*own.shape, 2, 2)
        hookup.notes.append(f"{self.designator}: in these readings no signal goes through its springs")
        yield wired.Windings(self.designator, (self.input, self.output), (copper, copper_out), henries)

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Each coil."""
        yield self.input
        yield self.output

    def symbols(self) -> Iterator[Symbol]:
        """A coil at each end."""
        for end, pair in (("in", self.input), ("out", self.output)):
            yield Symbol(f"{self.designator} {end}", "choke", (("a", pair[0]), ("b", pair[1])), end)

    def ohmmeter(self) -> Iterator[Edge]:
        """Both coils are measured with the power off."""
        yield from self.conducts()

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """The turns of each coil."""
        spread = COIL_SPREAD if known is None else known
        for j, end in enumerate(("input", "output")):
            turns = (Adjustment(CircuitParameter(self.designator, f"turns{j}"), 0.5),)
            yield Variable(f"{self.designator} {end} coil", self.designator, turns, spread)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """A coil broken at its lead, the usual death of a tank."""
        for j, (end, (copper, _)) in enumerate(zip(("input", "output"), self.coils(), strict=True)):
            gone = to_value(CircuitParameter(self.designator, f"copper{j}"), OPEN_OHMS, float(np.max(copper)))
            yield Fault(self.designator, f"{end} coil open", (gone,), weight=1.0)
