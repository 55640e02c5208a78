"""Cable trials: every two pins of a cable swapped, and one wire kept or cut, each solved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from tubekit.amp import Amp, AmpReport, analyze, parts as drawn
from tubekit.amp.parts.switches import UNUSED
from tubekit.bench.cable import differences
from tubekit.bench.cable_errors import cut, damage, swapped_pins
from tubekit.bench.continuity import Pin, cable_graph, connectors, joined_pairs, pins
from tubekit.bench.loop_states import drawn_on, loop_states
from tubekit.decisions.effects import WiringEffect, wiring_effects
from tubekit.errors import ReadingError, SolveError
from tubekit.text import Printed, Table, headed

NOTHING = "no difference you could measure or hear"
MOST = 3
"""Moved figures named for each trial."""


@dataclass(frozen=True)
class CablePinSwap:
    """Two pins swapped: what burns, what the loop then does, what is heard."""

    one: Pin
    two: Pin
    harms: tuple[str, ...]
    loop: tuple[str, ...] = ()
    moved: tuple[WiringEffect, ...] = ()

    @property
    def effects(self) -> tuple[str, ...]:
        """Everything in words, the danger first."""
        return (*self.harms, *self.loop, *(one.sentence() for one in self.moved)) or (NOTHING,)


@dataclass(frozen=True, eq=False, repr=False)
class CablePinSwaps(Printed):
    """Every two pins of every cable swapped, those that burn something first."""

    amp: Amp
    swaps: tuple[CablePinSwap, ...]

    json_keys = ("amp=amp.title", "swaps")

    def headline(self) -> str:
        """Number of swaps, and of those that do damage."""
        bad = sum(bool(one.harms) for one in self.swaps)
        does = f"{bad} of them can damage a part or leave a heater cold"
        return f"{self.amp.title}: {len(self.swaps)} swaps of two pins; {does}."

    def tables(self) -> list[Table]:
        """One row per swap."""
        columns = headed("pin", "swapped with", "what it does with the amp on")
        rows = [(one.one, one.two, "; ".join(one.effects)) for one in self.swaps]
        return [Table("Two pins swapped", columns, rows)]


def pin_swaps(amp: Amp) -> CablePinSwaps:
    """Each two pins of each cable swapped at one end, solved as the amp is then wired.

    What burns is looked for with everything plugged in and on; where nothing does, the standby loop in every
    state, and hum and level at the loudspeaker.

    Raises
    ------
    ReadingError : there is no cable between two connectors. SolveError : the drawn amp has no idle state.
    """
    ends = list(_cable_ends(amp))
    if not ends:
        raise ReadingError(
            "no cable joins two connectors of this amp", where=amp.name,
            fix="Add its wires to the amp file as [W1], each with one end on each plug",
        )  # fmt: skip
    on = drawn_on(amp)
    result = [_swap(amp, on, one, two) for pins_of in ends for one, two in combinations(pins_of, 2)]
    result.sort(key=lambda one: (not one.harms, not one.loop, not one.moved))
    return CablePinSwaps(amp, tuple(result))


def _cable_ends(amp: Amp) -> Iterator[list[Pin]]:
    """The wired pins at one end of each cable."""
    joined = joined_pairs(cable_graph(amp), pins(amp))
    seen: set[str] = set()
    for name, part in connectors(amp).items():
        mine = [f"{name}.{k}" for k, node in enumerate(part.plug, 1) if node != UNUSED]
        others = {pin.split(".")[0] for pair in joined for pin in pair if set(mine) & pair} - {name}
        if others and not others & seen:
            seen.add(name)
            yield mine


def _swap(amp: Amp, on: AmpReport, one: Pin, two: Pin) -> CablePinSwap:
    other = swapped_pins(amp, one, two)
    try:
        report = analyze(other, near=on)
    except SolveError as error:
        return CablePinSwap(one, two, (f"this wiring could not be calculated ({error})",))
    burnt = damage(on, report)
    if burnt:
        return CablePinSwap(one, two, burnt)
    pairs = zip(loop_states(amp), loop_states(other, amp), strict=True)
    loop = tuple(dict.fromkeys(text for pair in pairs for text in differences(*pair)))
    return CablePinSwap(one, two, (), loop, () if loop else wiring_effects(on, report, MOST))


@dataclass(frozen=True, eq=False, repr=False)
class WireChoice(Printed):
    """One wire kept and cut: what moves, hum included, and what burns without it."""

    amp: Amp
    wire: str
    moved: tuple[WiringEffect, ...]
    harms: tuple[str, ...]
    loop: tuple[str, ...]

    json_keys = ("amp=amp.title", "wire", "moved", "harms", "loop")

    def headline(self) -> str:
        """Whether cutting it changes anything."""
        lines = [*self.harms, *self.loop, *(one.sentence() for one in self.moved)]
        first = (lines[0] if lines else NOTHING).rstrip(".")
        return f"{self.amp.title}, {self.wire} cut. {first[:1].upper()}{first[1:]}."

    def tables(self) -> list[Table]:
        """Readings that change, then what burns and what the loop does."""
        rows = [(one.what, *one.texts()) for one in self.moved]
        moves = Table("", headed("reading", "wire in place", "wire cut"), rows)
        lines = [(text,) for text in (*self.harms, *self.loop)]
        does = [Table("What the cut does", headed("finding"), lines)] if lines else []
        return [*does, Table(f"{self.wire} in place or cut", moves.columns, rows)]


def keep_or_cut(amp: Amp, wire: str) -> WireChoice:
    """One wire of an amp kept or cut, each solved, hum and level at the loudspeaker included.

    Raises
    ------
    ReadingError : there is no such wire. SolveError : no idle state with or without it.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> keep_or_cut(load_amp("fescue"), "W8").loop[0]
    'With P4 in, S2 closed: no B+ at the output stage (the amp stays in standby).'
    """
    other = cut(amp, wire)
    on = drawn_on(amp)
    report = analyze(other, near=on)
    loop: tuple[str, ...] = ()
    if any(isinstance(part, drawn.Connector | drawn.Switch) for part in amp.parts.values()):
        pairs = zip(loop_states(amp), loop_states(other, amp), strict=True)
        loop = tuple(dict.fromkeys(text for pair in pairs for text in differences(*pair)))
    return WireChoice(amp, wire, wiring_effects(on, report, 2 * MOST), damage(on, report), loop)
