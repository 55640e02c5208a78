"""Rows of text into CSV and XLSX, so that no spreadsheet runs or recasts them, and back."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, time
from typing import Any

from tubekit.errors import AmpFileError

RUNS = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for the beginning of a formula."""
MOST_ROWS, MOST_COLUMNS, LARGEST_UNPACKED = 5_000, 60, 50_000_000
WIDTHS = (18, 20, 16, 44, 10, 10, 44, 44, 30)


def slip(where: str, problem: str, fix: str, code: str, **more: Any) -> AmpFileError:
    """An error of a list, with its place."""
    return AmpFileError(problem, where=where, fix=fix, code=code, **more)


def plain(value: object) -> str:
    """A value as a cell has it."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def csv_file(rows: Iterable[Sequence[str]]) -> bytes:
    """CSV of these rows."""
    file = io.StringIO()
    csv.writer(file, lineterminator="\n").writerows([_still(cell) for cell in row] for row in rows)
    return file.getvalue().encode("utf-8-sig")  # with the mark spreadsheets read µ and Ω right


def _still(text: str) -> str:
    """The text with an apostrophe before it where a spreadsheet would run it."""
    return f"'{text}" if text.startswith((*RUNS, "'")) else text


def _as_kept(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith((*RUNS, "'")) else text


def _openpyxl(where: str) -> Any:
    try:
        import openpyxl  # noqa: PLC0415 - only who keeps a workbook needs it
    except ImportError as error:
        fix = "Run pip install 'tubekit[sheets]', or keep the list as CSV"
        raise slip(where, "an .xlsx file needs openpyxl, which is not installed", fix, "openpyxl") from error
    return openpyxl


def xlsx_file(rows: Sequence[Sequence[str]], columns: Mapping[str, str], where: str) -> bytes:
    """A workbook of these rows, the first one the heads, with a sheet that explains the columns.

    Raises
    ------
    AmpFileError : openpyxl is missing, or a control character that no workbook can hold.
    """
    openpyxl = _openpyxl(where)
    book = openpyxl.Workbook()
    sheet, about = book.active, book.create_sheet("columns")
    sheet.title = "parts"
    for number, row in enumerate(rows, 1):
        for place, text in enumerate(row, 1):
            try:
                _put(sheet.cell(number, place), text)
            except openpyxl.utils.exceptions.IllegalCharacterError as error:
                fix = "Clear the cell and retype it, or keep the list as TOML or CSV"
                problem = f"a spreadsheet cannot store the invisible character in its {rows[0][place - 1]}"
                raise slip(where, problem, fix, "character", part=row[0]) from error
    for number, (column, words) in enumerate(columns.items(), 1):
        _put(about.cell(number, 1), column)
        _put(about.cell(number, 2), words)
    for cell in (*sheet[1], *about["A"]):
        cell.font = openpyxl.styles.Font(bold=True)
    for letter, width in zip("ABCDEFGHI", WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width
    about.column_dimensions["B"].width = 150
    sheet.freeze_panes = "B2"
    kept = io.BytesIO()
    packed = _Packed(kept, "w", zipfile.ZIP_DEFLATED, strict_timestamps=False)
    openpyxl.writer.excel.ExcelWriter(book, packed).save()
    return kept.getvalue()


class _Packed(zipfile.ZipFile):
    """A ZIP archive whose entries all have the first date that one can have: no clock is too old for it."""

    def writestr(self, zinfo_or_arcname: Any, data: Any, *args: Any, **options: Any) -> None:
        """One entry."""
        entry = zipfile.ZipInfo(str(zinfo_or_arcname))
        entry.compress_type = zipfile.ZIP_DEFLATED
        super().writestr(entry, data, *args, **options)


def _put(cell: Any, text: str) -> None:
    cell.number_format = "@"  # text: no spreadsheet makes a date of 7-8, or a formula of =1
    if text:
        cell.value, cell.data_type, cell.quotePrefix = text, "s", text.startswith(RUNS)


def cells_of_csv(text: str, where: str) -> list[list[str]]:
    """The cells of CSV text, row by row.

    Raises
    ------
    AmpFileError : another separator, or quotation marks that do not close.
    """
    result: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), strict=True):
            result.append([_as_kept(cell) for cell in row])  # noqa: PERF401 - counted for the message
    except csv.Error as error:
        fix = "Close the quotation marks, or take them out"
        raise slip(f"{where}, row {len(result) + 1}", f"cannot be read ({error})", fix, "cells") from error
    head = result[0][0] if result and len(result[0]) == 1 else ""
    if ";" in head or "\t" in head:
        raise slip(where, "the columns are not separated by commas", "Save it as CSV with commas", "columns")
    return result


def cells_of_xlsx(raw: bytes, where: str) -> list[list[str]]:
    """The cells of the sheet 'parts' of a workbook, or of its first sheet; formulas give what they came to.

    Raises
    ------
    AmpFileError : not a workbook, too large, a date, or openpyxl is missing.
    """
    openpyxl, file = _openpyxl(where), io.BytesIO(raw)
    try:
        with zipfile.ZipFile(file) as packed:
            size = sum(one.file_size for one in packed.infolist())
        if size > LARGEST_UNPACKED:
            raise slip(where, "the spreadsheet is too large", "Keep only the parts list in it", "large")  # noqa: TRY301 - let through below
        book = openpyxl.load_workbook(file, read_only=True, data_only=True)
        sheet = book["parts"] if "parts" in book.sheetnames else book.worksheets[0]
        listed = sheet.iter_rows(max_row=MOST_ROWS, max_col=MOST_COLUMNS)
        return [[_cell(cell, where) for cell in row] for row in listed]
    except AmpFileError:
        raise
    except Exception as error:  # openpyxl lets out whatever a damaged file makes of it
        fix = "Open it in a spreadsheet and save it as .xlsx again, or as CSV"
        raise slip(
            where, f"this is not a spreadsheet file ({type(error).__name__})", fix, "workbook"
        ) from error


def _cell(cell: Any, where: str) -> str:
    value = cell.value
    if isinstance(value, date | time):
        fix = "The spreadsheet took it for a date: format the column as text and type it again"
        raise slip(
            f"{where}, row {cell.row}, column {cell.column_letter}", f"is the date {value}", fix, "date"
        )
    if isinstance(value, float) and "%" in str(cell.number_format):
        return f"{value * 100:.10g} %"
    return "" if value is None else plain(value)
