"""Reverb tank: two coils, with springs between them that are heard and not solved."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.fields import Quantity, Value, written
from tubekit.amp.parts.faults import OPEN_OHMS, Fault, to_value
from tubekit.amp.parts.part import PAIR, Edge, Hookup, Part, Symbol
from tubekit.amp.parts.variables import Adjustment, Age, CircuitParameter, Variable
from tubekit.circuit import parts as wired

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
