"""Points of a tube that someone measured, read from a CSV file or given as columns.

The header names a quantity and its unit: ``plate_v, grid_v, plate_ma``, or ``plate [V]``, ``screen (mA)``.
Voltages are to the cathode. Columns may stand in any order, be parted by comma, semicolon or tab (with
the last two a decimal comma is understood), and lines that begin with # are left out.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.devices.law import FloatArray
from tubekit.errors import InputError, TableError, near_matches
from tubekit.result_fields import frozen_array

WORDS = ("plate", "screen", "grid")
VOLTS = {"v": 1.0, "mv": 1e-3, "kv": 1e3}
AMPS = {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "µa": 1e-6, "μa": 1e-6, "na": 1e-9}
REMARKS = frozenset({"note", "notes", "remark", "comment"})
MOST_BYTES, MOST_VOLTS, MOST_AMPS = 2_000_000, 1e4, 5.0

_HEADER = re.compile(r"([a-z]+)[ _]*[\[(]?([a-zµμ]+)[\])]?")


@dataclass(frozen=True, eq=False)
class Points:
    """Measured points: voltages to cathode [V], currents [A], None where nothing was measured."""

    source: str
    plate_v: FloatArray
    grid_v: FloatArray
    plate_a: FloatArray
    screen_v: FloatArray | None = None
    screen_a: FloatArray | None = None

    @property
    def count(self) -> int:
        """How many points there are."""
        return int(self.plate_v.size)


def read_points(path: str | Path) -> Points:
    """The points of a CSV file.

    Raises
    ------
    TableError : the file cannot be read, or a column or line cannot be used; the message names it.
    """
    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise TableError(f"cannot be read: {error.strerror}", where=str(path)) from error
    if len(raw) > MOST_BYTES:
        raise TableError(
            f"the file has {len(raw) / 1e6:.1f} MB", where=path.name, fix="Keep only the points: at most 2 MB"
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError("is not UTF-8 text", where=path.name, fix="Save it as CSV in UTF-8") from error
    return points_of(dict(_columns(text, path.name)), path.name)


def points_of(columns: Mapping[str, Any], source: str = "points") -> Points:
    """Points from columns by header, as in a CSV file.

    Raises
    ------
    TableError : a header that is not known, a column that is missing, or a value that cannot be.

    Examples
    --------
    >>> points = points_of({"plate_v": [100, 250], "grid_v": [-1, -2], "plate_ma": [0.5, 1.2]})
    >>> points.count, float(points.plate_a[1])
    (2, 0.0012)
    """
    result: dict[str, FloatArray] = {}
    for header, values in columns.items():
        name, factor = _meaning(header, source)
        if not name:
            continue
        if name in result:
            raise TableError("appears twice", where=source, part=header, fix="Keep one column of it")
        result[name] = _numbers(header, values, factor, source)
    missing = [name for name in ("plate_v", "grid_v", "plate_a") if name not in result]
    if missing:
        wanted = {"plate_v": "plate_v", "grid_v": "grid_v", "plate_a": "plate_ma"}
        raise TableError(
            f"there is no column {', '.join(wanted[name] for name in missing)}",
            where=source,
            fix="Use column heads like plate_v, grid_v, plate_ma (and screen_v, screen_ma)",
        )
    if "screen_a" in result and "screen_v" not in result:
        raise TableError(
            "there is a screen current without a screen voltage", where=source, fix="Add screen_v"
        )
    if len({values.size for values in result.values()}) > 1:
        raise TableError("the columns differ in length", where=source)
    return Points(source, **{name: frozen_array(values) for name, values in result.items()})


def _meaning(header: str, source: str) -> tuple[str, float]:
    """('plate_a', 1e-3) of 'plate_ma'; ('', 1) of a remark."""
    plain = header.strip().casefold()
    if plain in REMARKS:
        return "", 1.0
    match = _HEADER.fullmatch(plain)
    word, unit = match.groups() if match else ("", "")
    if word in WORDS and unit in VOLTS:
        return f"{word}_v", VOLTS[unit]
    if word in WORDS[:2] and unit in AMPS:
        return f"{word}_a", AMPS[unit]
    known = [f"{one}_{u}" for one in WORDS for u in ("v", "ma")][:-1]
    raise TableError(
        f"column '{header.strip()}' is not known",
        where=source,
        fix="Write plate, screen or grid and the unit, like plate_v or plate_ma; a column 'note' is ignored",
        near=near_matches(plain, known),
    )


def _numbers(header: str, values: Any, factor: float, source: str) -> FloatArray:
    try:
        result = np.asarray(values, dtype=float).ravel() * factor
    except (TypeError, ValueError) as error:
        raise TableError(f"cannot be read as numbers: {error}", where=source, part=header) from error
    volts = factor in VOLTS.values() and header.strip().casefold().rstrip("])").endswith("v")
    most, unit = (MOST_VOLTS, "V") if volts else (MOST_AMPS, "A")
    wrong = ~np.isfinite(result) | (np.abs(result) > most)
    if not volts:
        wrong |= result < 0.0
    if wrong.any():
        first = int(np.argmax(wrong))
        raise TableError(
            f"point {first + 1} is {result[first]:g} {unit}",
            where=source,
            part=header.strip(),
            fix="A current cannot be below zero; check the unit in the column head"
            if not volts
            else "Check the unit",
        )
    return result


def _columns(text: str, where: str) -> Iterator[tuple[str, Sequence[float]]]:
    lines = [
        (k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and line.lstrip()[0] != "#"
    ]
    if len(lines) < 2:
        raise TableError("holds no points", where=where, fix="Write a header line and a line for each point")
    parting = max(";\t,", key=lines[0][1].count)
    rows = [(k, next(csv.reader(io.StringIO(line), delimiter=parting))) for k, line in lines]
    header = rows[0][1]
    for number, cells in rows[1:]:
        if len(cells) != len(header):
            raise TableError(
                f"{len(cells)} cells, but {len(header)} columns",
                where=f"{where}, line {number}",
                fix="Fix it",
            )
    for place, name in enumerate(header):
        if name.strip().casefold() not in REMARKS:
            yield name, [_cell(cells[place], parting, f"{where}, line {n}", name) for n, cells in rows[1:]]


def _cell(cell: str, parting: str, where: str, column: str) -> float:
    plain = cell.strip().replace("−", "-")
    if parting != ",":
        plain = plain.replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        raise TableError(
            f"'{cell.strip()}' is not a number", where=where, part=column.strip(), fix="Write it like -12.5"
        ) from None


def refuse_mixed(points: Points, screen: bool) -> None:
    """Points that do not fit the kind of tube.

    Raises
    ------
    InputError : a screen voltage for a triode, none for a pentode.
    """
    if screen and points.screen_v is None:
        raise InputError(
            "there is no column screen_v", where=points.source, fix="Add it, or write kind='triode'"
        )
    if not screen and points.screen_v is not None:
        raise InputError(
            "a triode has no screen",
            where=points.source,
            fix="Take the screen columns out, or write kind='pentode'",
        )
