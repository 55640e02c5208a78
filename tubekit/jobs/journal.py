"""The file of a job: readable TOML to which entries are only ever added.

Every entry ends with a line that holds its number and a checksum. An entry whose last line is missing was
being written when the program or the power stopped: the next writer moves it, whole, into a file of its own
and says so in an entry. Writers take turns by a lock that the operating system releases when one dies.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import re
import shutil
import tomllib
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from filelock import FileLock, Timeout

from tubekit.amp.write import toml_key, toml_value
from tubekit.errors import InputError
from tubekit.files import home, why, writable, write_whole
from tubekit.layout import as_typed

FILE, LOCK, TORN, ENCLOSED = "job.toml", ".job.lock", "torn.txt", "enclosed"
HEAD = (
    "# A tubekit job. Entries are only added at the end, never changed: to correct one, add another.\n"
    "# Each ends with a line that holds its number and a checksum.\n"
)
OPENING = b"[[entry]]"
END = re.compile(rb"^# end of entry (\d+), check ([0-9a-f]{8})\r?\n", re.MULTILINE)
WAIT_S = 10.0
"""How long a writer waits for its turn [s]; an entry takes milliseconds."""


class JobError(InputError):
    """A job cannot be read or written, or what it was asked for cannot be."""

    usual = "job"


@dataclass(frozen=True, eq=False)
class Entry:
    """One entry: its number, when, by whom, what kind, and what it says."""

    number: int
    date: dt.datetime
    by: str
    kind: str
    says: Mapping[str, Any] = field(default_factory=dict)

    def __getitem__(self, key: str) -> Any:
        return self.says.get(key, "")

    @property
    def day(self) -> str:
        """Date and time as a person writes them."""
        return f"{self.date:%Y-%m-%d %H:%M}"


@dataclass(frozen=True, eq=False)
class Journal:
    """The entries of a job folder, in order, with what is wrong with its file."""

    folder: Path
    entries: tuple[Entry, ...]
    notes: tuple[str, ...] = ()


def read_journal(folder: str | Path) -> Journal:
    """All entries of a job.

    Parameters
    ----------
    folder
        The folder of the job.

    Returns
    -------
    Journal
        Entries in order; `notes` names an entry that was changed by hand or cannot be read.

    Raises
    ------
    JobError
        There is no job in this folder.
    """
    path = home(folder) / FILE
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        raise JobError(
            f"there is no job in this folder ({why(error)})", where=str(folder),
            fix="Name the folder, or start one with job new FOLDER AMP",
        ) from error  # fmt: skip
    entries, notes = [], []
    for number, block, check in _blocks(raw):
        if _check(block) != check:
            notes.append(f"Entry {number} was changed in {FILE} after it was written.")
        try:
            entries.append(_entry(block))
        except (tomllib.TOMLDecodeError, KeyError, TypeError, UnicodeDecodeError):
            notes.append(f"Entry {number} cannot be read; it is kept in {FILE} as it is.")
    if _whole(raw) < len(raw):
        notes.append(f"The last lines of {FILE} are incomplete; the next entry moves them to {TORN}.")
    return Journal(path.parent, tuple(entries), tuple(notes))


def append(
    folder: str | Path,
    kind: str,
    by: str,
    says: Mapping[str, Any],
    *,
    new: bool = False,
    unless: Callable[[Journal], None] | None = None,
) -> Entry:
    """Add an entry; when this returns it is on the disk.

    Parameters
    ----------
    folder
        The folder of the job.
    kind, by, says
        What the entry holds.
    new
        Begin a job: refused where there is one.
    unless
        Called with the journal before the entry is added, while nobody else can write; raises to refuse it.

    Returns
    -------
    Entry
        As written, with its number.

    Raises
    ------
    JobError
        No job here (or one already, of a new one), another program keeps the lock, the disk is full.
    """
    folder = writable(folder)
    path = folder / FILE
    for key, text in (("by", by), *says.items()):
        if isinstance(text, str):
            as_typed(text, key, str(folder), JobError)
    with _turn(folder):
        there = path.exists()
        if new == (there and END.search(path.read_bytes()) is not None):
            problem = "there is already a job in this folder" if new else "there is no job in this folder"
            raise JobError(problem, where=str(folder), fix="Name another folder")
        if unless is not None:
            unless(read_journal(folder))
        try:
            with path.open("r+b" if there else "x+b") as file:
                raw = file.read()
                entries = [int(each[1]) for each in END.finditer(raw)]
                number, whole = max(entries, default=0), _whole(raw)
                if whole < len(raw):
                    _keep_aside(folder, raw[whole:])
                    file.truncate(whole)
                    file.seek(whole)
                    number += 1
                    torn = {"text": f"incomplete entry moved to {TORN}", "bytes": len(raw) - whole}
                    file.write(_written(Entry(number, _now(), by, "torn", torn)))
                entry = Entry(number + 1, _now(), by, kind, MappingProxyType(dict(says)))
                file.write((HEAD.encode() if new else b"") + _written(entry))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise JobError(
                f"cannot be written ({why(error)})", where=str(path),
                fix="Check the disk; write the entry down on paper meanwhile",
            ) from error  # fmt: skip
    if new and hasattr(os, "O_DIRECTORY"):  # the name of a new file is on the disk as well
        handle = os.open(folder, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)
    return entry


def home_of(folder: str | Path) -> Path:
    """Where a job keeps its files, made where it is missing.

    Raises
    ------
    JobError : the folder cannot be written to.
    """
    place = writable(folder) / ENCLOSED
    try:
        place.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise _unwritable(place.parent, error) from error
    return place


def enclose(folder: str | Path, source: Path) -> str:
    """Copy a file into the job, never over another; its name there.

    Raises
    ------
    JobError : it cannot be read.
    """
    home = home_of(folder)
    try:
        raw = source.read_bytes()
    except (OSError, ValueError) as error:
        raise JobError(
            f"cannot be read ({why(error)})", where=str(source),
            fix="Name an existing file",
        ) from error  # fmt: skip
    count, target = 1, home / source.name
    while target.exists():
        if target.read_bytes() == raw:
            return target.name
        count += 1
        target = home / f"{source.stem}-{count}{source.suffix}"
    write_whole(target, raw)
    return target.name


def copy_until(source: str | Path, target: str | Path, last: int) -> None:
    """Copy a job into another folder as it was after one of its entries."""
    source, home = Path(source), home_of(target)
    for each in (source / ENCLOSED).iterdir():
        shutil.copyfile(each, home / each.name)
    raw = (source / FILE).read_bytes()
    ends = {int(each[1]): each.end() for each in END.finditer(raw)}
    write_whole(Path(target) / FILE, raw[: ends[last]])


def fingerprint(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@contextmanager
def _turn(folder: Path) -> Iterator[None]:
    try:
        with FileLock(folder / LOCK, timeout=WAIT_S):
            yield
    except Timeout as error:
        raise JobError(
            "another program has been writing to this job for ten seconds", where=str(folder),
            fix="Close that program, then enter this again",
        ) from error  # fmt: skip
    except OSError as error:
        raise _unwritable(folder, error) from error


def _unwritable(folder: Path, error: OSError | ValueError) -> JobError:
    return JobError(
        f"this folder cannot be written to ({why(error)})",
        where=str(folder), fix="Name an existing folder you can write to",
    )  # fmt: skip


def _now() -> dt.datetime:
    return dt.datetime.now().astimezone().replace(microsecond=0)


def _written(entry: Entry) -> bytes:
    head = {"number": entry.number, "date": entry.date, "by": entry.by, "kind": entry.kind}
    lines = [f"{toml_key(key)} = {_value(value)}" for key, value in (head | dict(entry.says)).items()]
    block = OPENING + b"\n" + "".join(f"{line}\n" for line in lines).encode()
    return b"\n" + block + f"# end of entry {entry.number}, check {_check(block)}\n".encode()


def _value(value: Any) -> str:
    """One value; a list of tables takes a line for each."""
    if isinstance(value, dt.datetime):
        return value.isoformat()
    if isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
        return "[\n" + "".join(f"  {toml_value(each)},\n" for each in value) + "]"
    return toml_value(value)


def _check(block: bytes) -> str:
    """The same whatever an editor or a version control makes of line ends."""
    plain = block.replace(b"\r\n", b"\n")
    return f"{zlib.crc32(plain):08x}"


def _blocks(raw: bytes) -> Iterator[tuple[int, bytes, str]]:
    """Number, text and checksum of every closed entry."""
    start = 0
    for end in END.finditer(raw):
        opening = raw.find(OPENING, start, end.start())
        if opening >= 0:
            yield int(end[1]), raw[opening : end.start()], end[2].decode()
        start = end.end()


def _whole(raw: bytes) -> int:
    """How many bytes belong to closed entries (and to the head of the file)."""
    closed = max((each.end() for each in END.finditer(raw)), default=0)
    rest = raw[closed:]
    return len(raw) if not rest.strip() and b"\0" not in rest else closed


def _keep_aside(folder: Path, torn: bytes) -> None:
    with (folder / TORN).open("ab") as file:
        file.write(f"\n# {_now().isoformat()}\n".encode() + torn)
        file.flush()
        os.fsync(file.fileno())


@lru_cache(maxsize=1024)
def _entry(block: bytes) -> Entry:
    (table,) = tomllib.loads(block.decode())["entry"]
    head = {key: table.pop(key) for key in ("number", "date", "by", "kind")}
    if not isinstance(head["date"], dt.datetime):
        raise TypeError("date")
    return Entry(**head, says=MappingProxyType(table))
