"""What was tried on a cable, pair by pair: beep, silent, or ohms. No widgets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from types import MappingProxyType

from tubekit.amp import Amp
from tubekit.bench import continuity
from tubekit.bench.cable import CableReport, pin_place
from tubekit.bench.cable_errors import joined_nodes, miswired
from tubekit.bench.loop_states import LoopState
from tubekit.bench.reading_rows import text_of
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import OPEN_OHMS
from tubekit.errors import ReadingError, TubekitError
from tubekit.panels.markup import headline, item, listed, paragraph, section
from tubekit.text import Table, headed

BEEP, SILENT = "beep", "silent"
NEXT = {"": BEEP, BEEP: SILENT, SILENT: ""}
"""What a touch makes of a cell."""


@dataclass(frozen=True)
class Tried:
    """Pairs of pins with what the meter did: 'beep', 'silent', or ohms as written; others were not tried."""

    found: Mapping[continuity.Pair, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "found", MappingProxyType(dict(self.found)))

    def at(self, pair: continuity.Pair) -> str:
        """What stands there; '' where it was not tried."""
        return self.found.get(pair, "")

    def with_pair(self, pair: continuity.Pair, said: str) -> Tried:
        """The same with one pair written anew; '' takes it back."""
        kept = {each: words for each, words in self.found.items() if each != pair}
        return replace(self, found=kept | {pair: said} if said else kept)

    def touched(self, pair: continuity.Pair) -> Tried:
        """The same after a touch on that cell."""
        return self.with_pair(pair, NEXT.get(self.at(pair), ""))

    def readings(self) -> tuple[continuity.Continuity, ...]:
        """As continuity readings: ohms beep below `BEEPS_BELOW`."""
        found = []
        for line, (pair, said) in enumerate(self.found.items(), 1):
            one, two = sorted(pair, key=pin_place)
            ohms = None if said in (BEEP, SILENT) else continuity.ohms_said(said)
            found.append(continuity.Continuity(one, two, beeps(said), line, ohms))
        return tuple(found)

    def ohms(self) -> dict[continuity.Pair, float]:
        """The pairs that were read in ohms."""
        return {p: continuity.ohms_said(said) for p, said in self.found.items() if said not in (BEEP, SILENT)}


def beeps(said: str) -> bool:
    """Whether the meter would beep.

    Examples
    --------
    >>> beeps("beep"), beeps("0.4"), beeps("220k"), beeps("open")
    (True, True, False, False)
    """
    return said == BEEP if said in (BEEP, SILENT) else continuity.ohms_said(said) < continuity.BEEPS_BELOW


def of_slip(amp: Amp, slip: str, *at: continuity.Pin) -> Tried:
    """What a meter finds on a cable soldered with a slip, every pair tried.

    Raises
    ------
    ReadingError : a slip that cannot be done with these pins.
    """
    return of_readings(miswired(amp, slip, *at))


def of_readings(readings: Iterable[continuity.Continuity]) -> Tried:
    """The list of some readings."""
    return Tried({reading.pair: BEEP if reading.beeps else SILENT for reading in readings})


def rest_as_drawn(amp: Amp, tried: Tried) -> Tried:
    """The same with every pair that was not tried as the drawing has it."""
    return Tried({**of_slip(amp, "as drawn").found, **tried.found})


def grids(amp: Amp) -> dict[str, tuple[str, str]]:
    """Pairs of connectors to try against each other; those that wires or straps join come first.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> list(grids(load_amp("fescue")))[:2]
    ['P2 to P3', 'P4 by itself']
    """
    names = list(continuity.connectors(amp))
    joined = {tuple(sorted(p.partition(".")[0] for p in pair)) for pair in
              continuity.joined_pairs(continuity.cable_graph(amp), continuity.pins(amp))}  # fmt: skip
    every = [(a, b) for a, b in product(names, names) if names.index(a) <= names.index(b)]
    every.sort(key=lambda pair: tuple(sorted(pair)) not in joined)
    return {f"{a} by itself" if a == b else f"{a} to {b}": (a, b) for a, b in every}


def cells(amp: Amp, one: str, two: str) -> Iterator[tuple[continuity.Pin, continuity.Pin]]:
    """Every pair of pins of one grid, row by row; of a connector by itself each pair once."""
    known = continuity.pins(amp)
    first = [pin for pin in known if pin.startswith(f"{one}.")]
    second = [pin for pin in known if pin.startswith(f"{two}.")]
    for a, b in product(first, second):
        if one != two or pin_place(a) < pin_place(b):
            yield a, b


def as_csv(tried: Tried, amp: Amp) -> str:
    """The list as a CSV file that the cable command reads too; ohms stand in a column of their own."""
    file = io.StringIO()
    file.write(f"# Continuity of {amp.title}\n# amp: {amp.name}\n")
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(("from", "to", "beeps", "ohms"))
    for pair, said in sorted(tried.found.items(), key=lambda each: sorted(map(pin_place, each[0]))):
        one, two = sorted(pair, key=pin_place)
        ohms = "" if said in (BEEP, SILENT) else said
        writer.writerow((one, two, "yes" if beeps(said) else "no", ohms))
    return file.getvalue()


def read_csv(path: Path, amp: Amp) -> Tried:
    """A list out of a file.

    Raises
    ------
    ReadingError : the file cannot be read, or its pins are not this amp's.
    """
    text = "\n".join(line for line in text_of(path).splitlines() if not line.startswith("#"))
    rows = list(csv.DictReader(text.splitlines(), skipinitialspace=True))
    if not rows or not {"from", "to", "beeps"} <= set(rows[0]):
        raise ReadingError(
            "the columns from, to and beeps are missing",
            where=path.name,
            fix="Start the file with the line from,to,beeps",
        )
    written = {k: str(row.get("ohms") or "").strip() for k, row in enumerate(rows, 1)}
    readings = continuity.read_continuity(rows, amp, path.name)
    ohms = {r.pair: written[r.line] for r in readings if r.ohms is not None and r.ohms < OPEN_OHMS}
    return Tried({**of_readings(readings).found, **ohms})


def list_options(folder: Path | None = None) -> list[tuple[str, str]]:
    """(words, path) of every continuity list beside the notebook, after the empty one."""
    here = folder or Path.cwd()
    found = [("nothing tested yet", "")]
    for path in sorted([*here.glob("*.csv"), *here.glob("readings/*.csv")]):
        try:
            lines = [line for line in text_of(path).splitlines() if not line.startswith("#")]
        except TubekitError:
            continue
        if lines and lines[0].replace(" ", "").lower().startswith("from,to,beeps"):
            found.append((path.stem, str(path.resolve())))
    return found


OFF = (
    "Unplug the amp. Discharge the filter caps through a resistor and check with a meter. Unplug the "
    "cable at both ends: a meter beeps through whatever is still plugged in."
)
SAYS = {
    "open": "OPEN", "joined": "JOINED", "swapped": "SWAPPED", "strap missing": "STRAP MISSING",
    "strap extra": "EXTRA STRAP", "contradiction": "AGAIN",
}  # fmt: skip
WITHOUT = "B+ is on with no speaker on the output transformer"


def found_html(report: CableReport, left: int, volts: Mapping[str, float]) -> str:
    """Faults, then what they do in each state of plug and standby; `volts` are those of the drawn amp."""
    lines = [item(f.text, SAYS.get(f.kind, f.kind)) for f in report.faults]
    lines += [item(sentence, "ohms") for sentence in report.joints]
    does = [item(_meets(*nodes, volts), "so") for nodes in joined_nodes(report.amp, report.faults)]
    does += [item(sentence, "so") for sentence in report.consequences]
    does += [item(f"With {s.words}: {WITHOUT}.", "STOP") for s in risky(report)]
    parts = [headline(_headline(report, left)), listed(lines)]
    if does:
        parts += [paragraph("What this does", strong=True), listed(does)]
    elif report.faults:
        words = "This changes neither B+ nor the speaker, in any combination of plug and standby."
        parts.append(paragraph(words))
    if report.faults and not report.consequences and does:
        words = "B+ and speaker switch per the schematic in every combination of plug and standby."
        parts.append(paragraph(words))
    return section(*parts, live=True)


def _meets(one: str, two: str, volts: Mapping[str, float]) -> str:
    """Two nodes that meet through a slip, with what stands on them as drawn.

    Examples
    --------
    >>> _meets("B1", "B3_box", {"B1": 395.2, "B3_box": 299.0})
    'B1 (395 V per schematic) is connected to B3_box (299 V per schematic).'
    >>> _meets("ground", "B1", {"B1": 395.2})
    'B1 (395 V per schematic) is shorted to ground.'
    """
    if GROUND in (one, two):
        other = two if one == GROUND else one
        return f"{_with_volts(other, volts)} is shorted to ground."
    return f"{_with_volts(one, volts)} is connected to {_with_volts(two, volts)}."


def _with_volts(node: str, volts: Mapping[str, float]) -> str:
    return f"{node} ({volts[node]:.0f} V per schematic)" if abs(volts.get(node, 0.0)) >= 1.0 else node


def _headline(report: CableReport, left: int) -> str:
    title, count = report.amp.title, len(report.readings)
    if not count:
        return f"{title}: nothing tested yet. Click a cell for each pair of pins that beeps or stays silent."
    faults = len(report.faults)
    said = "all per the schematic" if not faults else f"{faults} {'fault' if faults == 1 else 'faults'}"
    rest = f"; {left} that should beep are not tested yet" if left else ""
    return f"{title}: {count} pairs tested, {said}{rest}."


def risky(report: CableReport) -> list[LoopState]:
    """States in which the output stage runs with nothing to drive, as found."""
    return [state for state in report.found_states if state.high_tension and not state.loudspeaker]


def states_table(report: CableReport) -> Table:
    """B+ and loudspeaker in each state, as drawn and as found, and whether they agree."""
    found = {state.key: state for state in report.found_states}
    rows = [
        (s.words, _on(s), _on(found[s.key]), "" if _on(s) == _on(found[s.key]) else "NOT PER SCHEMATIC")
        for s in report.drawn_states
    ]
    columns = headed("plug and standby", "per schematic", "as found", "")
    return Table("Interlock and standby", columns, rows)


def states_html(report: CableReport) -> str:
    """The same as lines, for a narrow column."""
    lines = []
    for words, drawn, found, differs in states_table(report).cells():
        said = f"per schematic {drawn}; as wired {found}" if differs else drawn
        lines.append(item(f"{said}. {differs}.".replace(" .", ""), f"{words}:"))
    return section(paragraph("Interlock and standby", strong=True), listed(lines))


def _on(state: LoopState) -> str:
    b_plus = "B+ on" if state.high_tension else "B+ off"
    return f"{b_plus}, speaker {'on' if state.loudspeaker else 'off'}"


def nothing_html(title: str) -> str:
    """An amp without a cable."""
    said = (
        f"{title} has no multi-pin connector, so there is no cable to check. Choose another amp, or add "
        "its connector to the amp file."
    )
    return section(headline(said))
