"""Where equations, limits and numbers come from: one list of citations, named by key.

The list is data/handbook/sources.toml. The status says whether the maker's or author's own page was read for
this project, a copy or transcription by others, or whether it was recalled from memory, computed here, or is
common practice.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

from tubekit.errors import TableError, near_matches
from tubekit.files import data_file

STATUSES = ("printed", "second-hand", "memory", "computed", "common practice")
_WHERE = "data/handbook/sources.toml"


@dataclass(frozen=True)
class Source:
    """A citation: its key, the words to print, and how it is known."""

    key: str
    text: str
    status: str

    def __str__(self) -> str:
        return f"{self.text} [{'from memory' if self.status == 'memory' else self.status}]"


class _Sources(Mapping[str, Source]):
    """All citations by key, read at first use."""

    def __getitem__(self, key: str) -> Source:
        known = _read()
        if key in known:
            return known[key]
        raise TableError(
            f"there is no source '{key}'",
            where=_WHERE,
            fix="Add it there with text and status, or use a key it holds",
            near=near_matches(str(key), known),
        )

    def __contains__(self, key: object) -> bool:
        return key in _read()

    def __iter__(self) -> Iterator[str]:
        return iter(_read())

    def __len__(self) -> int:
        return len(_read())


SOURCES: Mapping[str, Source] = _Sources()
"""Every citation by key; an unknown key raises TableError with near matches."""


def cite(key: str) -> str:
    """The citation as printed beside a number, with its status.

    Raises
    ------
    TableError : no such key (with near matches).

    Examples
    --------
    >>> cite("iec-60063")
    'IEC 60063:2015, Preferred number series for resistors and capacitors [from memory]'
    """
    return str(SOURCES[key])


@cache
def _read() -> dict[str, Source]:
    try:
        entries = tomllib.loads(data_file("handbook", "sources.toml").read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"cannot be read: {error}", where=_WHERE, fix="Fix the line it names") from error
    return {key: _source(key, entry) for key, entry in entries.items()}


def _source(key: str, entry: object) -> Source:
    fix = f'Write text = "…" and status = one of {", ".join(STATUSES)}'
    if not isinstance(entry, dict) or set(entry) != {"text", "status"}:
        raise TableError("needs text and status only", where=_WHERE, part=key, fix=fix)
    text, status = entry["text"], entry["status"]
    if not isinstance(text, str) or not text.strip() or status not in STATUSES:
        raise TableError("has an empty text or an unknown status", where=_WHERE, part=key, fix=fix)
    return Source(key, text, status)
