"""The coupled solve of supply and amp, and the readings that follow from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tubekit.amp import parts as drawn
from tubekit.amp.amp import Amp
from tubekit.amp.build import Built
from tubekit.amp.fields import Value
from tubekit.amp.mains_solve import solve_mains
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.amp.readings import (
    DEAD_V,
    NodeReading,
    RailReading,
    RectifierReading,
    TubeReading,
    WindingReading,
    readable,
)
from tubekit.amp.topology import reservoir_farads
from tubekit.analyses.mains import MainsState
from tubekit.circuit.parts import GROUND, Rectifier, Resistor
from tubekit.circuit.reduction import resistance_to_ground
from tubekit.result_fields import Array, frozen_array

SENSE_OHMS = 20.0
"""A cathode resistor up to this only measures: the bias is fixed at the grid [Ω]; common practice."""


@dataclass(frozen=True, eq=False)
class SolvedAmp:
    """An amp with its mains steady state; hands out readings."""

    built: Built
    state: MainsState

    @property
    def amp(self) -> Amp:
        """The amp that was solved."""
        return self.built.amp

    def one(self, values: Array | float) -> float | Array:
        """A float for a single amp, a read-only array (N,) for a batch."""
        array = np.asarray(values, float)
        if self.amp.batch is None:
            return float(array.reshape(-1)[0])
        return frozen_array(np.broadcast_to(array, (self.amp.batch,)))

    def nodes(self) -> Iterator[NodeReading]:
        """Every node of the drawing, left out ground and nodes whose parts have all gone open."""
        state = self.state
        for node in self.amp.nodes:
            if node in state.operating_point.network.index:
                yield NodeReading(
                    node,
                    self.one(self._dc(node)),
                    self.one(state.ripple_rms(node)),
                    self.one(state.ripple_pp(node)),
                    self.amp.topology.place(node),
                )

    @cached_property
    def tubes(self) -> tuple[TubeReading, ...]:
        """Every amplifying section, without the gains of `AmpReport.tubes`."""
        fitted = (p for p in self.amp.parts.values() if isinstance(p, Tube) and p.condition == "fitted")
        return tuple(self._tube(part, section) for part in fitted for section in part.sections)

    def _tube(self, part: Tube, section: Section) -> TubeReading:
        point, name = self.state.operating_point, section.name
        k = section.cathode
        plate_v, cathode_v = self._dc(section.plate, k), self._dc(k)
        screen_v = self._dc(section.screen, k) if section.screen else np.nan
        plate_a, grid_a = (np.asarray(point.current(name, t)) for t in ("plate", "grid"))
        screen_a = np.asarray(point.current(name, "screen")) if section.screen else np.nan
        systems = [part.system(section, each) for each in part.types]
        ratings = [each.ratings for each in systems]
        plate_max = _limits(r.plate_w for r in ratings)
        screen_max = _limits(r.screen_w for r in ratings)
        plate_w, screen_w = plate_v * plate_a, screen_v * screen_a
        values = {
            "plate_v": plate_v, "screen_v": screen_v, "grid_v": self._dc(section.grid, k),
            "cathode_v": cathode_v, "plate_a": plate_a, "screen_a": screen_a, "grid_a": grid_a,
            "cathode_a": np.asarray(point.current(name, "cathode")), "plate_w": plate_w,
            "screen_w": screen_w, "plate_share": plate_w / plate_max,
            "screen_share": screen_w / screen_max, "heater_rms_v": self._heater(part),
            "heater_rated_v": np.array([part.heater_rating(each)[0] or np.nan for each in part.types]),
        }  # fmt: skip
        seen = resistance_to_ground(point.network, [k])
        bias = "cathode" if np.all(seen > SENSE_OHMS) else "fixed"
        return TubeReading(
            name, part.designator, part.types, bias, **{key: self.one(v) for key, v in values.items()},
            outside=tuple(dict.fromkeys(
                words for each in systems for words in each.outside(
                    plate=plate_v, grid=self._dc(section.grid, k), plate_a=plate_a,
                    screen=screen_v if section.screen else None,
                )
            )) if np.max(np.abs(plate_v)) > DEAD_V else (),
        )  # fmt: skip

    def _dc(self, node: str, to: str = GROUND) -> Array:
        return np.asarray(readable(self.state.mean(node, to)))

    def _heater(self, part: Tube) -> Array | float:
        if not part.heater:
            return float("nan")
        return self.state.ripple_rms(part.heater[0], part.heater[-1])

    def rails(self) -> Iterator[RailReading]:
        """Every filter capacitor of B+ from the rectifier on, then those of negative supplies.

        Those that an open switch cuts off are among them: they may still be charged.
        """
        for rail in self.amp.topology.wired.rails:
            part, node = self.amp.parts[rail.capacitor], rail.node
            assert isinstance(part, drawn.Capacitor)
            other = part.a if part.b == node else part.b
            yield RailReading(
                part.designator, node, self.one(self._dc(node)), self.one(self.state.ripple_pp(node)),
                self.one(self.state.ripple_rms(node)), self.one(capacitor_rms(self.state, part)),
                self.one(self._dc(node, other)), rail.polarity,
            )  # fmt: skip

    @property
    def held_nodes(self) -> set[str]:
        """Nodes that are still for signals, those between a rectifier and its series resistor included."""
        plates = {rectifier.plate for rectifier in self.built.circuit.of(Rectifier)}
        return {*self.amp.topology.held, *plates}

    def rectifiers(self) -> Iterator[RectifierReading]:
        """Every rectifier tube and diode."""
        state = self.state
        order = {r.name: j for j, r in enumerate(state.operating_point.network.rectifiers)}
        for designator, names in self.built.rectifiers.items():
            part = self.amp.parts[designator]
            if not names:
                continue
            rows = [order[name] for name in names]
            current, volts = state.rectifier_currents[:, rows], state.rectifier_volts[:, rows]
            yield RectifierReading(
                designator,
                part.types if isinstance(part, RectifierTube) else (getattr(part, "type", ""),),
                self.one(current.mean(axis=2).sum(axis=1)),
                self.one(current.max(axis=(1, 2))),
                self.one(np.sqrt((current**2).mean(axis=2)).max(axis=1)),
                self.one(-volts.min(axis=(1, 2))),
                self.one(reservoir_farads(self.amp.topology.wired, self.amp.parts, designator)),
            )

    def windings(self) -> Iterator[WindingReading]:
        """Every winding of every transformer."""
        for part in self.amp.parts.values():
            if not isinstance(part, drawn.Transformer) or part.condition != "fitted":
                continue
            coil = 0
            for winding in part.windings:
                coils = range(coil, coil + len(winding.sections))
                coil = coils.stop
                rms = np.max([self.state.winding_rms(part.designator, j) for j in coils], axis=0)
                mean = sum(np.abs(self.state.winding_mean(part.designator, j)) for j in coils)
                volts = self.state.ripple_rms(winding.taps[0], winding.taps[-1])
                yield WindingReading(
                    part.designator, winding.name, self.one(rms), self.one(mean), self.one(volts)
                )


def _limits(values: Iterator[float | None]) -> Array:
    return np.array([np.nan if value is None else value for value in values])


def solve_amp(amp: Amp, near: SolvedAmp | None = None, *, heat: Value | None = None) -> SolvedAmp:
    """Solve supply and amp together, from `near` (a similar amp); `heat` is what heaters get.

    Raises
    ------
    SolveError : supply and amp do not agree (best iterate and the rectifier or tube inside).
    """
    names = None if near is None or near.amp.batch != amp.batch else _part_names(near)
    built, state = solve_mains(amp, None if near is None else near.state, names, heat)
    return SolvedAmp(built, state)


def _part_names(near: SolvedAmp) -> list[str]:
    return [part.name for part in near.state.circuit.parts]


def capacitor_rms(state: MainsState, part: drawn.Capacitor) -> Array:
    """Effective current through a capacitor, every harmonic [A], (N,)."""
    network = state.operating_point.network
    across = np.abs(network.pick(state.spectrum, part.a) - network.pick(state.spectrum, part.b))[:, 1:]
    rate = 2 * np.pi * state.frequency_hz * np.arange(1, across.shape[1] + 1)
    amps = across * rate * np.asarray(part.farads).reshape(-1, 1)
    return np.asarray(np.sqrt(0.5 * (amps**2).sum(axis=1)))


def fuse_amps(state: MainsState, fuse: drawn.Fuse) -> Array:
    """Effective current of a fuse, direct current included [A], (N,)."""
    ohms = next(part.ohms for part in state.circuit.of(Resistor) if part.name == fuse.designator)
    return np.asarray(np.hypot(state.mean(*fuse.ends), state.ripple_rms(*fuse.ends)) / np.asarray(ohms))
