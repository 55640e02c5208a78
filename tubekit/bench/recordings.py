"""A meter's recording over time, as loggers write it: any separator, decimal comma, lines above the head."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from tubekit.bench.reading_rows import text_of
from tubekit.errors import ReadingError, UnitError
from tubekit.units import parse

Array = np.ndarray

SEPARATORS = (";", "\t", ",")
TIME_UNITS = {"ms": 1e-3, "msec": 1e-3, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0}
TIME, VALUE = (
    re.compile(r"time|elapsed|sec|^s$|^t\b", re.IGNORECASE),
    re.compile(r"value|reading|volt|amp|curr|displ", re.IGNORECASE),
)
"""What the heads of the two columns are known by."""
UNIT = re.compile(r"[\[(]\s*([^\])]+?)\s*[\])]|\b([mkuµ]?(?:V|A|ohms?|Ω)|ms|s|sec|min|h)(?:\s*[DA]C)?\s*$")
CLOCK = re.compile(r"(?:[\d./-]+[T ])?(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*(pm)?", re.IGNORECASE)
NUMBER = re.compile(
    r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?)\s*([a-zµΩ]*)(?:\s*[DA]C)?", re.IGNORECASE
)
DAY_S = 86400.0


def recording(path: str, unit: str) -> tuple[Array, Array]:
    r"""Times from the first line on [s], and values in a base unit.

    Raises
    ------
    ReadingError : there are no such two columns, or the times do not increase.

    Examples
    --------
    >>> file = getfixture("tmp_path") / "log.csv"
    >>> _ = file.write_text("Logger 7\nTime [s];Voltage [mV]\n0,0;12,5\n1,5;5700,0\n", encoding="utf-8-sig")
    >>> [column.tolist() for column in recording(str(file), "V")]
    [[0.0, 1.5], [0.0125, 5.7]]
    """
    where = Path(path).name
    lines = [
        line for line in text_of(Path(path)).splitlines()
        if line.strip(" ,;\t") and line.lstrip()[0] != "#" and not line.lower().startswith("sep=")
    ]  # fmt: skip
    sign = next((each for each in SEPARATORS if lines and each in lines[-1]), ",")
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=sign)]
    start = next((k for k, row in enumerate(rows) if sum(map(_is_number, row)) > 1), len(rows))
    head, data = (rows[start - 1] if start else []), [row for row in rows[start:] if len(row) > 1]
    commas = sign == "," and len(head) > 1 and max(map(len, data), default=0) > len(head)  # 0,5,18,2
    if len(data) < 2 or commas:
        _refuse(where)
    at = _column(head, TIME, data, 0)
    value = _column(head, VALUE, data, at + 1)
    scale = TIME_UNITS.get(_unit(head, at), 1.0)
    kept = [row for row in data if max(at, value) < len(row) and NUMBER.fullmatch(row[value])]
    try:
        time = scale * np.array([_seconds(row[at]) for row in kept])
        values = np.array([_amount(row, value, _unit(head, value), unit) for row in kept])
    except (ValueError, UnitError) as error:
        _refuse(where, error)
    time = time + DAY_S * np.cumsum(np.diff(time, prepend=time[:1]) < -0.5 * DAY_S)
    if len(time) < 2 or np.any(np.diff(time) < 0):
        raise ReadingError("its times must increase", where=where, fix="First column: seconds")
    return time - (time[0] if any(":" in row[at] for row in kept) else 0.0), values


def _refuse(where: str, cause: Exception | None = None) -> None:
    raise ReadingError(
        "this is not a recording from a meter", where=where,
        fix="Use columns with a heading: seconds, value; or a list of readings: place,quantity,value",
    ) from cause  # fmt: skip


def _is_number(cell: str) -> bool:
    return bool(NUMBER.fullmatch(cell) or CLOCK.fullmatch(cell))


def _column(head: Sequence[str], name: re.Pattern[str], data: Sequence[Sequence[str]], least: int) -> int:
    """The column with such a head, else the first with numbers."""
    numbers = [k for k in range(len(data[0])) if k >= least and _is_number(data[0][k])]
    named = [k for k in numbers if k < len(head) and name.search(head[k])]
    return (named or numbers or [least])[0]


def _unit(head: Sequence[str], column: int) -> str:
    found = UNIT.search(head[column]) if column < len(head) else None
    return re.sub(r"\s*[DA]C$", "", found[1] or found[2], flags=re.IGNORECASE) if found else ""


def _seconds(cell: str) -> float:
    clock = CLOCK.fullmatch(cell)
    if clock is None:
        return float(cell.replace(",", "."))
    hours, minutes, seconds, pm = clock.groups()
    late = 12.0 if pm and int(hours) < 12 else 0.0
    return 3600.0 * (int(hours) + late) + 60.0 * int(minutes) + float((seconds or "0").replace(",", "."))


def _amount(row: Sequence[str], column: int, head_unit: str, unit: str) -> float:
    """A value with the unit in its cell, of the cell after it, or of the head."""
    number, own = NUMBER.fullmatch(row[column]).groups()  # type: ignore[union-attr]
    after = row[column + 1] if column + 1 < len(row) else ""
    for words in filter(None, (own, re.sub(r"\s*[DA]C$", "", after, flags=re.IGNORECASE), head_unit)):
        with suppress(UnitError):
            return parse(f"{number.replace(',', '.')} {words}", unit)
    return float(number.replace(",", "."))
