"""The list of readings as it is written down: rows, meter, mains, tone; files beside the notebook."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tubekit.amp import Amp
from tubekit.bench.next_reading import tube_readings
from tubekit.bench.reading_rows import HEADER, from_csv, rows_of_source, text_of
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import ReadingError, TubekitError

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
