"""Which amp: the demo amps, and the amp files in the folder the notebook runs in."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

from tubekit.amp import Amp, demo_names
from tubekit.amp.read import read_sheet
from tubekit.errors import TubekitError


def amp_options(folder: Path | None = None) -> list[tuple[str, str]]:
    """(words, name or path) of every amp that can be chosen.

    Examples
    --------
    >>> [words for words, name in amp_options() if name == "teasel"]
    ['Ottermere Teasel  (demo)']
    """
    found = [(f"{title}  (demo)", name) for name in demo_names() if (title := _title(name))]
    return found + list(_files(folder or Path.cwd()))


def options_with(amp: Amp) -> list[tuple[str, str | Amp]]:
    """The same with `amp` itself, where it is none of them, in front."""
    options: list[tuple[str, str | Amp]] = list(amp_options())
    for place, (words, name) in enumerate(options):
        if name == amp.name and not amp.changes:
            options[place] = (words, amp)
            return options
    return [(amp.title, amp), *options]


def _files(folder: Path) -> Iterator[tuple[str, str]]:
    for path in sorted(folder.glob("*.toml")):
        try:
            tables = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):  # not an amp file, or not one that can be read
            continue
        if isinstance(tables.get("amp"), dict):
            yield f"{tables['amp'].get('title', path.stem)}  ({path.name})", str(path)


def _title(name: str) -> str:
    """Title of a demo amp ('' where its file is damaged: it is then not offered)."""
    try:
        return str(read_sheet(name).tables["amp"]["title"])
    except (TubekitError, KeyError):
        return ""
