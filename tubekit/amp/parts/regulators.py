"""Gas-filled voltage regulator tubes in their sockets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set as AbstractSet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.fields import NodeName, written
from tubekit.amp.parts.faults import Adjustment, Age, CircuitParameter, Fault, Variable, of_value, times
from tubekit.amp.parts.part import Hookup, Part, Rating, Symbol
from tubekit.amp.parts.tube_facts import REGULATOR
from tubekit.amp.parts.tubes import Tube, tube_law
from tubekit.circuit import parts as wired
from tubekit.circuit.reduction import resistance_across
from tubekit.devices import catalogue
from tubekit.devices.law import Law

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

REGULATED = 0.02
"""Standard deviation of a regulator tube's running voltage (from memory: some 5 % from tube to tube)."""
NOT_STRUCK = 1e3
"""Factor that puts the running voltage of a regulator out of reach."""


@dataclass(frozen=True, eq=False, kw_only=True)
class GasTube(Tube):
    """A gas-filled voltage regulator in its socket: plate and cathode, no heater."""

    kind, without, controls, apart = REGULATOR, (), ("type",), (("plate", "cathode"),)
    plate: str = field(metadata=written(NodeName()))
    cathode: str = field(metadata=written(NodeName()))

    def symbols(self) -> Iterator[Symbol]:
        """Two electrodes in a wire."""
        yield Symbol(self.designator, self.kind, (("plate", self.plate), ("cathode", self.cathode)))

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Its glow."""
        yield wired.Device(self.designator, tube_law(self, hookup), (self.plate,), self.cathode)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its running voltage."""
        turn = (Adjustment(CircuitParameter(self.designator, "glow")),)
        yield Variable(self.designator, self.designator, turn, REGULATED if known is None else 0.5 * known)

    def laws(self, type_: str) -> Iterator[tuple[str, Law]]:
        """Law of its glow."""
        yield self.designator, catalogue.tube(type_).law

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:
        """The wrong type, one that does not strike, or runs high with age."""
        yield from self.wrong_tube(parts)
        parameter = CircuitParameter(self.designator, "glow")
        yield Fault(self.designator, "does not strike", times(parameter, NOT_STRUCK), weight=2.0)
        yield Fault(
            self.designator, "runs high", times(parameter, 1.05, 1.1), of_value(1.05, 1.1), weight=1.0
        )

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its greatest and least current, and the voltage that strikes it."""
        name, point = self.designator, state.operating_point
        most, least, strike = (
            np.array([getattr(catalogue.tube(one).ratings, key) for one in self.types], float)
            for key in ("dc_a", "least_a", "strike_v")
        )
        rule, amps = f"{self.types[0]} maker's rating", np.asarray(point.current(name, "plate"))
        yield Rating(name, "dc_a", amps, most, rule)
        yield Rating(name, "least_a", least, amps, "current it gets")
        between = resistance_across(point.network, self.plate, self.cathode)
        highest = np.max([state.mean(node, self.cathode) for node in state.circuit.nodes], axis=0)
        volts = np.minimum(state.mean(self.plate, self.cathode) + amps * between, highest)
        yield Rating(name, "strike_v", strike, volts, "voltage it gets before it strikes")
