"""The list of readings as it is written down: rows, meter, mains, tone; files beside the notebook."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.next_reading import tube_readings
from tubekit.bench.places import electrode, electrodes, part_measured, plainly, probe_of, quantity_of
from tubekit.bench.reading_rows import HEADER, from_csv, rows_of_source, text_of
from tubekit.bench.readings import NO_TONE, TONE, TWICE, load_readings
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.decisions.reading import Readings, taken
from tubekit.errors import InputError, ReadingError, TubekitError
from tubekit.units import parse

EMPTY, USUAL = "empty", "usual"
WORDS = {EMPTY: "an empty table", USUAL: "the usual test points, to fill in"}
ACCURACY, OHMS = "1 %", "10M"
FOLDER, USUAL_COUNT = "readings", 16
AMP_NAMED = re.compile(r"^#\s*amp:\s*(\S+)", re.MULTILINE)


@dataclass(frozen=True)
class Row:
    """One reading as it is written; an empty accuracy or input resistance is that of the list's meter."""

    place: str = ""
    quantity: str = QUANTITIES["dc_v"].words
    value: str = ""
    accuracy: str = ""
    input_resistance: str = ""
    note: str = ""

    @property
    def is_blank(self) -> bool:
        """Whether nothing was written in it yet."""
        return not (self.place or self.value)


@dataclass(frozen=True)
class Sheet:
    """A whole list. Texts stay as they were typed; `check` reads them."""

    rows: tuple[Row, ...] = ()
    mains: str = ""
    mains_accuracy: str = ""
    accuracy: str = ACCURACY
    input_resistance: str = OHMS
    jack: str = ""
    level: str = ""
    frequency: str = ""
    age: str = "vintage"

    def with_field(self, field: str, value: str) -> Sheet:
        """The list with its mains, meter, tone or age written anew."""
        fields: dict[str, Any] = {field: value}
        return replace(self, **fields)

    def with_row(self, at: int, /, **values: str) -> Sheet:
        """The list with some fields of one row written anew."""
        rows = list(self.rows)
        rows[at] = replace(rows[at], **values)
        return replace(self, rows=tuple(rows))

    def without_row(self, place: int) -> Sheet:
        """The list with one row taken out."""
        return replace(self, rows=self.rows[:place] + self.rows[place + 1 :])

    def added(self, row: Row) -> Sheet:
        """The list with one row more, at the end."""
        return replace(self, rows=(*self.rows, row))


def usual(amp: Amp) -> Sheet:
    """The places that are read first, with nothing read yet.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> [row.place for row in usual(load_amp("teasel")).rows][:3]
    ['B1', 'B2', 'B3']
    """
    return Sheet(tuple(Row(_place(probe.place)) for probe in tube_readings(amp, USUAL_COUNT)))


def _place(ends: tuple[str, str]) -> str:
    return ends[0] if ends[1] == GROUND else f"{ends[0]} to {ends[1]}"


def read_sheet(path: str | Path) -> Sheet:
    """A list out of a file; texts stay as written.

    Raises
    ------
    ReadingError : the file cannot be read without guessing.
    """
    return _sheet(rows_of_source(Path(path)))


def sheet_of_bytes(content: bytes, name: str) -> Sheet:
    """A list out of a CSV file that came from elsewhere.

    Raises
    ------
    ReadingError : it is not UTF-8, or cannot be read without guessing.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        fix = "Save it again as CSV, UTF-8"
        raise ReadingError("the file is not UTF-8 text", where=name, fix=fix) from error
    return _sheet(from_csv(text, name))


def _sheet(found: Any) -> Sheet:
    heading, meter, tone = (
        {key: str(value) for key, value in table.items()}
        for table in (found.heading, found.meter, found.tone)
    )
    sheet = Sheet(
        mains=heading.get("mains", ""), mains_accuracy=heading.get("mains_accuracy", ""),
        accuracy=meter.get("accuracy", ACCURACY), input_resistance=meter.get("input_resistance", OHMS),
        jack=tone.get("input", ""), level=tone.get("level", ""), frequency=tone.get("frequency", ""),
    )  # fmt: skip
    rows = []
    for _, cells in found.rows:
        row = Row(**{key: str(value).strip() for key, value in cells.items()})
        words = row.quantity.lower()
        if row.place.lower() in ("line", "mains"):
            sheet = replace(sheet, mains=row.value, mains_accuracy=row.accuracy)
        elif words in ("tone level", "tone frequency"):
            sheet = replace(sheet, jack=row.place).with_field(words.removeprefix("tone "), row.value)
        else:
            rows.append(row)
    return replace(sheet, rows=tuple(rows))


def records(sheet: Sheet) -> Iterator[tuple[int | str, dict[str, str]]]:
    """Rows as `load_readings` takes them, each with its owner: the row's place, 'mains' or 'tone'.

    Rows without a value are still to be read and are left out.
    """
    if sheet.mains.strip():
        yield "mains", {"place": "mains", "quantity": "AC volts", "value": sheet.mains,
                        "accuracy": sheet.mains_accuracy}  # fmt: skip
    if sheet.jack:
        for words in ("level", "frequency"):
            if text := getattr(sheet, words).strip():
                yield "tone", {"place": sheet.jack, "quantity": f"tone {words}", "value": text}
    for k, row in enumerate(sheet.rows):
        if row.value.strip():
            yield k, {
                "place": row.place, "quantity": row.quantity, "value": row.value,
                "accuracy": row.accuracy or sheet.accuracy,
                "input_resistance": row.input_resistance or sheet.input_resistance, "note": row.note,
            }  # fmt: skip


def as_csv(sheet: Sheet, amp: Amp) -> str:
    """The list as a CSV file that any of tubekit's commands reads; places still to be read are comments.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> print(as_csv(Sheet((Row("k34", value="18.4 V"), Row("p3")), mains="121 V"), load_amp("teasel")))
    # Readings of Ottermere Teasel
    # amp: teasel
    # still to measure: p3, DC volts
    place,quantity,value,accuracy,input_resistance,note
    mains,AC volts,121 V,,,
    k34,DC volts,18.4 V,1 %,10M,
    <BLANKLINE>
    """
    file = io.StringIO()
    writer = csv.DictWriter(file, HEADER.split(","), lineterminator="\n", restval="")
    file.write(f"# Readings of {amp.title}\n# amp: {amp.name}\n")
    for row in sheet.rows:
        if row.place and not row.value.strip():
            file.write(f"# still to measure: {row.place}, {row.quantity}\n")
    writer.writeheader()
    writer.writerows(cells for _, cells in records(sheet))
    return file.getvalue()


def list_options(folder: Path | None = None) -> list[tuple[str, str]]:
    """(words, path) of every list of readings beside the notebook, after those that start afresh."""
    here = folder or Path.cwd()
    found = [(words, key) for key, words in WORDS.items()]
    for path in sorted([*here.glob("*.csv"), *here.glob(f"{FOLDER}/*.csv"), *here.glob(f"{FOLDER}/*.toml")]):
        if _is_list(path):
            named = amp_named(path)
            found.append((f"{path.stem}" + (f"  (of {named})" if named else ""), str(path.resolve())))
    return found


def _is_list(path: Path) -> bool:
    try:
        text = text_of(path)
    except TubekitError:
        return False
    if path.suffix == ".toml":
        return "[[reading]]" in text
    lines = (line for line in text.splitlines() if line.strip() and not line.startswith("#"))
    return next(lines, "").lower().replace(" ", "").startswith("place,quantity,value")


def amp_named(path: str | Path) -> str:
    """The amp a list says it was taken on ('# amp: teasel'); '' where it does not say."""
    try:
        text = text_of(Path(path))
    except TubekitError:
        return ""
    found = AMP_NAMED.search(text)
    return found[1] if found else ""


APART = " · "
CURRENT = QUANTITIES["dc_a"].words


def place_options(amp: Amp) -> list[str]:
    """What the list of places offers: rails and nodes, electrodes, test points, parts."""
    return list(dict.fromkeys(_offered(amp)))


def _offered(amp: Amp) -> Iterator[str]:
    touched = electrodes(amp)
    for words, node in touched.items():
        yield f"{words}{APART}{node}"
    for name, point in amp.test_points.items():
        yield f"{name}{APART}{' to '.join(point.nodes)}"
    for node in amp.nodes:
        if node != GROUND and node not in touched.values():
            yield node
    for name, part in amp.parts.items():
        if isinstance(part, drawn.TwoTerminal):
            yield f"{name}{APART}{part.role or part.kind}"
        elif isinstance(part, drawn.Tube):
            yield f"{name}{APART}{part.role or part.type}"


def settled(amp: Amp, text: str, quantity: str) -> str:
    """A place as a list of readings takes it: the words after it fall away, an electrode becomes its node.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = load_amp("teasel")
    >>> settled(amp, "V1a plate · p1a", "DC volts"), settled(amp, "V3 cathode · k34", "current")
    ('p1a', 'V3 cathode')
    """
    place = " ".join(text.partition(APART)[0].split())
    if quantity == CURRENT:
        return place
    return electrodes(amp).get(electrode(place), place)


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
    place, words = plainly(place, words)
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
