"""What was answered, kept in a file beside the lessons.

The file is read anew under a lock before each line is added, so that two lessons open at once lose
nothing; it is put into place whole. A file that cannot be read is kept under another name and said so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from tubekit.errors import RecordError
from tubekit.files import write_whole
from tubekit.setup.guard import only_one

FILE = "my-progress.json"
FORMAT = 1
WHAT = "Answers given in the lessons of this folder"


@dataclass(frozen=True)
class Kept:
    """How often a question was answered, how often right, how many hints it took, and when last."""

    tries: int = 0
    right: int = 0
    hints: int = 0
    last: str = ""

    def plus(self, right: bool, hints: int, day: str) -> Kept:
        """With one more answer."""
        return replace(
            self, tries=self.tries + 1, right=self.right + right, hints=self.hints + hints, last=day
        )


Sheet = dict[str, dict[str, Kept]]


class Store:
    """Progress in one file; `path` None keeps it only as long as the notebook runs.

    `trouble` says in words what kept the file from being read or written; '' where nothing did.

    Examples
    --------
    >>> store = Store(None)
    >>> store.note("02", "idle", right=False)
    >>> store.note("02", "idle", right=True, hints=1)
    >>> store.of("02")["idle"].tries, store.of("02")["idle"].right
    (2, 1)
    """

    def __init__(self, path: Path | None) -> None:
        self.path, self.trouble = path, ""
        self._sheet: Sheet = {}
        self._waiting: list[tuple[str, str, bool, int, str]] = []
        self.put_aside = ""  # said as long as the store lives: a file that was damaged
        self.look()

    def look(self) -> None:
        """Read the file again: another open lesson may have written to it."""
        if self.path is None:
            return
        try:
            self._sheet = _counted(self._read(self.path), self._waiting)
        except _NotOurs as error:
            self.trouble = str(error)

    def of(self, lesson: str) -> Mapping[str, Kept]:
        """What is kept of a lesson, by question."""
        return dict(self._sheet.get(lesson, {}))

    def note(self, lesson: str, question: str, *, right: bool, hints: int = 0) -> None:
        """One more answer; where the file cannot be written it waits for the next one."""
        line = (lesson, question, right, hints, date.today().isoformat())  # noqa: DTZ011 - the learner's own day
        if self.path is None:
            self._sheet = _counted(self._sheet, [line])
            return
        self._waiting.append(line)
        try:
            self._write(self.path)
        except _NotOurs as error:
            self._keep_waiting(str(error))
        except (OSError, RecordError) as error:
            reason = error.strerror if isinstance(error, OSError) else error.problem
            self._keep_waiting(
                f"{self.path.name} cannot be written ({(reason or 'write error').lower()}): your "
                "answers are kept only while this lesson is open. Copy the lessons to a folder of your "
                "own."
            )

    def _keep_waiting(self, words: str) -> None:
        self.trouble = words
        self._sheet = _counted(self._sheet, self._waiting[-1:])

    def _write(self, path: Path) -> None:
        with only_one(path.with_name(f".{path.name}.lock"), _silent, pause=0.01):
            raw = _raw(path)
            sheet = _counted(self._read(path, raw), self._waiting)
            lessons = {
                name: {key: asdict(kept) for key, kept in each.items()} for name, each in sheet.items()
            }
            text = {"format": FORMAT, "what": WHAT, "lessons": lessons}
            write_whole(path, (json.dumps(text, indent=1) + "\n").encode(), overwrite=True)
        self._sheet, self._waiting = sheet, []
        self.trouble = self.put_aside

    def _read(self, path: Path, raw: bytes | None = None) -> Sheet:
        raw = _raw(path) if raw is None else raw
        if raw is None:
            return {}
        try:
            return _sheet_of(json.loads(raw))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            self._put_aside(path)
            return {}

    def _put_aside(self, path: Path) -> None:
        """A damaged file stays, under a name that is free."""
        number = 1
        while (aside := path.with_name(f"{path.stem}-damaged-{number}{path.suffix}")).exists():
            number += 1
        try:
            path.rename(aside)
            self.trouble = self.put_aside = (
                f"{path.name} cannot be read. It was renamed {aside.name}, and a new file was started."
            )
        except OSError as error:
            raise _NotOurs(
                f"{path.name} cannot be read or renamed ({error.strerror}). It was left as it is; your "
                "answers are kept only while this lesson is open."
            ) from error


class _NotOurs(Exception):
    """The file is left alone; the message says why."""


def _silent(_: str) -> None:
    """Nobody has to be told of a lock held for a moment."""


def _raw(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _NotOurs(
            f"{path.name} cannot be read ({(error.strerror or 'read error').lower()}): your answers are "
            "kept only while this lesson is open."
        ) from error


def _sheet_of(text: Any) -> Sheet:
    """The file's contents checked.

    Raises ValueError and its like where they are not what was once written, _NotOurs for a newer format.
    """
    form = text["format"]
    if isinstance(form, int) and form > FORMAT:
        raise _NotOurs(
            f"{FILE} is from a newer tubekit and is left as it is; your answers here are not saved in it."
        )
    if form != FORMAT:
        raise ValueError("unknown format")
    return {
        str(lesson): {str(key): _kept(entry) for key, entry in entries.items()}
        for lesson, entries in text["lessons"].items()
    }


def _kept(entry: Mapping[str, Any]) -> Kept:
    counts = [entry[key] for key in ("tries", "right", "hints")]
    if not all(isinstance(n, int) and n >= 0 for n in counts) or not isinstance(entry["last"], str):
        raise ValueError("not a count")
    kept = Kept(**entry)
    if kept.right > kept.tries:
        raise ValueError("more right answers than tries")
    return kept


def _counted(sheet: Sheet, lines: list[tuple[str, str, bool, int, str]]) -> Sheet:
    """The sheet with some more answers."""
    new = {lesson: dict(entries) for lesson, entries in sheet.items()}
    for lesson, question, right, hints, day in lines:
        entries = new.setdefault(lesson, {})
        entries[question] = entries.get(question, Kept()).plus(right, hints, day)
    return new
