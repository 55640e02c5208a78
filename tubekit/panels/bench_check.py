"""A list of readings checked row by row: what is wrong stands beside its row, the others are used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from tubekit.amp import Amp
from tubekit.bench.places import part_measured, probe_of, quantity_of
from tubekit.bench.readings import NO_TONE, TONE, TWICE, load_readings
from tubekit.decisions.probe import Probe
from tubekit.decisions.reading import Readings, taken
from tubekit.errors import InputError
from tubekit.panels.bench_places import settled
from tubekit.panels.bench_sheet import Sheet, records
from tubekit.units import parse

Owner = int | str
"""A row's place in the list, 'mains' or 'tone'."""


@dataclass(frozen=True, eq=False)
class Checked:
    """A list as far as it can be used: `readings` of the good rows, words for the others.

    `probes` are the places of all rows that have one, read or not; `owners` the row of each reading.
    """

    sheet: Sheet
    readings: Readings
    complaints: Mapping[Owner, str] = field(default_factory=dict)
    notes: Mapping[int, str] = field(default_factory=dict)
    probes: Mapping[int, Probe] = field(default_factory=dict)
    owners: tuple[int, ...] = ()

    @property
    def fine(self) -> bool:
        """Whether every row with a value could be used."""
        return not self.complaints


def check(sheet: Sheet, amp: Amp) -> Checked:
    """The list held against the amp; places in the words of the list of places become nodes.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.panels.bench_sheet import Row
    >>> sheet = Sheet((Row("k34", value="18.4"), Row("k35", value="18.4"), Row("p1a", value="14O")))
    >>> found = check(sheet, load_amp("teasel"))
    >>> len(found.readings.readings), sorted(found.complaints)
    (1, [1, 2])
    """
    rows = tuple(replace(row, place=settled(amp, row.place, row.quantity)) for row in sheet.rows)
    sheet = replace(sheet, rows=rows)
    given = list(records(sheet))
    complaints: dict[Owner, str] = {}
    readings: Readings | None = None
    while readings is None and given:
        try:
            readings = load_readings([cells for _, cells in given], amp)
        except InputError as error:
            owner = _owner(error, given)
            complaints.setdefault(owner, _said(error, given))
            given = [each for each in given if each[0] != owner]
    if readings is None:
        readings = taken(amp, ())
    probes, unread = _places(sheet, amp, complaints)
    owners = [owner for owner, _ in given]
    notes = _notes(readings, owners)
    return Checked(
        sheet, readings, {**unread, **complaints}, notes, probes,
        tuple(int(owners[reading.line - 1]) for reading in readings.readings),
    )  # fmt: skip


def _owner(error: InputError, given: Sequence[tuple[Owner, Mapping[str, str]]]) -> Owner:
    """Which row it is about: that of the line it names, of a pair the later one."""
    if error.lines:
        return given[error.lines[-1] - 1][0]
    owners = {owner for owner, _ in given}
    return "tone" if error.code == TONE and "tone" in owners else given[-1][0]


def _said(error: InputError, given: Sequence[tuple[Owner, Mapping[str, str]]]) -> str:
    """The complaint without file and line: it stands beside its row."""
    problem, fix = error.problem, error.fix
    if error.code == TWICE:
        first = given[error.lines[0] - 1][1]
        problem, fix = f"{error.word} is already in the list ({first['value']})", "Keep the reading you trust"
    elif error.code == NO_TONE:
        problem, fix = "a signal needs a test tone", "Choose its input jack under Test tone"
    near = f"Did you mean {', '.join(error.near)}?" if error.near else ""
    problem = problem[:1].upper() + problem[1:]
    return " ".join(f"{part.rstrip('.')}." for part in (problem, fix, near) if part).replace("?.", "?")


def _places(
    sheet: Sheet, amp: Amp, complaints: Mapping[Owner, str]
) -> tuple[dict[int, Probe], dict[Owner, str]]:
    """Where each row is read, rows without a value among them; complaints about those."""
    found: dict[int, Probe] = {}
    wrong: dict[Owner, str] = {}
    for k, row in enumerate(sheet.rows):
        if row.is_blank or (not row.place and not row.value):
            continue
        try:
            probe = _probe(amp, row.place, row.quantity)
        except InputError as error:
            if k not in complaints:
                wrong[k] = _said(error, ())
            continue
        if probe is None:
            continue
        if not row.value.strip() and probe in found.values():
            wrong[k] = f"{probe} is already in the list."
        elif k not in complaints:
            found[k] = probe
    return found, wrong


def _probe(amp: Amp, place: str, quantity: str) -> Probe | None:
    """None for a part measured by itself, which has no band."""
    words, _, hertz = quantity.partition(" at ")
    code = quantity_of(words, "", "")
    if part_measured(amp, place, code):
        return None
    probe = probe_of(amp, place, code, "", "")
    frequency: Any = hertz.lower().removesuffix("hz").strip()
    if frequency:
        probe = replace(probe, frequency_hz=parse(f"{frequency} Hz", "Hz"))
    return probe


def _notes(readings: Readings, owners: Sequence[Owner]) -> dict[int, str]:
    """Questions about values, by row: 'mV?'."""
    found: dict[int, str] = {}
    for note in readings.notes:
        if note.line and isinstance(owner := owners[note.line - 1], int):
            found[owner] = note.text
    return found
