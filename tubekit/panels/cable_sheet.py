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
from tubekit.bench.cable_errors import miswired
from tubekit.bench.continuity import (
    BEEPS_BELOW,
    Continuity,
    Pair,
    Pin,
    cable_graph,
    connectors,
    joined_pairs,
    ohms_said,
    pins,
    read_continuity,
)
from tubekit.bench.reading_rows import text_of
from tubekit.decisions.probe import OPEN_OHMS
from tubekit.errors import ReadingError, TubekitError

BEEP, SILENT = "beep", "silent"
NEXT = {"": BEEP, BEEP: SILENT, SILENT: ""}
"""What a touch makes of a cell."""


@dataclass(frozen=True)
class Tried:
    """Pairs of pins with what the meter did: 'beep', 'silent', or ohms as written; others were not tried."""

    found: Mapping[Pair, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "found", MappingProxyType(dict(self.found)))

    def at(self, pair: Pair) -> str:
        """What stands there; '' where it was not tried."""
        return self.found.get(pair, "")

    def with_pair(self, pair: Pair, said: str) -> Tried:
        """The same with one pair written anew; '' takes it back."""
        kept = {each: words for each, words in self.found.items() if each != pair}
        return replace(self, found=kept | {pair: said} if said else kept)

    def touched(self, pair: Pair) -> Tried:
        """The same after a touch on that cell."""
        return self.with_pair(pair, NEXT.get(self.at(pair), ""))

    def readings(self) -> tuple[Continuity, ...]:
        """As continuity readings: ohms beep below `BEEPS_BELOW`."""
        found = []
        for line, (pair, said) in enumerate(self.found.items(), 1):
            one, two = sorted(pair, key=place)
            ohms = None if said in (BEEP, SILENT) else ohms_said(said)
            found.append(Continuity(one, two, beeps(said), line, ohms))
        return tuple(found)

    def ohms(self) -> dict[Pair, float]:
        """The pairs that were read in ohms."""
        return {p: ohms_said(said) for p, said in self.found.items() if said not in (BEEP, SILENT)}


def place(pin: Pin) -> tuple[str, int]:
    """Connector and number, to sort by."""
    name, number = pin.split(".")
    return name, int(number)


def beeps(said: str) -> bool:
    """Whether the meter would beep.

    Examples
    --------
    >>> beeps("beep"), beeps("0.4"), beeps("220k"), beeps("open")
    (True, True, False, False)
    """
    return said == BEEP if said in (BEEP, SILENT) else ohms_said(said) < BEEPS_BELOW


def of_slip(amp: Amp, slip: str, *at: Pin) -> Tried:
    """What a meter finds on a cable soldered with a slip, every pair tried.

    Raises
    ------
    ReadingError : a slip that cannot be done with these pins.
    """
    return of_readings(miswired(amp, slip, *at))


def of_readings(readings: Iterable[Continuity]) -> Tried:
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
    names = list(connectors(amp))
    joined = {tuple(sorted(p.partition(".")[0] for p in pair)) for pair in
              joined_pairs(cable_graph(amp), pins(amp))}  # fmt: skip
    every = [(a, b) for a, b in product(names, names) if names.index(a) <= names.index(b)]
    every.sort(key=lambda pair: tuple(sorted(pair)) not in joined)
    return {f"{a} by itself" if a == b else f"{a} to {b}": (a, b) for a, b in every}


def cells(amp: Amp, one: str, two: str) -> Iterator[tuple[Pin, Pin]]:
    """Every pair of pins of one grid, row by row; of a connector by itself each pair once."""
    known = pins(amp)
    first = [pin for pin in known if pin.startswith(f"{one}.")]
    second = [pin for pin in known if pin.startswith(f"{two}.")]
    for a, b in product(first, second):
        if one != two or place(a) < place(b):
            yield a, b


def as_csv(tried: Tried, amp: Amp) -> str:
    """The list as a CSV file that the cable command reads too; ohms stand in a column of their own."""
    file = io.StringIO()
    file.write(f"# Continuity of {amp.title}\n# amp: {amp.name}\n")
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(("from", "to", "beeps", "ohms"))
    for pair, said in sorted(tried.found.items(), key=lambda each: sorted(map(place, each[0]))):
        one, two = sorted(pair, key=place)
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
    readings = read_continuity(rows, amp, path.name)
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
