"""Tubes in their sockets: sections, heater, aging and faults."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from tubekit.amp.fields import Choice, Listed, NodeName, Quantity, Value, written
from tubekit.amp.parts.diodes import JUNCTION
from tubekit.amp.parts.faults import (
    GAS,
    GONE,
    ONSET,
    Adjustment,
    Age,
    CircuitParameter,
    Fault,
    Variable,
    times,
    worn,
)
from tubekit.amp.parts.part import HEAT, Assumed, Edge, Hookup, Part, Symbol
from tubekit.amp.parts.transformers import PowerTransformer
from tubekit.amp.parts.tube_facts import LETTERS, TubeType, facts, types_for_socket
from tubekit.circuit import parts as wired
from tubekit.devices import catalogue, heater as heaters
from tubekit.devices.law import Law, ParameterLaw, stack
from tubekit.devices.maker_limits import tube_spread
from tubekit.devices.rectifier import SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode
from tubekit.errors import AmpFileError
from tubekit.units import show

if TYPE_CHECKING:
    from tubekit.analyses.mains import MainsState

HEATER = Listed(NodeName(), 2, 3)
PARALLEL, SERIES = "parallel", "series"
"""Halves of a tapped heater (12A_7): pins 4+5 against 9, or from 4 to 5 with 9 free or on a middle node."""
NO_EMISSION = 1e-12
"""Left of a cathode whose heater has gone open: laws need something above zero."""
GOOD_GAS = 2e-7
"""Scale of a good power tube's grid current [A], half-normal; common practice, no source."""
RECTIFIER = 0.10
"""Standard deviation of a rectifier's perveance; common practice, no source."""
GRID_ONSET_V = 0.15
"""Standard deviation of the grid voltage at which grid current sets in [V]: contact potential and the speed
of emitted electrons (from memory: makers put it anywhere between -0.3 V and -1.3 V; the spread is common
practice, no source). It sets the bias where a grid leak of megohms alone does."""
GRID_WIRING_F = 5e-12
"""Socket and lead of a grid against the chassis [F]; common practice, no source."""
PLATE_WIRING_F = 5e-12
"""Socket and lead of a plate against the chassis [F]; common practice, no source."""
WIRING = Quantity("F", 1e-15, 1e-8)
NO_WIRING_F = 1e-18
"""As good as none [F]."""
WRONG_TUBE = 0.4
"""How often another type is met in a socket, all types together; common practice, no source."""
HEATER_ALIKE = 0.03
"""Heater volts (and amps, in a series string) this near are the same; common practice, no source."""
NO_HEATER = 1e9
"""Stands for a heater that is open, or none in a batch of tube types [Ω]."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Section:
    """One system of a tube: its name ('V1a', or 'V3' for a single tube) and its nodes."""

    name: str
    key: str = ""
    plate: str = field(metadata=written(NodeName()))
    grid: str = field(metadata=written(NodeName()))
    cathode: str = field(metadata=written(NodeName()))
    screen: str | None = field(default=None, metadata=written(NodeName()))
    grid_wiring: Value | None = field(default=None, metadata=written(WIRING))
    plate_wiring: Value | None = field(default=None, metadata=written(WIRING))

    def wiring(self) -> Iterator[tuple[str, str, Value]]:
        """(label, node, capacitance to the chassis [F]) of socket and lead, of the grid and of the plate."""
        yield "grid_wiring", self.grid, GRID_WIRING_F if self.grid_wiring is None else self.grid_wiring
        yield "plate_wiring", self.plate, PLATE_WIRING_F if self.plate_wiring is None else self.plate_wiring

    def neighbors(self) -> Iterator[tuple[str, str]]:
        """Pairs of electrodes on different nodes whose pins may have been swapped."""
        pairs = [("plate", "grid"), ("grid", "cathode"), ("plate", "cathode")]
        if self.screen is not None:
            pairs += [("plate", "screen"), ("screen", "grid")]
        yield from ((one, two) for one, two in pairs if getattr(self, one) != getattr(self, two))


@dataclass(frozen=True, eq=False, kw_only=True)
class Tube(Part):
    """An amplifying tube in its socket; `type` is a tuple of types in a batch.

    `family` is that of the drawn type, `socket` its base; `emission` is 1 for a new cathode, `unused` the
    section of a twin that nothing is wired to. Of a tapped
    heater `heater_halves` says how its halves are wired; three nodes are pins 4, 9 and 5. The cathode of a
    directly heated tube is the middle of its filament, which no pin brings out: `heater` names it between
    the two ends.
    """

    controls: ClassVar[tuple[str, ...]] = ("type", "emission")
    kind, letters = "tube", ("V",)
    bench = "tube, or tube rectifier"
    without: ClassVar[tuple[tuple[str, str], ...]] = (
        ("ratings", "its type states them: compared in `decisions.tube_limits`"),
    )
    type: str | tuple[str, ...] = field(metadata=written(TubeType(), main=True))
    heater: tuple[str, ...] = field(default=(), metadata=written(HEATER))
    heater_halves: str = field(default="", metadata=written(Choice((PARALLEL, SERIES))))
    emission: Value = field(default=1.0, metadata=written(Quantity("", 0.0, 2.0)))
    unused: str = field(default="", metadata=written(Choice(("a", "b"))))
    sections: tuple[Section, ...] = ()
    family: str = ""
    socket: str = ""

    @property
    def types(self) -> tuple[str, ...]:
        """Its type, or the types of a batch."""
        return (self.type,) if isinstance(self.type, str) else self.type

    @property
    def tapped(self) -> bool:
        """Whether its heater has a center tap, and so two voltages."""
        return facts(self.types[0]).tapped

    @property
    def filament(self) -> bool:
        """Whether its cathode is the middle of its filament."""
        return len(self.heater) == 3 and facts(self.types[0]).filament

    @property
    def heater_open(self) -> bool:
        """Whether nothing flows in its heater, so that nothing is emitted."""
        return bool(np.all(np.asarray(self.emission) == 0.0))

    @property
    def heater_leads(self) -> tuple[str, ...]:
        """Nodes at the pins of its heater."""
        return (self.heater[0], self.heater[-1]) if self.filament else self.heater

    def with_condition(self, word: str) -> Part | None:
        """Open: its heater is, and nothing is emitted."""
        return replace(self, emission=0.0) if word == "open" else None

    def conducts(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """A filament that is the cathode, from end to end."""
        if self.filament:
            yield from pairwise(self.heater)

    def system(self, section: Section, type_: str | None = None) -> catalogue.Tube:
        """Catalog's record of this section of a type: by its letter, or else in order."""
        place = LETTERS.find(section.key or ("b" if self.unused == "a" else "a"))
        known = catalogue.tube(type_ or self.types[0])
        return known.system(place if place >= 0 else self.sections.index(section))

    def heater_rating(self, type_: str | None = None) -> tuple[float, float]:
        """Volts and amps of its heater between the outer nodes, as it is wired.

        Examples
        --------
        >>> from tubekit.amp import load_amp
        >>> load_amp("teasel").parts["V1"].heater_rating()
        (6.3, 0.3)
        """
        known = facts(type_ or self.types[0])
        if known.tapped and (len(self.heater) == 3 or self.heater_halves == SERIES):
            return 2.0 * known.heater_volts, 0.5 * known.heater_amps
        return known.heater_volts, known.heater_amps

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """Its sections with their capacitances, and its heater."""
        laws: dict[tuple[catalogue.Tube, ...], Law] = {}
        for section in self.sections:
            systems = tuple(self.system(section, each) for each in self.types)
            if systems not in laws:
                laws[systems] = tube_law(self, hookup, systems)
            law = laws[systems]
            if section.screen is None:
                terminals: tuple[str, ...] = (section.plate, section.grid)
            else:
                terminals = (section.plate, section.screen, section.grid)
            yield wired.Device(section.name, law, terminals, section.cathode)
            yield from _strays(systems, section.name, terminals, section.cathode)
        yield from _heater(self, hookup)

    def assumed(self) -> Iterator[Assumed]:
        """Wiring of its grids and plates against the chassis."""
        for key, words in (
            ("grid_wiring", f"{show(GRID_WIRING_F, 'F', 2)} from each grid to the chassis"),
            ("plate_wiring", f"{show(PLATE_WIRING_F, 'F', 2)} from each plate to the chassis"),
        ):
            left = [section for section in self.sections if getattr(section, key) is None]
            none: dict[str, Any] = {key: NO_WIRING_F}
            bare = tuple(replace(one, **none) if one in left else one for one in self.sections)
            if left:
                yield Assumed(words, ", ".join(one.name for one in left), key, replace(self, sections=bare))

    def symbols(self) -> Iterator[Symbol]:
        """Each section, and the heater."""
        for section in self.sections:
            named = ((name, getattr(section, name)) for name in ("plate", "screen", "grid", "cathode"))
            yield Symbol(
                section.name, "tube", tuple((name, node) for name, node in named if node is not None)
            )
        if self.heater:
            yield Symbol(f"{self.designator} heater", "heater", self._heater_pins())

    def _heater_pins(self) -> tuple[Edge, ...]:
        return tuple((f"heater {n}", node) for n, node in enumerate(self.heater, 1))

    def marking(self, one: Callable[[Value], float] = float) -> list[str]:
        """Its type, and its emission where it is worn."""
        type_ = self.types[int(one(np.arange(len(self.types), dtype=float)) if len(self.types) > 1 else 0)]
        worn_to = one(self.emission)
        return [type_, *([f"emission {100 * worn_to:.0f} %"] if worn_to != 1.0 else [])]

    def set_by(self, state: MainsState) -> tuple[str, Value]:
        """Volts over rated volts of its heater in a series string."""
        rated = np.array([self.heater_rating(each)[0] for each in self.types])
        volts = state.ripple_rms(self.heater[0], self.heater[-1])
        return f"{self.designator}.{HEAT}", np.where(
            rated > 0.0, volts / np.where(rated > 0.0, rated, 1.0), 1.0
        )

    def meeting(self) -> Iterator[tuple[str, str, str]]:
        """Heater pins on one node; an electrode on its cathode's, a screen on its grid's."""
        if len(set(self.heater)) < len(self.heater):
            yield "heater pins", "each other", self.heater[0]
        for section in self.sections:
            for terminal in ("plate", "screen", "grid"):
                if getattr(section, terminal) == section.cathode:
                    yield f"{section.name} {terminal}", "cathode", section.cathode
            if section.screen == section.grid:
                yield f"{section.name} screen", "grid", section.grid

    def unheated(self, nodes: Iterable[str]) -> Mapping[CircuitParameter, tuple[float, float]]:
        """Its emission gone, where its heater is fed from these nodes alone."""
        if not self.heater or not set(self.heater_leads) <= set(nodes):
            return {}
        return dict.fromkeys(self._cathodes(), (GONE, 0.0))

    def _cathodes(self) -> tuple[CircuitParameter, ...]:
        return tuple(CircuitParameter(section.name, "perveance") for section in self.sections)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """Its emission; mu, screen share, gas and onset of grid current of each section."""
        emission = tube_spread(self.types[0]).emission if known is None else 0.5 * known
        turns = tuple(Adjustment(parameter) for parameter in self._cathodes())
        yield Variable(f"{self.designator} emission", self.designator, turns, emission)
        for section in self.sections:
            name = section.name
            system = self.system(section)
            limits, triode = tube_spread(system.type), isinstance(system.law, Triode)
            turn = (Adjustment(CircuitParameter(name, "mu" if triode else "mu_screen")),)
            yield Variable(f"{name} mu", self.designator, turn, limits.mu)
            if not triode:
                share = (Adjustment(CircuitParameter(name, "share")),)
                yield Variable(f"{name} screen share", self.designator, share, limits.screen)
                gas = (Adjustment(CircuitParameter(name + GAS, "amps"), adds=True),)
                yield Variable(f"{name} gas", self.designator, gas, GOOD_GAS, "half")
            onset = (Adjustment(CircuitParameter(name, ONSET), adds=True),)
            yield Variable(f"{name} grid current onset", self.designator, onset, GRID_ONSET_V)

    def laws(self, type_: str) -> Iterator[tuple[str, Law]]:
        """Law of each of its devices, by name in the circuit, with a tube of that type in the socket."""
        for section in self.sections:
            yield section.name, self.system(section, type_).law

    def wrong_tube(self, parts: Mapping[str, Part]) -> Iterator[Fault]:
        """Each type that fits the socket and its heater supply, as a grade; one for each other law."""
        strung = any(one.designator == self.designator for one in heater_string(parts))
        own, laws, grades = self.heater_rating(), [dict[CircuitParameter, tuple[float, float]]()], {}
        for type_ in types_for_socket(self.types[0], tuple(catalogue.tube_types())):
            same, law = np.isclose(self.heater_rating(type_), own, rtol=HEATER_ALIKE), self._law_moves(type_)
            if same[0] and (same[1] or not strung) and law not in laws:
                grades[type_] = law | self._heater_moves(type_)
                laws.append(law)
        if grades:
            words, types = "wrong tube in the socket", tuple(grades)
            yield Fault(self.designator, words, tuple(grades.values()), types, WRONG_TUBE, path=False)

    def _law_moves(self, type_: str) -> dict[CircuitParameter, tuple[float, float]]:
        """What turns the parameters of its law into those of another type's."""
        change: dict[CircuitParameter, tuple[float, float]] = {}
        for (name, old), (_, new) in zip(self.laws(self.types[0]), self.laws(type_), strict=True):
            assert isinstance(old, ParameterLaw)
            assert isinstance(new, ParameterLaw)
            is_factor = old.positive | old.not_negative
            for key, value in new.parameters().items():
                was, now = float(np.max(old.parameters()[key])), float(np.max(value))
                if was != now:
                    scales = key in is_factor and was > 0.0
                    change[CircuitParameter(name, key)] = (now / was, 0.0) if scales else (1.0, now - was)
        return change

    def _heater_moves(self, type_: str) -> dict[CircuitParameter, tuple[float, float]]:
        (volts, amps), (new_volts, new_amps) = self.heater_rating(), self.heater_rating(type_)
        if amps == new_amps or len(set(self.heater)) < 2:
            return {}
        ohms = (new_volts * amps / (volts * new_amps), 0.0)
        halves = ("1", "2") if (self.tapped or self.filament) and len(self.heater) == 3 else ("",)
        return {CircuitParameter(f"{self.designator}.heater{k}", "ohms"): ohms for k in halves}

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:
        """Weak, dead, gassy, the wrong type, or two pins swapped."""
        yield from self.wrong_tube(parts)
        power = any(section.screen for section in self.sections)
        yield worn(self.designator, self._cathodes(), (0.65, 0.45, 0.25), 6.0)
        whole = dict.fromkeys(self._cathodes(), (GONE, 0.0))
        yield Fault(self.designator, "dead (heater open)", (whole,), weight=2.0)
        amps = (2e-6, 6e-6, 2e-5) if power else (5e-7, 2e-6)
        for section, parameter in zip(self.sections, self._cathodes(), strict=True):
            if len(self.sections) > 1:
                yield Fault(section.name, "dead", times(parameter, GONE), weight=0.5)
            yield Fault(
                section.name, "gassy",
                tuple({CircuitParameter(section.name + GAS, "amps"): (1.0, i)} for i in amps),
                tuple(f"grid current {i * 1e6:g} µA" for i in amps), weight=2.0 if power else 0.3,
            )  # fmt: skip
        for section in self.sections:
            for one, two in section.neighbors():
                words = f"{one} and {two} swapped"
                yield Fault(section.name, words, weight=0.05, becomes=self._swapped(section, one, two))

    def _swapped(self, section: Section, one: str, two: str) -> Tube:
        other = replace(section, **{one: getattr(section, two), two: getattr(section, one)})
        return replace(self, sections=tuple(other if s is section else s for s in self.sections))


def heater_string(parts: Mapping[str, Part]) -> tuple[Tube, ...]:
    """Tubes whose heaters carry one current: without a power transformer all of them.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> heater_string(load_amp("teasel").parts)
    ()
    """
    heated = [p for p in parts.values() if isinstance(p, Tube) and p.heater and p.heater_rating()[1]]
    coils = [w for p in parts.values() if isinstance(p, PowerTransformer) for w in p.windings[1:]]
    if not coils:
        return tuple(heated)
    fixed = {wired.GROUND} | {tap for coil in coils for tap in coil.taps}
    return tuple(
        one for one in heated
        if any(len({*one.heater} & {*two.heater} - fixed) == 1 for two in heated if two is not one)
    )  # fmt: skip


ARC_OHMS = 1.0
"""A short between the electrodes of a rectifier tube [Ω]; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RectifierTube(Tube):
    """A rectifier in its socket (a tube, or a plug-in of silicon): plates and one cathode node.

    `series` is a resistance added in each plate lead, as is usual with a plug-in of silicon [Ω].
    """

    kind, controls = "rectifier tube", ("type",)
    without = (("ratings", "its type states them: compared in `decisions.tube_limits`"),)
    plates: tuple[str, ...] = field(metadata=written(Listed(NodeName(), 1, 2, "plate connections")))
    cathode: str = field(metadata=written(NodeName()))
    series: Value | None = field(default=None, metadata=written(Quantity("ohm", 0.1, 1e4)))
    condition: str = field(default="fitted", metadata=written(Choice(("fitted", "short"))))

    def with_condition(self, word: str) -> Part | None:
        """Shorted from its first plate to its cathode, or as any tube."""
        return replace(self, condition=word) if word in ("fitted", "short") else super().with_condition(word)

    def wired(self, hookup: Hookup) -> Iterator[wired.Part]:
        """A diode for each plate behind its series resistor, a short where there is one, and the heater."""
        if self.condition == "short":
            yield wired.Resistor(f"{self.designator}.short", self.plates[0], self.cathode, ARC_OHMS)
        law = tube_law(self, hookup)
        assert isinstance(law, TubeDiode | SiliconDiode)  # the amp's check let no other kind in here
        for k, plate in enumerate(self.plates, 1):
            if self.series is not None:
                lead = f"{self.designator} lead {k}"
                yield wired.Resistor(f"{self.designator}.series{k}", plate, lead, self.series)
                plate = lead  # noqa: PLW2901 - the rectifier sits behind its resistor
            yield wired.Rectifier(f"{self.designator}.{k}", law, plate, self.cathode)
        yield from _heater(self, hookup)

    def rectifies(self, *, as_wired: bool = False) -> Iterator[Edge]:  # noqa: ARG002
        """Each plate to the cathode."""
        yield from ((plate, self.cathode) for plate in self.plates)

    def symbols(self) -> Iterator[Symbol]:
        """One bottle with its heater."""
        plates = tuple((f"plate {n}", node) for n, node in enumerate(self.plates, 1))
        pins = (*plates, ("cathode", self.cathode), *self._heater_pins())
        yield Symbol(self.designator, "rectifier", pins)

    def meeting(self) -> Iterator[tuple[str, str, str]]:
        """A plate on the cathode's node."""
        yield from super().meeting()
        if self.cathode in self.plates:
            yield "cathode", "a plate", self.cathode

    @property
    def fails(self) -> str:
        """As silicon where it is a plug-in of diodes."""
        return JUNCTION if self.silicon else ""

    @property
    def silicon(self) -> bool:
        """Whether it is a plug-in with diodes in the place of a tube."""
        return isinstance(catalogue.tube(self.types[0]).law, SiliconDiode)

    def _cathodes(self) -> tuple[CircuitParameter, ...]:
        """Those of its plates; a plug-in has none to go cold."""
        plates = range(1, 1 if self.silicon else len(self.plates) + 1)
        return tuple(CircuitParameter(f"{self.designator}.{k}", "perveance") for k in plates)

    def varies(self, age: Age, known: float | None) -> Iterator[Variable]:  # noqa: ARG002
        """The perveance of each plate; the drop of silicon is lost beside the copper."""
        for k, parameter in enumerate(self._cathodes(), 1):
            yield Variable(
                f"{self.designator} plate {k}", self.designator, (Adjustment(parameter),), RECTIFIER
            )

    def laws(self, type_: str) -> Iterator[tuple[str, Law]]:
        """Law of each plate."""
        law = catalogue.tube(type_).law
        yield from ((f"{self.designator}.{k}", law) for k in range(1, len(self.plates) + 1))

    def faults(self, parts: Mapping[str, Part]) -> Iterator[Fault]:
        """Weak, dead, the wrong type, or one plate (or junction) gone."""
        name, plates = self.designator, self._cathodes()
        if self.silicon:
            for k in range(len(self.plates) if len(self.plates) > 1 else 0):
                kept = (*self.plates[:k], *self.plates[k + 1 :])
                yield Fault(name, f"plate {k + 1} open", weight=0.7, becomes=replace(self, plates=kept))
            return
        yield from self.wrong_tube(parts)
        yield worn(name, plates, (0.6, 0.35, 0.15), 5.0)
        yield Fault(name, "dead (heater open)", (dict.fromkeys(plates, (GONE, 0.0)),), weight=1.5)
        if len(plates) > 1:
            for k, plate in enumerate(plates, 1):
                yield Fault(name, f"plate {k} dead", ({plate: (GONE, 0.0)},), weight=0.7)


def tube_law(part: Tube, hookup: Hookup, systems: Sequence[catalogue.Tube] = ()) -> Law:
    """Law of a section, or of the whole tube, of each of its types, with the emission its heater leaves."""
    known = systems or [catalogue.tube(each) for each in part.types]
    cold = bool(part.heater) and np.less(hookup.heat(part.designator), heaters.COLD)
    heat = heaters.emission(hookup.heat(part.designator)) if part.heater else 1.0
    left = np.multiply(part.emission, np.where(cold, 0.0, heat))
    laws = [
        _worn(tube.law, own if tube.heater_amps else worn)
        for tube, own, worn in zip(known, _of_each(left, known), _of_each(part.emission, known), strict=True)
    ]
    if len({type(law) for law in laws}) > 1:
        raise AmpFileError(
            "tube and silicon rectifiers cannot be calculated together in this socket",
            part=part.designator,
            fix="Calculate them one after the other",
        )
    return laws[0] if len(laws) == 1 else stack(laws)


def _of_each(share: Value, types: Sequence[Any]) -> Sequence[Value]:
    """The emission of each type of a batch; of one type, that of every member."""
    return list(np.broadcast_to(share, len(types))) if len(types) > 1 else [share]


def _worn(law: Law, emission: Value) -> Law:
    emission = np.maximum(emission, NO_EMISSION)
    return law.worn(emission) if np.any(np.asarray(emission) != 1.0) else law


def _strays(
    systems: Sequence[catalogue.Tube], name: str, terminals: tuple[str, ...], cathode: str
) -> Iterator[wired.Part]:
    """Interelectrode capacitances of a section, of each of its types."""
    plate, grid = terminals[0], terminals[-1]
    for label, a, b in (
        ("grid_plate", grid, plate), ("grid_cathode", grid, cathode), ("plate_cathode", plate, cathode)
    ):  # fmt: skip
        farads = [system.capacitances.get(label) or 0.0 for system in systems]
        if any(farads) and a != b:
            known = np.maximum(farads, NO_WIRING_F)
            yield wired.Capacitor(f"{name}.{label}", a, b, known if len(farads) > 1 else farads[0])


def _heater(part: Tube, hookup: Hookup) -> Iterator[wired.Part]:
    """The heater as the load it is: one hot wire, or its two halves where the tap is wired."""
    rated = [part.heater_rating(each) for each in part.types]
    if len(set(part.heater)) < 2 or not any(amps for _, amps in rated):
        return
    cold = np.array([volts / amps if amps else NO_HEATER for volts, amps in rated])
    ohms = (cold if len(rated) > 1 else float(cold[0])) * heaters.resistance(hookup.heat(part.designator))
    if not np.all(part.emission):  # open
        ohms = np.where(part.emission, ohms, NO_HEATER)
    if (part.tapped or part.filament) and len(part.heater) == 3:
        for k, (one, two) in enumerate(pairwise(part.heater), 1):
            yield wired.Resistor(f"{part.designator}.heater{k}", one, two, 0.5 * ohms)
    else:
        yield wired.Resistor(f"{part.designator}.heater", part.heater[0], part.heater[-1], ohms)
