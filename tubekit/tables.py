"""The handbook tables as typed rows; every row says where its numbers come from.

notebooks/reference/tubes.ipynb lists what each table holds.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import Any

from tubekit.errors import TableError, near_matches
from tubekit.files import data_file, data_root

__all__ = ["Cell", "Row", "data_file", "handbook", "handbook_names"]

Cell = str | float | None

# '5881' and '6550' are tube types, not numbers.
_NAMES = frozenset({"tube", "maker_tube", "device", "model", "id", "topic", "unit", "status", "source"})
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_STATUS = re.compile(r"(printed|second-hand|memory|computed|common practice|mixed)\b")


class Row(Mapping[str, Cell]):
    """One line of a handbook table, by column name: float, text, or None for an empty cell.

    Read-only. `number` and `text` give a cell with its type made sure; `status`, `confidence`
    and `source` say how far the line can be trusted.
    """

    __slots__ = ("_cells", "where")

    def __init__(self, cells: Mapping[str, Cell], where: str) -> None:
        object.__setattr__(self, "_cells", dict(cells))
        object.__setattr__(self, "where", where)

    _cells: dict[str, Cell]
    where: str

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"a handbook row cannot be changed ({self.where}: {name})")

    def __getitem__(self, column: str) -> Cell:
        if column in self._cells:
            return self._cells[column]
        raise TableError(
            f"there is no column '{column}'",
            where=self.where,
            fix=f"It has {', '.join(self._cells)}",
            near=near_matches(str(column), self._cells),
        )

    def __contains__(self, column: object) -> bool:
        return column in self._cells

    def __iter__(self) -> Iterator[str]:
        return iter(self._cells)

    def __len__(self) -> int:
        return len(self._cells)

    def __repr__(self) -> str:
        return f"Row({self.where}: {self._cells})"

    def get(self, column: str, default: Any = None) -> Any:
        """The cell, or `default` where the table has no such column."""
        return self._cells.get(column, default)

    def number(self, column: str) -> float:
        """The cell as a float.

        Raises
        ------
        TableError : the cell is empty or holds text.
        """
        cell = self[column]
        if isinstance(cell, float):
            return cell
        text = "is empty" if cell is None else f"holds {cell!r}"
        raise TableError(f"{text} where a number is needed", where=self.where, part=column)

    def text(self, column: str) -> str:
        """The cell as text; '' where it is empty."""
        cell = self[column]
        return "" if cell is None else f"{cell:g}" if isinstance(cell, float) else cell

    @property
    def status(self) -> str:
        """How the numbers came here: printed, memory, computed, common practice, or a mixture in words."""
        return self.text("status")

    @property
    def confidence(self) -> float | None:
        """Trust in the line [0 to 1]; None where the table states none."""
        percent = self._cells.get("confidence_pct")
        return percent / 100 if isinstance(percent, float) else None

    @property
    def source(self) -> str:
        """Where the numbers were read or recalled from; '' where the table states none."""
        return self.text("source") if "source" in self else ""


def handbook_names() -> tuple[str, ...]:
    """Names of all handbook tables, sorted.

    Examples
    --------
    >>> "rc_coupled" in handbook_names()
    True
    """
    return tuple(sorted(path.stem for path in (data_root() / "handbook").glob("*.csv")))


def handbook(name: str, /, **match: str | float | None) -> tuple[Row, ...]:
    """Rows of a handbook table, in printed order; with `match`, those whose cells equal it.

    Numbers keep the unit in the column's name (`Ia_mA` is in mA).

    Raises
    ------
    TableError : no such table or column (with near matches), or a damaged line.

    Examples
    --------
    >>> row = handbook("tubes_characteristics", tube="12AX7", Va_V=250)[0]
    >>> row["Ia_mA"], row["mu"], row["Vg2_V"], row.status, row.confidence
    (1.2, 100.0, None, 'printed', 1.0)
    """
    rows = _rows(name)
    for column, wanted in match.items():
        rows = tuple(row for row in rows if row[column] == wanted)
    return rows


@cache
def _rows(name: str) -> tuple[Row, ...]:
    if name not in handbook_names():
        raise TableError(
            f"there is no table '{name}'",
            where="data/handbook",
            fix=f"It holds {', '.join(handbook_names())}",
            near=near_matches(name, handbook_names()),
        )
    where = f"data/handbook/{name}.csv"
    try:
        with data_file("handbook", f"{name}.csv").open(encoding="utf-8", newline="") as lines:
            return _parse(lines, where)
    except (UnicodeDecodeError, csv.Error) as error:
        raise TableError(
            f"cannot be read: {error}", where=where, fix="Restore it from the repository"
        ) from error


def _parse(lines: Iterable[str], where: str) -> tuple[Row, ...]:
    reader = csv.reader(lines, strict=True)
    header = next(reader, [])
    if len(set(header)) != len(header) or "" in header or "status" not in header:
        raise TableError(
            "the first line must name every column once, status among them",
            where=where,
            fix=f"It reads {', '.join(header) or 'nothing'}",
        )
    return tuple(_row(header, cells, f"{where}, line {reader.line_num}") for cells in reader if cells)


def _row(header: list[str], cells: list[str], where: str) -> Row:
    if len(cells) != len(header):
        raise TableError(f"{len(cells)} cells under {len(header)} columns", where=where, fix="Fix the line")
    row = Row({column: _cell(column, cell) for column, cell in zip(header, cells, strict=True)}, where)
    if not _STATUS.match(row.status):
        raise TableError(
            f"status '{row.status}' says nothing known",
            where=where,
            fix="Begin it with printed, memory, computed, common practice or mixed",
        )
    percent = row.get("confidence_pct")
    if percent is not None and not (isinstance(percent, float) and 0 <= percent <= 100):
        raise TableError(f"confidence '{percent}' is not 0 to 100", where=where, part="confidence_pct")
    return row


def _cell(column: str, cell: str) -> Cell:
    if column not in _NAMES and _NUMBER.fullmatch(cell):
        return float(cell)
    return cell or None
