"""What is driven: loudspeakers and pilot lamps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tubekit.amp.fields import Quantity, Together, Value, written
from tubekit.amp.parts.faults import (
    OPEN_OHMS,
    Fault,
    times,
    to_value,
)
from tubekit.amp.parts.part import WATTS, Hookup, Part, Rating, TwoTerminal, across
from tubekit.amp.parts.variables import Knob
from tubekit.circuit import parts as wired
from tubekit.devices import heater

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

OVER = 0.1
"""A lamp may get this share more than its rated volts, as heaters may; common practice, no source."""
CONE_Q = 5.0
"""Mechanical Q of a loudspeaker's resonance; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Loudspeaker(TwoTerminal):
    """Loudspeaker: nominal ohms; the rest where it was measured."""

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

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Voice coil in series with the cone's resonance where they are stated, else the nominal ohms."""
        name = self.designator
        if self.resistance is None:
            hookup.said.append(f"{name}: taken as a resistor of its nominal ohms")
            yield wired.Resistor(name, self.a, self.b, self.ohms)
            return
        coil_end = (
            f"{name} cone" if self.resonance_hz is not None and self.resonance_ohms is not None else self.b
        )
        coil = np.asarray(self.henries if self.henries is not None else 1e-9, float)[..., None, None]
        yield wired.Windings(name, ((self.a, coil_end),), (self.resistance,), coil)
        if self.resonance_hz is None or self.resonance_ohms is None:
            return
        rise = np.asarray(self.resonance_ohms) - self.resistance
        rate = 2 * np.pi * np.asarray(self.resonance_hz)
        hookup.said.append(f"{name}: mechanical Q of the cone taken as {CONE_Q:g} (common practice)")
        yield wired.Resistor(f"{name}.cone", coil_end, self.b, rise)
        yield wired.Capacitor(f"{name}.mass", coil_end, self.b, CONE_Q / (rate * rise))
        yield wired.Windings(
            f"{name}.stiffness", ((coil_end, self.b),), (1e-3,), (rise / (rate * CONE_Q))[..., None, None]
        )

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
        knob = Knob(self.designator, "ohms" if self.resistance is None else "copper0")
        yield Fault(self.designator, "voice coil open", times(knob, OPEN_OHMS), weight=0.7)


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
        """How far its voltage is above the rated one."""
        volts = self.rating[0]
        above = np.maximum(across(state, self.a, self.b) - volts, 0.0)
        yield Rating(self.designator, "above_v", above, OVER * volts, "lamp's tolerance of 10 %")

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Burnt out."""
        volts, amps = self.rating
        open_ = to_value(Knob(self.designator, "ohms"), OPEN_OHMS, volts / amps)
        yield Fault(self.designator, "burnt out", (open_,), weight=0.2)  # it is seen to be dark
