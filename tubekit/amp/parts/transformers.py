"""What is wound on iron: chokes and transformers; from turns to ratios, copper, inductance and leakage."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from tubekit.amp.fields import Listed, NodeName, Quantity, Together, Value, Words, written
from tubekit.amp.parts.faults import (
    OPEN_OHMS,
    Adjustment,
    Age,
    CircuitParameter,
    Fault,
    Variable,
    of_value,
    times,
    to_value,
)
from tubekit.amp.parts.part import (
    AMPS,
    TOLERANCE,
    WATTS,
    Assumed,
    Edge,
    Hookup,
    Part,
    Rating,
    Symbol,
    TwoTerminal,
)
from tubekit.circuit import parts as wired
from tubekit.units import show

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

COIL_OHMS = Quantity(
    "ohm", 1e-4, 1e6,
    below="every winding has resistance, which limits the rectifier's current peaks and the current at "
    "switch-on. Measure it with the amp unplugged and discharged",
)  # fmt: skip
CHOKE_HENRIES = Quantity(
    "H", 1e-6, 1e3,
    below="a choke without inductance is a wire: choke input would become capacitor input, and B+ would "
    "rise by half (for a shorted choke, write condition = 'short')",
)  # fmt: skip
MAGNETIZING_A = 0.1
"""Magnetizing current of a power transformer that states no inductance [A RMS]; common practice."""
WINDING_F = 300e-12
"""Across each section of an output transformer's primary [F]; common practice, no source."""
LEAKAGE = (0.008, 0.001)
"""Leakage over inductance of a primary of one section (with a gap), of others; common practice, no source."""
ALMOST_NONE = 1e-6
TURNS, COPPER, CHOKE = 0.01, 0.05, 0.10
"""Standard deviations of winding volts, copper (with its heat), a choke's inductance; common practice."""
FEWER_TURNS = (0.9, 0.75)
"""What shorted turns leave of a secondary's."""
EQUAL_HALVES = 0.1
LEAST_COPPER = 0.2
"""A secondary keeps at least this share of the drop its regulation states; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Choke(TwoTerminal):
    """Filter choke: henries at its rated amps, winding resistance.

    `field_of` names the loudspeaker whose field coil it is, `watts` what it may dissipate.
    `swing` (henries, amps) makes it a swinging choke: its inductance at a light direct current. It follows a
    straight line on log-log paper between its two points, flat below the lighter current; it is the
    incremental inductance at the mean current (common practice, no source).
    """

    kind, letters, preferred, controls = "choke", ("L",), "E12", ("henries",)
    henries: Value = field(metadata=written(CHOKE_HENRIES, "value", main=True))
    ohms: Value = field(metadata=written(COIL_OHMS, "resistance"))
    amps: Value | None = field(default=None, metadata=written(AMPS, "rating"))
    swing: tuple[float, float] | None = field(
        default=None, metadata=written(Together((Quantity("H", 1e-6, 1e3), Quantity("A", 1e-6, 100.0))))
    )
    watts: Value | None = field(default=None, metadata=written(WATTS, "dissipation"))
    field_of: str = field(default="", metadata=written(Words()))
    tolerance_percent: Value | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))

    @property
    def fails(self) -> str:
        """As a field coil, which feeds the amp too."""
        return "" if not self.field_of else f"{self.field_of} falls silent and B+ is gone once it is open"

    @property
    def sets_itself(self) -> bool:
        """Whether it swings."""
        return self.swing is not None

    def set_by(self, state: MainsState) -> tuple[str, Value]:
        """Its inductance at its mean current."""
        return self.designator, self.swung(state.winding_mean(self.designator))

    def swung(self, amps: Value) -> Value:
        """Inductance [H] of a swinging choke at a direct current [A].

        Examples
        --------
        >>> choke = Choke(designator="L1", ends=("a", "b"), henries=5.0, ohms=90.0, amps=0.15,
        ...               swing=(20.0, 0.015))
        >>> choke.swung(np.array([0.001, 0.015, 0.15])).round(2).tolist()
        [20.0, 20.0, 5.0]
        """
        assert self.swing is not None  # the amp's check saw to both
        assert self.amps is not None
        light, at = self.swing
        power = np.log(light / np.asarray(self.henries)) / np.log(np.asarray(self.amps) / at)
        return np.asarray(light * (np.maximum(np.abs(amps), at) / at) ** -power)

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """One coil; of a swinging choke at its rated inductance until its current has set it."""
        henries = np.asarray(hookup.settled.get(self.designator, self.henries), float)[..., None, None]
        yield wired.Windings(self.designator, (self.ends,), (self.ohms,), henries)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its copper and its inductance, which goes by the square of the turns."""
        name = self.designator
        yield Variable(f"{name} copper", name, (Adjustment(CircuitParameter(name, "copper0")),), COPPER)
        yield Variable(
            f"{name} inductance", name, (Adjustment(CircuitParameter(name, "turns0"), 0.5),), CHOKE
        )

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """Open, or with shorted turns."""
        name, copper = self.designator, CircuitParameter(self.designator, "copper0")
        yield Fault(name, "open", (to_value(copper, OPEN_OHMS, float(np.max(self.ohms))),), weight=1.0)
        yield Fault(name, "with shorted turns", times(CircuitParameter(name, "turns0"), 0.3), weight=0.3)

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:  # noqa: ARG002
        """Its direct current, and its heat."""
        amps = np.abs(state.winding_mean(self.designator))
        rule = f"rating of the {'field coil' if self.field_of else 'choke'}"
        yield Rating(self.designator, "coil_dc_a", amps, self.amps, rule)
        heat = state.winding_rms(self.designator) ** 2 * np.asarray(self.ohms)
        yield Rating(self.designator, "watts", heat, self.watts, rule)


@dataclass(frozen=True, eq=False, kw_only=True)
class Winding:
    """One winding: k nodes along it, k - 1 sections between them, in order.

    A power transformer states `volts` (open-circuit rms per section at the design line voltage), an output
    transformer `turns` (relative). `ohms` is the resistance per section; a secondary may state its
    `regulation` instead: how far the whole winding falls from open circuit to `amps`, both windings
    together, in percent of the loaded voltage. `henries` stands with the primary only; `leakage` with
    the primary is referred to all of it, with a secondary it is that winding's own; `capacitance` across each
    section is of the primary of an output transformer.
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
    capacitance: Value | None = field(default=None, metadata=written(Quantity("F", 1e-15, 1e-6)))

    @property
    def sections(self) -> tuple[tuple[str, str], ...]:
        """The (from, to) nodes of each section."""
        return tuple(zip(self.taps[:-1], self.taps[1:], strict=True))

    def section_name(self, k: int) -> str:
        """Name of a section: the winding, one of its two equal halves, or from tap to tap.

        Examples
        --------
        >>> Winding(name="primary", taps=("p3", "B1", "p4"), turns=(10.0, 10.0)).section_name(0)
        'primary half 1'
        >>> Winding(name="primary", taps=("line", "n100", "n120"), volts=(100.0, 20.0)).section_name(1)
        'primary n100 to n120'
        """
        turns = self.volts or self.turns
        if len(self.sections) == 1:
            return self.name
        if len(self.sections) == 2 and np.allclose(turns[0], turns[1], rtol=EQUAL_HALVES):
            return f"{self.name} half {k + 1}"
        return f"{self.name} {' to '.join(self.sections[k])}"


@dataclass(frozen=True, eq=False, kw_only=True)
class Transformer(Part):
    """Windings on one core, the primary first."""

    letters = ("T",)
    carries_dc: ClassVar[bool] = False
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

    def meeting(self) -> Iterator[tuple[str, str, str]]:
        """Both ends of a section on one node."""
        for winding in self.windings:
            for a, b in winding.sections:
                if a == b:
                    yield f"{winding.name}: one end", f"the next of '{winding.name}'", a

    def coils(self) -> Iterator[tuple[Winding, range]]:
        """Each winding with the numbers of its coils in the circuit."""
        first = 0
        for winding in self.windings:
            yield winding, range(first, first := first + len(winding.sections))

    def symbols(self) -> Iterator[Symbol]:
        """All windings as one."""
        pins = tuple((f"{w.name} {n}", node) for w in self.windings for n, node in enumerate(w.taps))
        yield Symbol(self.designator, self.kind, pins)

    def winding(self, name: str) -> Winding:
        """The winding of that name; KeyError if there is none."""
        return {one.name: one for one in self.windings}[name]

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Its coils, coupled; what the drawing leaves open is added to what is said."""
        ends, ohms, ratio, leak = [], [], [], []
        first = self.primary
        whole = sum(first.volts or first.turns)
        shared = 0.0 if self.leakage is None else self.leakage
        for winding in self.windings:
            turns = winding.volts or winding.turns
            copper = winding.ohms or _copper(self, winding, hookup.notes)
            own = 0.0 if winding is first or winding.leakage is None else winding.leakage
            for pair, resistance, each in zip(winding.sections, copper, turns, strict=True):
                ends.append(pair)
                ohms.append(resistance)
                ratio.append(np.asarray(each / whole))
                through = 0.0 if winding is first else shared * ratio[-1] ** 2
                leak.append(through + own * (each / sum(turns)) ** 2)
        magnetizing = self._magnetizing(hookup)
        yield wired.Windings(self.designator, tuple(ends), tuple(ohms), _coupled(ratio, magnetizing, leak))

    def _magnetizing(self, hookup: Hookup) -> Value:
        """Inductance at the whole primary [H]: as stated, else the usual one, which is said."""
        if self.henries is not None:
            return self.henries
        henries = self._usual_henries(hookup)
        hookup.notes.append(
            f"{self.designator}: no inductance given, {henries:.3g} H assumed (shop rule of thumb)"
        )
        return henries

    def _usual_henries(self, hookup: Hookup) -> float:
        raise NotImplementedError

    def ratings(self, state: MainsState, rectified: AbstractSet[str]) -> Iterator[Rating]:
        """Rectifier windings by direct current, heater and primary windings by effective current."""
        for winding, coils in self.coils():
            if self.carries_dc or rectified & set(winding.taps):
                code, amps = "coil_dc_a", _fed([state.winding_mean(self.designator, j) for j in coils])
            else:
                code = "coil_a"
                amps = np.max([state.winding_rms(self.designator, j) for j in coils], axis=0)
            name = f"{self.designator} {winding.name}".replace("_", " ")
            yield Rating(name, code, amps, winding.amps, "winding's rating")


@dataclass(frozen=True, eq=False, kw_only=True)
class PowerTransformer(Transformer):
    """Mains transformer; windings state open-circuit volts at the design line voltage."""

    kind = "power transformer"

    def _usual_henries(self, hookup: Hookup) -> float:
        return hookup.design_mains_rms / (MAGNETIZING_A * 2 * np.pi * hookup.mains_hz)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """The volts of each secondary and the copper of each winding."""
        for winding, coils in self.coils():
            name = f"{self.designator} {winding.name}"
            if winding is not self.primary:
                turns = tuple(Adjustment(CircuitParameter(self.designator, f"turns{j}")) for j in coils)
                yield Variable(f"{name} volts", self.designator, turns, TURNS)
            copper = tuple(Adjustment(CircuitParameter(self.designator, f"copper{j}")) for j in coils)
            yield Variable(f"{name} copper", self.designator, copper, COPPER)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:
        """Each section open, which takes the heat of tubes with it, or with shorted turns."""
        name = self.designator
        for winding, coils in self.coils():
            cold = {
                parameter: v
                for part in parts.values()
                for parameter, v in part.unheated(winding.taps).items()
            }
            heats = bool(cold) and winding is not self.primary
            for k, coil in enumerate(coils):
                where = winding.section_name(k)
                gone = {CircuitParameter(name, f"copper{coil}"): (OPEN_OHMS, 0.0)} | (cold if heats else {})
                yield Fault(name, f"{where} open", (gone,), weight=0.3 if heats else 0.4)
                if winding is not self.primary and not heats:
                    grades = tuple(
                        {
                            CircuitParameter(name, f"turns{coil}"): (left, 0.0),
                            CircuitParameter(name, "copper0"): (1.5, 0.0),
                        }
                        for left in FEWER_TURNS
                    )
                    words = f"{where} with shorted turns"
                    yield Fault(name, words, grades, of_value(*FEWER_TURNS), weight=0.3)


@dataclass(frozen=True, eq=False, kw_only=True)
class OutputTransformer(Transformer):
    """Output (or interstage) transformer; windings state relative turns."""

    kind, carries_dc = "output transformer", True

    @property
    def leakage(self) -> Value:
        """As stated, of any winding; else the usual share of the inductance."""
        stated = any(one.leakage is not None for one in self.windings)
        result = self.primary.leakage if stated else self._usual_leakage()
        return 0.0 if result is None else result

    def _usual_leakage(self) -> Value:
        assert self.primary.henries is not None  # the amp's check saw to it
        return np.asarray(self.primary.henries) * LEAKAGE[len(self.primary.sections) > 1]

    @property
    def winding_farads(self) -> Value:
        """Across each section of the primary [F]."""
        return WINDING_F if self.primary.capacitance is None else self.primary.capacitance

    def assumed(self) -> Iterator[Assumed]:
        """Leakage, and capacitance of the primary."""
        name, first = self.designator, self.primary
        if all(one.leakage is None for one in self.windings):
            leak = self._usual_leakage()
            none = self._with(replace(first, leakage=ALMOST_NONE * leak))
            yield Assumed(f"leakage of {show(leak, 'H', 2)}", name, "primary.leakage", none)
        if first.capacitance is None:
            none = self._with(replace(first, capacitance=ALMOST_NONE * WINDING_F))
            words = f"{show(WINDING_F, 'F', 2)} across each section of the primary"
            yield Assumed(words, name, "primary.capacitance", none)

    def _with(self, primary: Winding) -> OutputTransformer:
        return replace(self, windings=(primary, *self.windings[1:]))

    def ohmmeter(self) -> Iterator[Edge]:
        """Every section of every winding."""
        yield from self.conducts()

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """The copper of its primary."""
        for j in range(len(self.primary.sections)):
            turn = (Adjustment(CircuitParameter(self.designator, f"copper{j}")),)
            yield Variable(f"{self.designator} copper {j + 1}", self.designator, turn, COPPER)

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:  # noqa: ARG002
        """A section of the primary open, the secondary open, or shorted turns."""
        name, coils = self.designator, sum(len(w.sections) for w in self.windings)
        first = len(self.primary.sections)
        for k in range(first):
            gone = {CircuitParameter(name, f"copper{k}"): (OPEN_OHMS, 0.0)}
            yield Fault(name, f"{self.primary.section_name(k)} open", (gone,), weight=0.7)
        secondary = {CircuitParameter(name, f"copper{j}"): (OPEN_OHMS, 0.0) for j in range(first, coils)}
        yield Fault(name, "secondary open", (secondary,), weight=0.2)
        fewer = {CircuitParameter(name, f"turns{j}"): (0.05, 0.0) for j in range(coils)}
        yield Fault(name, "with shorted turns", (fewer,), weight=0.4)


def _fed(sections: Sequence[np.ndarray]) -> np.ndarray:
    """Direct current fed into a winding [A]: each tube's once, through however many sections it flows.

    Examples
    --------
    >>> _fed([np.array([-0.03]), np.array([-0.04]), np.array([0.04]), np.array([0.03])]).round(3).tolist()
    [0.08]
    """
    none = np.zeros_like(sections[0])
    at_taps = np.diff([none, *sections, none], axis=0)
    return np.asarray(np.abs(at_taps).sum(axis=0) / 2.0)


def _copper(part: Transformer, winding: Winding, lines: list[str]) -> list[Value]:
    """Resistance of each section of a secondary that states its regulation instead."""
    assert winding.regulation_percent is not None  # the amp's check saw to both
    assert winding.amps is not None
    turns, first = winding.volts or winding.turns, part.primary
    share = np.asarray(winding.regulation_percent) / 100.0
    drop = np.asarray(sum(turns)) * share / (1.0 + share)
    from_primary = sum(first.ohms) * (sum(turns) / sum(first.volts or first.turns)) ** 2
    whole = np.maximum(drop / winding.amps - from_primary, LEAST_COPPER * drop / winding.amps)
    lines.append(
        f"{part.designator} {winding.name}: resistance calculated from its regulation, without the "
        "primary's share"
    )
    return [whole * (each / sum(turns)) for each in turns]


def _coupled(ratio: list[np.ndarray], magnetizing: Value, leak: list[Value]) -> np.ndarray:
    """Inductance matrix of windings on one core, leakage on the side away from the primary."""
    rows = [[magnetizing * a * b for b in ratio] for a in ratio]
    for j, each in enumerate(leak):
        rows[j][j] = rows[j][j] + each
    flat = np.broadcast_arrays(*(cell for row in rows for cell in row))
    return np.moveaxis(np.stack(flat), 0, -1).reshape(*flat[0].shape, len(ratio), len(ratio))
