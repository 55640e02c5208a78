"""Capacitors."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import Choice, Quantity, Value, written
from tubekit.amp.parts.faults import (
    GONE,
    SHORT_OHMS,
    Fault,
    of_value,
    times,
    to_value,
    wrong_decade,
)
from tubekit.amp.parts.part import AMPS, TOLERANCE, VOLTS, Hookup, Part, Rating, TwoTerminal, stated
from tubekit.amp.parts.variables import LEAK, NO_LEAK, Adjustment, Age, CircuitParameter, Variable
from tubekit.circuit import parts as wired
from tubekit.units import show

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

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
        default="film",
        metadata=written(Choice(("film", "electrolytic", "ceramic", "mica", "paper"))),
    )

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
