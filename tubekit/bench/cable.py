"""Cables between chassis: a table to tick off, what the meter found, what it does to the standby loop."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.cable_errors import found_amp
from tubekit.bench.continuity import (
    CableFault,
    Continuity,
    cable_faults,
    cable_graph,
    connectors,
    joined_pairs,
    pins,
    poor_joints,
    read_continuity,
    way,
)
from tubekit.bench.loop_search import LoopSearch, loop_search
from tubekit.bench.loop_states import LoopState, loop_states, unplugged
from tubekit.bench.reading_rows import text_of
from tubekit.decisions.rating import counted
from tubekit.errors import ReadingError
from tubekit.text import Printed, Table, headed

LEAST_V = 1.0
"""Bare pins with less than this are not listed [V]."""


@dataclass(frozen=True, eq=False, repr=False)
class CableReport(Printed):
    """Cable and loop as drawn and as found, each state solved. Without readings it is the drawing alone.

    `joints` are pairs whose ohms are neither those of a good wire nor open; `search` says where to probe next
    while the standby loop is open and nobody knows where.
    """

    amp: Amp
    readings: tuple[Continuity, ...]
    faults: tuple[CableFault, ...]
    joints: tuple[str, ...] = ()

    json_keys = (
        "amp=amp.title", "faults", "poor_joints=joints", "consequences", "bare_pins=on_bare_pins",
        "states_drawn=drawn_states", "states_found=found_states",
    )  # fmt: skip

    @cached_property
    def drawn_states(self) -> tuple[LoopState, ...]:
        """Every state of plugs and standby, as drawn."""
        return loop_states(self.amp)

    @cached_property
    def found_states(self) -> tuple[LoopState, ...]:
        """The same states with the cable as it was found."""
        if not self.faults:
            return self.drawn_states
        return loop_states(found_amp(self.amp, self.readings), self.amp)

    @cached_property
    def search(self) -> LoopSearch | None:
        """The standby loop joint by joint, and the next probe."""
        return loop_search(self.amp, self.readings)

    @property
    def consequences(self) -> tuple[str, ...]:
        """Describe what the wiring as found does, state by state, where it differs from the schematic."""
        result, lines, known = {state.key: state for state in self.found_states}, [], set[str]()
        for state in self.drawn_states:
            now = result[state.key]
            lines += differences(state, replace(now, harms=tuple(h for h in now.harms if h not in known)))
            known |= set(now.harms)
        return tuple(dict.fromkeys(lines))

    def headline(self) -> str:
        """Number of faults."""
        if not self.readings:
            return f"{self.amp.title}: the cable per schematic, {len(pins(self.amp))} pins to check."
        counts = ((len(self.faults), "fault"), (len(self.joints), "poor joint"))
        text = ", ".join(counted(count, what) for count, what in counts if count) or "per schematic"
        return f"{self.amp.title}, {len(self.readings)} continuity readings: {text}."

    def answer(self) -> str:
        """Number of faults, not to switch on with them, what they do, and the rule for every plug."""
        first = ["Do not switch on until this is fixed."] if self.faults else []
        return " ".join([self.headline(), *first, *self.consequences, "Never pull a plug with the amp on."])

    def tables(self) -> list[Table]:
        """Faults, loop states, bare pins, and the table to tick off."""
        tables = []
        if self.faults or self.joints:
            rows = [*((f.kind, f.text) for f in self.faults), *(("poor joint", text) for text in self.joints)]
            note = " ".join(self.consequences)
            tables.append(Table("Found", headed("kind", "what"), rows, note=note))
        search = [] if self.search is None else self.search.tables()
        return [*tables, *search, self._states(), self.bare_pins(), self.tick_off()]

    def on_bare_pins(self) -> list[Any]:
        """Voltages on each pin of a connector that is out while the amp is on."""
        return [pin for state in unplugged(self.amp) for pin in state.bare]

    def bare_pins(self) -> Table:
        """Volts on each pin of a connector that is out while the amp is on, as drawn."""
        columns = headed("plug out", "pin", "side", "DC to ground [V]", "peak [V]")
        rows = [
            (state.words, pin.pin, pin.side, round(pin.dc_v, 3), pin.peak_v)
            for state in unplugged(self.amp) for pin in state.bare if pin.peak_v >= LEAST_V
        ]  # fmt: skip
        note = "Never pull a plug with the amp on. Pins below 1 V are not listed."
        return Table("Voltages on exposed pins: do not touch", columns, rows, note=note)

    def _states(self) -> Table:
        result = {state.key: state for state in self.found_states}
        columns = headed(
            "state", "B+ per schematic", "B+ as wired", "speaker per schematic", "speaker as wired"
        )
        rows = [
            (s.words, _on(s.high_tension), _on(result[s.key].high_tension), _there(s.loudspeaker),
             _there(result[s.key].loudspeaker))
            for s in self.drawn_states
        ]  # fmt: skip
        risky = [s.words for s in self.found_states if s.high_tension and not s.loudspeaker]
        note = f"B+ is on with no speaker on the output transformer: {'; '.join(risky)}. " if risky else ""
        return Table("Interlock and standby", columns, rows, note=note)

    def tick_off(self) -> Table:
        """Pin by pin, with a box for the pencil where nothing was read."""
        graph = cable_graph(self.amp)
        joined = joined_pairs(graph, pins(self.amp))
        read = {reading.pair: reading.beeps for reading in self.readings}
        rows = []
        for pair in sorted(joined, key=lambda p: [pin_place(pin) for pin in sorted(p, key=pin_place)]):
            one, two = sorted(pair, key=pin_place)
            by = way(graph, one, two)
            wire = self.amp.parts.get(by)
            color = wire.color if isinstance(wire, drawn.Wire) else ""
            rows.append((one, two, by, color, wire.role if wire else "", _tick(read.get(pair))))
        columns = headed("from", "to", "wire", "color", "carries", "beeps")
        note = (
            "First pull the plugs of the cable, unplug the amp from the line and discharge the filter caps. "
            "Every pair not listed must stay silent."
        )
        return Table("Continuity checklist", columns, rows, note=note)


def pin_place(pin: str) -> tuple[str, int]:
    """Connector and number, to sort by."""
    name, number = pin.split(".")
    return name, int(number)


def _on(high_tension: bool) -> str:
    return "on" if high_tension else "off"


def _there(loudspeaker: bool) -> str:
    return "connected" if loudspeaker else "not connected"


def _tick(beeps: bool | None) -> str:
    return "☐" if beeps is None else "yes" if beeps else "no"


def differences(drawn_state: LoopState, state: LoopState) -> list[str]:
    """Describe what one state does as found and not as drawn, what burns first; [] where nothing."""
    known = (
        (bool(state.unsolved), f"this state could not be calculated ({state.unsolved})"),
        (state.high_tension and not drawn_state.high_tension,
         "the output stage still gets B+; by the schematic it should not"),
        (drawn_state.high_tension and not state.high_tension,
         "no B+ at the output stage (the amp stays in standby)"),
        (drawn_state.loudspeaker and not state.loudspeaker, "the speaker is not connected"),
        (state.loudspeaker and not drawn_state.loudspeaker,
         "a speaker is connected where the schematic shows none"),
    )  # fmt: skip
    lines = [harm for harm in state.harms if harm not in drawn_state.harms]
    lines += [words for so, words in known if so]
    return [f"With {drawn_state.words}: {'; '.join(lines)}."] if lines else []


def check_cable(amp: Amp, readings: Any = ()) -> CableReport:
    """The cables of an amp, against continuity readings where there are any.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    readings
        Path of a CSV with from, to and beeps; or rows of (pin, pin, yes or no); or `Continuity` records. Pins
        are written P2.4. Partial lists are normal: what was not read is taken as drawn.

    Returns
    -------
    CableReport
        Faults found, pins not read yet, and what each fault does.

    Raises
    ------
    ReadingError
        The amp has no multi-pin connector, or the list cannot be read.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> report = check_cable(load_amp("fescue"), [("P4.3", "P4.4", "no")])
    >>> report.faults[0].text
    'the strap P4.3 to P4.4 is missing'
    >>> report.consequences[0]
    'With P4 in, S2 closed: no B+ at the output stage (the amp stays in standby).'
    """
    if not connectors(amp):
        raise ReadingError(
            "this amp has no multi-pin cable", where=amp.name,
            fix="If yours has one, add it to the amp file as [P2] with kind = 'connector', plug and socket",
        )  # fmt: skip
    listed = _listed(readings, amp)
    joints = poor_joints(amp, {one.pair: one.ohms for one in listed if one.ohms is not None})
    return CableReport(amp, listed, cable_faults(amp, listed), tuple(joints))


def _listed(readings: Any, amp: Amp) -> tuple[Continuity, ...]:
    if isinstance(readings, str | Path):
        path = Path(readings)
        lines = [line for line in text_of(path).splitlines() if not line.lstrip().startswith("#")]
        rows = list(csv.DictReader(lines, skipinitialspace=True))
        _columns(rows, path.name)
        return read_continuity(rows, amp, path.name)
    given = list(readings)
    ready = tuple(row for row in given if isinstance(row, Continuity))
    return ready if ready and len(ready) == len(given) else read_continuity(given, amp)


def _columns(rows: Sequence[dict[str, Any]], where: str) -> None:
    if not rows or not {"from", "to", "beeps"} <= set(rows[0]):
        raise ReadingError(
            "the columns from, to and beeps are missing",
            where=where,
            fix="Make from,to,beeps the first line of the list",
        )
