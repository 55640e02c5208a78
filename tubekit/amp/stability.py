"""Whether an amp oscillates: asked here and nowhere else, and answered in one note.

The natural frequencies are those of the amp with its strays and the generator at the input. A slow
phase-shift oscillator off the way of the signal (a tremolo) is no fault: its tube is held at its idle
currents, and the rest of the amp is judged without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from typing import NamedTuple

import numpy as np

from tubekit.amp import parts
from tubekit.amp.amp import Amp
from tubekit.amp.parts import Loudspeaker, OutputTransformer, Resistor
from tubekit.amp.topology import edges, reached
from tubekit.analyses.elimination import respond
from tubekit.analyses.limit_cycle import LimitCycle, limit_cycle
from tubekit.analyses.natural_modes import NaturalModes, natural_modes
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.part_sensitivity import picker
from tubekit.circuit import parts as wired
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import evaluate
from tubekit.circuit.parts import GROUND, Capacitor, Device
from tubekit.errors import Note, SolveError
from tubekit.result_fields import Array
from tubekit.units import show

Way = tuple[Array, Array]
"""Column that drives the input jack, and row that reads the loudspeaker."""

TREMOLO_HZ = 20.0
"""A slower oscillator off the way of the signal is taken for a tremolo [Hz]; common practice, no source."""
HELD_F = 1e-6
"""A capacitor to ground from this up counts as a short for the test of what closes a loop [F]."""
HELD_S = 1e3
STEP_OHMS, STEP_F = (1e3, 2.2e3, 4.7e3, 10e3, 22e3), (47e-12, 100e-12, 220e-12, 470e-12, 1e-9)
"""Usual step networks at the plate of a first stage [Ω, F]; common practice, no source."""
LARGER = (1.5, 2.0, 3.0, 5.0, 10.0)
"""How much larger a filter capacitor or a feedback resistor is tried."""
UNMOVED_DB = 1.0
"""A section that moves the amp's gain by less than this when held still is off the way of the signal [dB]."""

LEAST_SWING_V, NEAR_MOST = 0.05, 0.3
"""A tube whose grid moves less counts as not moved [V p-p], or less than this share of the one moved most."""
CUT_OFF_DB = 40.0

OSCILLATES = "oscillates"
REVERSED = (
    "If it began after work on the output transformer: swapped plate leads or swapped secondary leads make "
    "the feedback positive."
)


class Oscillator(NamedTuple):
    """An intended oscillator: its sections, and the nodes that the supply holds."""

    sections: tuple[str, ...]
    held: tuple[str, ...]


@dataclass(frozen=True)
class Tremolo:
    """What an oscillator does: its rate, the sections it moves most, and how far their gm goes.

    `antiphase` says that some of them swing against the others.
    """

    hertz: float
    moved: tuple[str, ...]
    swings_v: tuple[float, ...]
    depth_db: float
    antiphase: bool = False

    @property
    def words(self) -> str:
        """The depth in a sentence with a blank behind it; '' where nothing is moved."""
        if not self.moved:
            return ""
        each = ", ".join(
            f"{name} by {show(volts, 'V')}" for name, volts in zip(self.moved, self.swings_v, strict=True)
        )
        deep = f"{self.depth_db:.2g} dB" if self.depth_db < CUT_OFF_DB else "cut-off"
        heard = f" in antiphase, which the speaker gets as {show(self.hertz, 'Hz')}" if self.antiphase else ""
        return (
            f"It swings the grids to the cathodes of {each} peak to peak{heard}: "
            f"depth {deep}, calculated from their gm with a steady B+. "
        )


@dataclass(frozen=True, eq=False)
class Stability:
    """Natural frequencies of an amp, and what follows from them.

    `naturals` are those that count: with the tremolo's tube `oscillator` held still where there is one;
    `drawn` are those of the amp as drawn. `cause` says what closes the loop of an amp that oscillates,
    `which` variants of a batch do.
    """

    naturals: NaturalModes
    drawn: NaturalModes
    oscillator: str = ""
    cause: str = ""
    which: str = ""
    idle: OperatingPoint | None = field(default=None, repr=False)
    about: Oscillator | None = field(default=None, repr=False)

    @cached_property
    def tremolo(self) -> Tremolo | None:
        """Rate and depth of the intended oscillator of one amp; None where there is none, or in a batch."""
        if self.idle is None or self.about is None or len(self.drawn.stable) > 1:
            return None
        begins = 2 * np.pi * float(self.drawn.oscillates_hz[0])
        result = limit_cycle(self.idle, self.about.sections, begins, self.about.held)
        return None if result is None else _tremolo_of(self.idle, self.about, result)

    @property
    def stable(self) -> Array:
        """True where nothing grows but an intended oscillator, (N,)."""
        return self.naturals.stable

    def headline(self) -> str:
        """Sentence that it oscillates, and where; '' for a stable amp."""
        lost = np.flatnonzero(~self.stable)
        if not len(lost):
            return ""
        hertz = float(self.naturals.oscillates_hz[lost[0]])
        how = f"oscillates near {show(hertz, 'Hz')}" if hertz > 0 else "oscillates: it squeals or blocks"
        many = f"{self.which or f'{len(lost)} of {len(self.stable)} variants'} oscillate; the first {how}."
        return f"The amp {how}." if len(self.stable) == 1 else many

    def describe(self, member: int = 0) -> str:
        """Stable or not, in one sentence."""
        if not self.oscillator:
            return self.naturals.describe(member)
        return f"{self.naturals.describe(member)} with {self.oscillator} not oscillating"

    @property
    def dangers(self) -> tuple[Note, ...]:
        """Danger that the amp oscillates; nothing where it does not."""
        if self.stable.all():
            return ()
        return tuple(note for note in self.notes() if note.danger)

    def notes(self) -> Iterator[Note]:
        """A danger where the amp oscillates; a plain note on a tremolo."""
        lost = np.flatnonzero(~self.stable)
        if len(lost):
            text = f"{self.headline()} Do not run it: tubes and speaker overheat. {self.cause}".rstrip()
            yield Note(
                OSCILLATES, "", f"{text} Gain and impedance are not shown while it oscillates.", danger=True
            )
        elif self.oscillator:
            hertz_of = self.drawn.oscillates_hz[~self.drawn.stable]
            hertz = float(hertz_of[0]) if self.tremolo is None else self.tremolo.hertz
            swung = "" if self.tremolo is None else self.tremolo.words
            text = (
                f"{self.oscillator} oscillates by itself at about {show(hertz, 'Hz')}: intended "
                f"(tremolo)? {swung}The readings are for the amp with {self.oscillator} not oscillating."
            )
            yield Note("tremolo", self.oscillator, text)


def stability(amp: Amp, point: OperatingPoint, way: Way | None) -> Stability:
    """Judge an amp at its idle `point`, strays in place; `way` leads from the jack to the loudspeaker."""
    drawn = _naturals(point)
    if drawn.stable.all():
        return Stability(drawn, drawn)
    one = _member(point, int(np.argmin(drawn.stable)))
    oscillator = _tremolo(one, way)
    if oscillator:
        after = _naturals(held_still(point, oscillator))
        if after.stable.all():
            return Stability(after, drawn, oscillator, idle=point, about=_oscillator(amp, oscillator))
    which = "" if amp.batch is None else amp.variants(~drawn.stable)
    return Stability(drawn, drawn, cause=_cause(amp, one, way), which=which)


def _oscillator(amp: Amp, name: str) -> Oscillator:
    """The sections of an oscillator: itself, and those whose grid is on its plate or cathode."""
    sections = {one.name: one for one in amp.topology.sections}
    ends = {sections[name].plate, sections[name].cathode} - {GROUND}
    joined = reached(ends, amp.topology.metal, stops=[GROUND])
    driven = [one.name for one in sections.values() if one.grid in joined]
    return Oscillator((name, *driven), tuple(amp.topology.delivered))


def _tremolo_of(point: OperatingPoint, about: Oscillator, cycle: LimitCycle) -> Tremolo:
    """What the swing does to the tubes that it moves most."""
    ports, groups = point.network.port_names, point.network.groups
    gains: dict[str, Array] = {}
    waves: dict[str, Array] = {}
    _, blocks = evaluate(groups, np.asarray(point.port_volts)[:1] + cycle.port_volts)
    for group, block in zip(groups, blocks, strict=True):
        for j, name in enumerate(group.names):
            if name not in about.sections and (name, "grid") in ports:
                gains[name] = block[:, j, 0, -1]
                waves[name] = cycle.port_volts[:, ports.index((name, "grid"))]
    swings = {name: float(np.ptp(wave)) for name, wave in waves.items()}
    most = max(swings.values(), default=0.0)
    moved = tuple(name for name, volts in swings.items() if volts > NEAR_MOST * most and most > LEAST_SWING_V)
    whole = sum((gains[name] for name in moved), np.zeros(len(cycle.port_volts)))
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = float(20 * np.log10(whole.max() / whole.min())) if moved else 0.0
    turned = [np.vdot(waves[moved[0]], waves[name]) < 0 for name in moved]
    return Tremolo(cycle.hertz, moved, tuple(swings[name] for name in moved), depth, any(turned))


def _naturals(point: OperatingPoint, more: Array | float = 0.0) -> NaturalModes:
    """Natural frequencies at an idle point, with `more` conductance between its nodes."""
    matrix = linearised(point.network, list(point.slopes)) + more
    return natural_modes(point.network, matrix, point.network.circuit.title)


def _member(point: OperatingPoint, member: int) -> OperatingPoint:
    """One member of a batch."""
    network = point.network

    def own(values: Array) -> Array:
        return values if len(values) == 1 else values[[member]]

    one = replace(network, conductance=own(network.conductance), reactive_values=own(network.reactive_values))
    return replace(point, network=one, slopes=tuple(own(each) for each in point.slopes))


def held_still(point: OperatingPoint, section: str) -> OperatingPoint:
    """The same idle point with a section that passes its idle currents and no signal."""
    slopes = []
    for group, own in zip(point.network.groups, point.slopes, strict=True):
        kept = np.array([name != section for name in group.names], float)
        slopes.append(own * kept[:, None, None])
    return replace(point, slopes=tuple(slopes))


def _tremolo(point: OperatingPoint, way: Way | None) -> str:
    """The section of a slow oscillator that needs neither the supply nor the output; '' where none is."""
    hertz = _naturals(point).oscillates_hz[0]
    if (
        way is None
        or not 0 < hertz < TREMOLO_HZ
        or _naturals(point, _clamps(point.network, way[1])).stable[0]
    ):
        return ""
    before = _gain(point, way)
    for device in point.network.circuit.of(Device):
        still = held_still(point, device.name)
        moved = 20 * np.log10(_gain(still, way) / before)
        if abs(moved) < UNMOVED_DB and _naturals(still).stable[0]:
            return device.name
    return ""


def _gain(point: OperatingPoint, way: Way) -> float:
    return max(abs(_transfer(point, way)), 1e-30)


def _transfer(point: OperatingPoint, way: Way, more: Array | float = 0.0) -> complex:
    """From input to output at 1 kHz, with `more` conductance between the nodes."""
    matrix = linearised(point.network, list(point.slopes)) + more
    return complex(respond(point.network, matrix, way[0], np.array([2j * np.pi * 1000.0]))[0, 0] @ way[1])


def _clamps(network: Network, out: Array | None = None) -> Array:
    """Conductances that short every large capacitor to ground, and the loudspeaker."""
    rows = [picker(network, part.a, part.b) for part in _large(network)]
    rows += [] if out is None else [out]
    return HELD_S * sum((np.outer(row, row) for row in rows), np.zeros(2 * (len(network.unknowns),)))


def _large(network: Network) -> list[Capacitor]:
    """Capacitors to ground that hold their node still for a signal."""
    large = [part for part in network.circuit.of(Capacitor) if np.min(part.farads) >= HELD_F]
    return [part for part in large if GROUND in (part.a, part.b)]


def _cause(amp: Amp, point: OperatingPoint, way: Way | None) -> str:
    """What closes the loop, found by opening each suspect way in turn, and what would stop it."""
    hertz = float(_naturals(point).oscillates_hz[0])
    for name in feedback_parts(amp):
        part = next(each for each in point.network.circuit.of(wired.Resistor) if each.name == name)
        row = picker(point.network, part.a, part.b)
        more = -np.outer(row, row) / np.ravel(part.ohms)[0]
        lifted = _naturals(point, more)
        left = float(lifted.oscillates_hz[0])
        slow = hertz > TREMOLO_HZ > left > 0
        if lifted.stable[0] or slow:
            then, also, mended = "the amp is stable", "", point
            if slow:
                words, mended = _supply(amp, point, more)
                then, also = (
                    f"the {show(hertz, 'Hz')} stops",
                    f" It also motorboats near {show(left, 'Hz')}. {words}",
                )
            path = f"The feedback path is {name}: with {name} lifted {then}."
            mend = REVERSED if way is None or _positive(point, more, way) else _tamed(amp, mended, part)
            return f"{path} {mend}{also}".rstrip()
    return _supply(amp, point, 0.0)[0]


def _positive(point: OperatingPoint, more: Array, way: Way) -> bool:
    """Whether the feedback that `more` takes away adds to the signal at 1 kHz.

    Source: open over closed gain is 1 + T, T the return ratio (any textbook on feedback).
    """
    return bool((_transfer(point, way, more) / _transfer(point, way)).real < 1.0)


def _tamed(amp: Amp, point: OperatingPoint, part: wired.Resistor) -> str:
    """What would stop a loop of negative feedback: a step network at its first plate, else less feedback.

    Of the usual step networks the smallest of the best damped ones below 2 MHz is named.
    """
    words = "Feedback is negative at 1 kHz: no leads are swapped, the loop lacks phase margin."
    into = [one for one in amp.topology.sections if {one.cathode, one.grid} & {part.a, part.b}]
    tried = []
    for one, ohms, farads in product(into, STEP_OHMS, STEP_F):
        step = wired.Resistor("step R", one.plate, "step", ohms), Capacitor("step C", "step", GROUND, farads)
        poles = _natural(point, (*point.network.circuit.parts, *step))
        if poles.stable[0]:
            fast = poles.poles[0][np.abs(poles.poles[0]) > 2 * np.pi * TREMOLO_HZ]
            damped = float(np.min(-fast.real / np.abs(fast), initial=1.0))
            tried.append((round(damped, 2), -farads, -ohms, one))
    if tried:
        _, farads, ohms, one = max(tried, key=lambda each: each[:3])
        values = f"{show(-ohms, 'ohm', 2)} and {show(-farads, 'F', 2)}"
        return (
            f"{words} Check the step network (resistor and capacitor in series) from {one.name} plate "
            f"({one.plate}) to ground: {values} stop it, with the strays assumed."
        )
    for times in LARGER:
        less = replace(part, ohms=times * np.asarray(part.ohms))
        if _natural(point, _with(point, part, less)).stable[0]:
            now = float(np.ravel(less.ohms)[0])
            return f"{words} {part.name} at {show(now, 'ohm', 2)} or more stops it."
    return words


def _supply(amp: Amp, point: OperatingPoint, more: Array | float) -> tuple[str, OperatingPoint]:
    """Which filter capacitor lets a slow oscillation through, what value stops it, the amp with it."""
    found: list[tuple[float, Capacitor, Capacitor]] = []
    for part in _large(point.network):
        if isinstance(amp.parts.get(part.name), parts.Capacitor):
            for times in LARGER:
                grown = replace(part, farads=times * np.asarray(part.farads))
                if _natural(point, _with(point, part, grown), more).stable[0]:
                    found.append((times, part, grown))
                    break
    if found:
        _, part, grown = min(found, key=lambda one: one[0])
        was, now = (show(float(np.ravel(one.farads)[0]), "F", 2) for one in (part, grown))
        node = part.b if part.a == GROUND else part.a
        words = f"The feedback path is the supply at {node} (motorboating): check {part.name}, {was}; {now}"
        mended = replace(point, network=assemble(point.network.circuit.made_of(_with(point, part, grown))))
        return f"{words} stops it.", mended
    if _naturals(point, more + _clamps(point.network)).stable[0]:
        return "The feedback path is the supply (motorboating): check the filter capacitors.", point
    return "", point


def _with(point: OperatingPoint, part: wired.Part, other: wired.Part) -> list[wired.Part]:
    return [other if each is part else each for each in point.network.circuit.parts]


def _natural(point: OperatingPoint, made: Sequence[wired.Part], more: Array | float = 0.0) -> NaturalModes:
    """Natural frequencies with other values, or more parts, that leave the idle point where it is."""
    return _naturals(replace(point, network=assemble(point.network.circuit.made_of(made))), more)


def feedback_parts(amp: Amp) -> Iterator[str]:
    """Designators of fitted resistors from an output transformer's secondary to somewhere else than ground.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> list(feedback_parts(load_amp("teasel")))
    []
    """
    wires = edges(p for p in amp.parts.values() if not isinstance(p, Resistor | OutputTransformer))
    speakers = {node for p in amp.parts.values() if isinstance(p, Loudspeaker) for node in p.nodes} - {GROUND}
    sides = [
        set(reached({tap for one in part.windings[1:] for tap in one.taps} - {GROUND}, wires, stops=[GROUND]))
        for part in amp.parts.values() if isinstance(part, OutputTransformer)
    ]  # fmt: skip
    sides = [side for side in sides if side & speakers] or sides  # an interstage transformer drives grids
    output = set().union(*sides) - {GROUND}
    for part in amp.parts.values():
        if isinstance(part, Resistor) and part.condition == "fitted":
            outside = [node for node in part.nodes if node not in output and node != GROUND]
            if len(outside) == 1 and set(part.nodes) & output:
                yield part.designator


def refuse_unstable(amp: Amp, stability: Stability) -> Array:
    """Which members are stable, (N,).

    Raises
    ------
    SolveError : none is: an amp that oscillates has no response, hum, noise or drive.
    """
    if not stability.stable.any():
        known = [note for note in amp.idle_dangers if note.code == OSCILLATES]
        notes = known or stability.notes()  # as the report has it: strays of hum shift the frequency
        raise SolveError(f"{amp.title}: {' '.join(note.text for note in notes)}", best=stability.naturals)
    return stability.stable
