"""Rows of readings out of a file, a table or a list; nothing is guessed, every slip names its line."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.errors import ReadingError, near_matches
from tubekit.files import why

COLUMNS = ("place", "quantity", "value", "accuracy", "input_resistance", "note")
NEEDED = COLUMNS[:3]
LARGEST = 1_000_000
MOST_ROWS = 2_000
"""More rows than any amp has places to measure at."""
HEADER = ",".join(COLUMNS)
EMPTY = ", \t"
"""What a row without anything in its cells is made of."""
TOML_TABLES = {"readings", "meter", "tone", "reading"}


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows as written, each with its line; `heading`, `meter` and `tone` are tables of a TOML list."""

    where: str
    rows: tuple[tuple[int, Mapping[str, Any]], ...]
    heading: Mapping[str, Any] = field(default_factory=dict)
    meter: Mapping[str, Any] = field(default_factory=dict)
    tone: Mapping[str, Any] = field(default_factory=dict)


def rows_of_source(source: Any) -> Rows:
    """Rows of a path (.csv or .toml), of a DataFrame, or of a list of mappings.

    Raises
    ------
    ReadingError : what cannot be read without guessing.
    """
    if isinstance(source, str | Path):
        return _from_file(Path(source))
    if hasattr(source, "columns") and hasattr(source, "to_dict"):
        return _from_records(source.to_dict("records"), "table", [str(c) for c in source.columns])
    if isinstance(source, Sequence) and all(isinstance(one, Mapping) for one in source):
        names = list(dict.fromkeys(str(key) for one in source for key in one))
        return _from_records(source, "list", names)
    raise ReadingError(
        f"readings cannot be taken from {type(source).__name__}",
        fix="Give the path of a .csv or .toml file, a DataFrame, or a list of mappings",
    )


def _from_file(path: Path) -> Rows:
    text = text_of(path)
    if path.suffix.lower() == ".toml":
        return _from_toml(text, path.name)
    return from_csv(text, path.name)


def text_of(path: Path) -> str:
    """The text of a list, refused where it could be misread."""
    where = path.name
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except (OSError, ValueError) as error:
        beside = [p.name for p in path.parent.glob("*.*")] if path.parent.is_dir() else []
        raise ReadingError(
            f"the file cannot be read ({why(error)})", where=where,
            fix="Name your readings file (.csv or .toml)", near=near_matches(where, beside),
        ) from error  # fmt: skip
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in raw[:4000]:
        raise ReadingError(
            "the file is not UTF-8 text (it looks like UTF-16, or a spreadsheet's own format)",
            where=where, fix="Save it again as CSV, UTF-8",
        )  # fmt: skip
    if len(raw) > LARGEST:
        _too_many(raw.count(b"\n"), where)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise ReadingError(
            f"the file is not UTF-8 text (byte 0x{raw[error.start]:02x} in line {line})", where=where,
            fix="Save it again as UTF-8; the usual cause is Ω or µ from an old editor (ohm and u work too)",
        ) from error  # fmt: skip


def from_csv(text: str, where: str) -> Rows:
    r"""Rows of CSV text, first line the heading; lines that begin with # are passed over.

    Raises
    ------
    ReadingError : another separator, a heading or a row that does not fit, too many rows.

    Examples
    --------
    >>> rows = from_csv("place,quantity,value\nk34,DC volts,18.2 V\n", "list")
    >>> rows.rows[0]
    (2, {'place': 'k34', 'quantity': 'DC volts', 'value': '18.2 V'})
    """
    numbered = enumerate(text.splitlines(), 1)
    lines = [(n, line) for n, line in numbered if line.strip(EMPTY) and line.lstrip()[0] != "#"]
    if lines and lines[0][1].strip(EMPTY).lower() == "sep=":  # a spreadsheet's own first line
        lines = lines[1:]
    if not lines:
        raise ReadingError("there are no readings in the file", where=where, fix=f"First line: {HEADER}")
    if len(lines) > MOST_ROWS + 1:
        _too_many(len(lines) - 1, where)
    names = _cells(*lines[0], where)
    if len(names) == 1 and (";" in lines[0][1] or "\t" in lines[0][1]):
        sign = "semicolons" if ";" in lines[0][1] else "tabs"
        raise ReadingError(
            f"the columns are separated by {sign}, so a comma could be a decimal sign", where=where,
            part="line 1", fix="Save it with commas between columns and decimal points in numbers (143.5)",
        )  # fmt: skip
    while names and not names[-1].strip():  # empty columns at the end of a spreadsheet
        names.pop()
    names = _named([name.strip().lower() for name in names], where)
    return Rows(where, tuple((n, _row(n, line, names, where)) for n, line in lines[1:]))


def _cells(number: int, line: str, where: str) -> list[str]:
    try:
        return next(iter(csv.reader([line], strict=True, skipinitialspace=True)))
    except csv.Error as error:
        raise ReadingError(
            f"cannot be split into columns ({error})", where=where, part=f"line {number}",
            fix="Close the quotation marks, or leave them out",
        ) from error  # fmt: skip


def _row(number: int, line: str, names: list[str], where: str) -> dict[str, str]:
    cells = [cell.strip() for cell in _cells(number, line, where)]
    while len(cells) > len(names) and not cells[-1]:
        cells.pop()
    if len(cells) > len(names):
        raise ReadingError(
            f"has {len(cells)} entries in {len(names)} columns", where=where, part=f"line {number}",
            fix="Write 143.5, not 143,5: the comma splits the number. Put notes with commas in quotes",
        )  # fmt: skip
    return dict(zip(names, cells, strict=False))


def _named(names: list[str], where: str) -> list[str]:
    for name in names:
        if name not in COLUMNS:
            raise ReadingError(
                f"there is no column '{name[:40]}'", where=where, part="heading",
                fix=f"The columns are {HEADER} (first 3 required)", near=near_matches(name, COLUMNS),
            )  # fmt: skip
    missing = [name for name in NEEDED if name not in names]
    if missing or len(set(names)) < len(names):
        what = f"the column {missing[0]} is missing" if missing else "duplicate column"
        raise ReadingError(what, where=where, part="heading", fix=f"First line: {HEADER}")
    return names


def _from_toml(text: str, where: str) -> Rows:
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        fix = 'Write [[reading]], then lines like value = "18.2 V"; put words in quotation marks'
        raise ReadingError(f"not TOML: {error}", where=where, fix=fix) from error
    for name in tables:
        if name not in TOML_TABLES:
            raise ReadingError(
                f"there is no table '{name[:40]}'", where=where,
                fix="The tables are [readings], [meter], [tone] and [[reading]]",
                near=near_matches(name, TOML_TABLES),
            )  # fmt: skip
    listed = tables.get("reading", [])
    parts = [tables.get(name, {}) for name in ("readings", "meter", "tone")]
    if not isinstance(listed, list) or not all(isinstance(t, dict) for t in (*parts, *listed)):
        raise ReadingError("a reading has no heading", where=where, fix="Write [[reading]] above each")
    names = list(dict.fromkeys(key for one in listed for key in one))
    result = _from_records(listed, where, names)
    return Rows(where, result.rows, *parts)


def _from_records(records: Iterable[Mapping[str, Any]], where: str, names: list[str]) -> Rows:
    listed = list(records)
    if len(listed) > MOST_ROWS:
        _too_many(len(listed), where)
    if not listed:
        raise ReadingError("there are no readings", where=where, fix=f"Enter at least {', '.join(NEEDED)}")
    _named([name.strip().lower() for name in names], where)
    cleaned = ({str(k).strip().lower(): _blank(v) for k, v in one.items()} for one in listed)
    rows = list(enumerate(cleaned, 1))
    return Rows(where, tuple(rows))


def _blank(value: Any) -> Any:
    """An empty cell of a table (NaN, None) is an empty text."""
    if value is None or (isinstance(value, float | np.floating) and np.isnan(value)):
        return ""
    return value.item() if isinstance(value, np.generic) else value


def _too_many(count: int, where: str) -> None:
    raise ReadingError(
        f"{count:,} rows are too many for a list of bench readings ({MOST_ROWS:,} at most)", where=where,
        fix="If this is not a list of readings, choose another file. From a recording, enter the average",
    )  # fmt: skip
