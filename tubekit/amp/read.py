"""From a file (or the name of a demo amp) to its merged tables; nothing in a file is ever run."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tubekit.amp.parts_list import CSV, SUFFIXES, TOML, XLSX, tables_of
from tubekit.amp.spreadsheets import cells_of_csv, cells_of_xlsx
from tubekit.errors import AmpFileError, near_matches
from tubekit.files import data_file, demo_names, home

LARGEST = 2_000_000
DEEPEST = 8
ONE_LINE = 'Write each part as R1 = { value = "4K7", nodes = ["B1", "g1"] }, with the quotation marks'
HOW_TO_START = "Start from a copy of a demo amp: python3 -m tubekit parts teasel --to my-amp.toml makes one"


@dataclass(frozen=True, eq=False)
class Sheet:
    """The tables of an amp file after `extends`; `origins` says which file last wrote each table."""

    name: str
    source: Path
    tables: Mapping[str, Any]
    origins: Mapping[str, str]


def find(name_or_path: str | Path, beside: Path | None = None) -> Path:
    """The file meant by a demo name or a path (relative to the folder `beside`, where given).

    Raises
    ------
    AmpFileError : neither a demo amp nor a file; near matches listed.
    """
    text = str(name_or_path).strip()
    if text in demo_names():
        return data_file("amps", f"{text}{TOML}")
    path = (beside or Path()) / home(text)
    try:
        if text and path.is_dir():
            raise AmpFileError("this is a folder", where=text, fix="Type the name of the amp file in it")
        if text and path.exists():
            return path
        beside_it = path.parent.iterdir() if path.parent.is_dir() else ()
        folder = [one.name for one in beside_it if one.suffix.lower() in SUFFIXES]
    except (OSError, ValueError):  # a name no file system can hold
        folder = []
    raise AmpFileError(
        "there is no such file or demo amp",
        where=text[:200] or "(no name)",
        fix=f"Type the name of an amp file, or one of the demo amps: {', '.join(demo_names())}",
        near=near_matches(Path(text).name, [*demo_names(), *folder]),
    )


def read_sheet(name_or_path: str | Path) -> Sheet:
    """The merged tables of an amp file.

    Raises
    ------
    AmpFileError : not a file, over 2 MB, not UTF-8, empty, not TOML, or `extends` going in a circle.
    """
    path = find(name_or_path)
    own, places = _tables_and_places(path)
    sheet = extended(own, path.name, path.parent, (path.resolve(),))
    return Sheet(path.stem, path, sheet.tables, {**sheet.origins, **places})


def read_tables(path: Path) -> dict[str, Any]:
    """One file's own tables, `extends` not followed."""
    return _tables_and_places(path)[0]


def _tables_and_places(path: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """A file's tables; of a list the row of each part and the column of each field too."""
    if path.suffix.lower() == CSV:
        return tables_of(cells_of_csv(_text(path), path.name), path.name)
    if path.suffix.lower() == XLSX:
        return tables_of(cells_of_xlsx(_bytes(path), path.name), path.name)
    return parse_text(_text(path), path.name), {}


def parse_text(text: str, where: str) -> dict[str, Any]:
    """Tables of TOML text; line and column of a slip are kept in the message."""
    if not text.strip():
        raise AmpFileError("the file is empty", where=where, fix=HOW_TO_START)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _slip(str(error), text, where) from error
    except RecursionError as error:
        raise AmpFileError("too many [ or { inside one another", where=where, fix=HOW_TO_START) from error
    except ValueError as error:  # a date or figure that Python cannot hold
        raise AmpFileError(f"cannot be read: {error}", where=where, fix=HOW_TO_START) from error
    if not tables:
        raise AmpFileError("the file has only comments, no parts", where=where, fix=HOW_TO_START)
    return _flat(tables, where)


def _flat(tables: dict[str, Any], where: str) -> dict[str, Any]:
    """The tables with the lines of [parts] beside the parts that have a heading of their own."""
    parts = tables.pop("parts", {})
    if not isinstance(parts, dict):
        raise AmpFileError("must be a heading: [parts]", where=where, part="parts", fix=ONE_LINE)
    for name in tables.keys() & parts.keys():
        one, other = tables[name], parts[name]
        if not (isinstance(one, dict) and isinstance(other, dict)) or one.keys() & other.keys():
            raise _twice(name, where, f"under [parts], and as [{name}]")
        parts[name] = {**other, **one}  # a winding added under a heading of its own
    return {**tables, **parts}


def _twice(part: str, where: str, how: str) -> AmpFileError:
    fix = "Give one of them another number, or keep only one"
    return AmpFileError(f"is entered twice: {how}", where=where, part=part, fix=fix, code="twice")


def merged(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """`own` laid over `base`, table by table and key by key; `removed = true` takes a table out."""
    result = dict(base)
    for key, value in own.items():
        if isinstance(value, dict) and value.get("removed") is True:
            result.pop(key, None)
        elif isinstance(value, dict) and isinstance(result.get(key), dict):
            result[key] = merged(result[key], value)
        else:
            result[key] = value
    return result


def extended(own: dict[str, Any], where: str, folder: Path | None, below: tuple[Path, ...] = ()) -> Sheet:
    """`own` tables laid over the file they extend, however long the chain; paths count from `folder`.

    Raises
    ------
    AmpFileError : no such file, a circle, a chain too long, or a table removed that is not there.
    """
    origins = dict.fromkeys(own, where)
    heading = own.get("amp")
    if not isinstance(heading, dict) or "extends" not in heading:
        return Sheet("", Path(where), merged({}, own), origins)
    base_path = _base_path(heading["extends"], where, folder)
    if base_path.resolve() in below:
        raise _extends_error(
            f"this amp is based on '{heading['extends']}', which is itself based on this amp",
            where,
            "Take the line 'extends' out of one of the files",
        )
    if len(below) >= DEEPEST:
        raise _extends_error(f"more than {DEEPEST} files are based on one another", where)
    here = (*below, base_path.resolve())
    base = extended(read_tables(base_path), base_path.name, base_path.parent, here)
    for key, table in own.items():
        if isinstance(table, dict) and table.get("removed") is True and key not in base.tables:
            raise AmpFileError(
                "is removed here, but the amp this one is based on has no such part",
                where=where,
                part=key,
                fix="Delete this entry, or correct its designator",
                near=near_matches(key, base.tables),
            )
    return Sheet("", Path(where), merged(base.tables, own), {**base.origins, **origins})


def _base_path(name: object, where: str, folder: Path | None) -> Path:
    if not isinstance(name, str):
        raise _extends_error("after extends there must be a name in quotes", where)
    try:
        return find(name, folder)
    except AmpFileError as error:
        raise _extends_error(
            f"extends says '{name[:200]}', but {error.problem}", where, error.fix, error.near
        ) from error


def _extends_error(problem: str, where: str, fix: str = "", near: Iterable[str] = ()) -> AmpFileError:
    return AmpFileError(problem, where=where, part="[amp]", fix=fix or _EXTENDS, near=near)


_EXTENDS = 'Write extends = "file.toml" for the amp this one is based on, or the name of a demo amp'


def _bytes(path: Path) -> bytes:
    where = path.name
    try:
        if not path.is_file():
            raise AmpFileError("this is not an ordinary file", where=where, fix="Type an amp file")
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)  # never more, however large the file is
        size = path.stat().st_size
    except OSError as error:
        reason = error.strerror or "read error"
        raise AmpFileError(
            f"the file cannot be read ({reason.lower()})", where=where, fix="Check that you may open it"
        ) from error
    if len(raw) > LARGEST:
        raise AmpFileError(
            f"the file is too large for an amp file ({size / 1e6:.0f} MB; {LARGEST // 1_000_000} MB at most)",
            where=where,
            fix="Check that this is the amp file and not a scan or a recording",
        )
    return raw


def _text(path: Path) -> str:
    raw, where = _bytes(path), path.name
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise AmpFileError(
            f"line {line} has a character that cannot be read (byte 0x{raw[error.start]:02x}, not UTF-8)",
            where=where,
            fix="Save it again as UTF-8, or write ohm for Ω and u for µ (the usual cause)",
        ) from error


def _slip(message: str, text: str, where: str) -> AmpFileError:
    """A TOML error in the technician's nouns: the part it is in, and what is there twice."""
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    lines = text.split("\n")
    line = int(match[1]) if match else len(lines)
    row = re.match(r"\s*([A-Z]{1,3}\d{1,4}[A-Z]?)((?:\.\S+)?)\s*[={]", lines[line - 1])
    heading = next((m[1].strip() for m in map(_heading, reversed(lines[:line])) if m), "")
    part = row[1] if row else heading
    if row and "immutable" in message:
        return AmpFileError(
            f"has its closing brace already, but this line adds to it: {message}",
            where=where,
            part=part,
            fix=f"Put {part}{row[2]} inside the braces, or give each entry a line, like {part}.kind = …",
        )
    if message.startswith(("Cannot declare", "Cannot mutate")) or "already" in message or (
        row and not row[2] and message.startswith("Cannot overwrite")
    ):  # fmt: skip
        return _twice(part, where, message)
    if message.startswith(("Cannot overwrite", "Duplicate")):
        key = re.search(r"key '(.*)'", message)
        written = key[1] if key else lines[line - 1].split("=")[0].strip()
        return AmpFileError(
            f"'{written}' is written twice: {message}", where=where, part=part, fix=f"Keep one {written}"
        )
    return AmpFileError(f"cannot be read: {message}", where=where, part=part, fix=ONE_LINE)


def _heading(line: str) -> re.Match[str] | None:
    return re.match(r"\s*\[+\s*([^\]\s]+)\s*\]", line)
