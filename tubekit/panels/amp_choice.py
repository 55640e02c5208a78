"""Which amp: the demo amps, and the amp files in the folder the notebook runs in."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, ClassVar
from weakref import WeakSet

import ipywidgets as widgets

from tubekit.amp import Amp, demo_names, load_amp
from tubekit.amp.parts_list import SUFFIXES
from tubekit.amp.read import read_sheet, read_tables
from tubekit.errors import Note, TubekitError
from tubekit.panels import layout
from tubekit.panels.layout import FULL, GROWN
from tubekit.panels.settings import Setting
from tubekit.text import danger_html

Choice = str | Amp
"""A demo name, the path of an amp file, or an amp without a file."""


class AmpSetting(Setting):
    """A list of amps with a button that looks for amp files again; dangers above, complaints below.

    Where an observer raises a TubekitError the choice is refused: that is said below the list, and the
    choice before is back.
    """

    all: ClassVar[WeakSet[AmpSetting]] = WeakSet()

    def __init__(self, amp: Choice, key: str = "amp") -> None:
        self._first = amp
        tip = "Choose an amp; your own files in this folder are at the bottom"
        self.choice = layout.described(widgets.Dropdown, "amp", tip, room=GROWN)
        tip = "Look again for amp files and reload edited ones"
        self.again = layout.button("↻", tip, self._look, css="tubekit-step")
        self.danger = widgets.HTML(layout=widgets.Layout(width="auto", display="none"))
        super().__init__(key, [self.danger, widgets.HBox([self.choice, self.again], layout=FULL)], "amp")
        self._idle: tuple[Note, ...] = ()
        self.put(amp)
        self.look_again()
        self.choice.observe(lambda change: self._chosen(change["new"]), "value")
        AmpSetting.all.add(self)

    def put(self, value: Choice) -> None:
        """Show another choice without telling anyone."""
        if self.value is None or self.value != value:
            super().put(value)

    def place(self, value: Choice) -> None:
        """Another choice in the list."""
        self._read = _edited(value)
        if value not in [option for _, option in self.choice.options]:
            self.choice.options = [(words_for(value), value), *self.choice.options]
        self.choice.value = value
        self.warn(value)

    def words(self, value: Choice) -> str:
        """Its title, or its file."""
        return words_for(value)

    def look_again(self) -> None:
        """List what is there now; what is chosen stays chosen."""
        options = options_with(self._first)
        if self.value not in [value for _, value in options]:
            options = [(words_for(self.value), self.value), *options]
        with self.quietly():
            if tuple(options) != self.choice.options:
                self.choice.options = options
            self.choice.value = self.value

    @classmethod
    def look_again_all(cls) -> None:
        """An amp file was written: every list shows it."""
        for each in tuple(cls.all):
            each.look_again()

    def warn(self, amp: Choice, solved: tuple[Note, ...] | None = None) -> None:
        """Say above the list what can kill or burn on this amp (on trial, where changes are).

        Dangers that were `solved` are in the answer; while a control moves they stay as they were.
        """
        one = amp if isinstance(amp, Amp) else load_amp(amp)
        self._idle = self._idle if solved is None else solved
        said = danger_html((*self._idle, *one.dangers))
        if self.danger.value != said:
            self.danger.value, self.danger.layout.display = said, "" if said else "none"

    def _look(self) -> None:
        self.look_again()
        if _edited(self.value) != self._read:
            self._chosen(self.value)

    def _chosen(self, amp: Choice) -> None:
        if self._quiet:
            return
        was = self.value
        self.complain("")
        with self.quietly():
            self.value = None  # an edited file has its old name: it is told all the same
        try:
            self.move(amp)
        except TubekitError as error:
            self.put(was)
            self.complain(str(error))
        else:
            self._read = _edited(amp)
            self.warn(amp)


def amp_options(folder: Path | None = None) -> list[tuple[str, str]]:
    """(words, name or path) of every amp that can be chosen.

    Examples
    --------
    >>> [words for words, name in amp_options() if name == "teasel"]
    ['Ottermere Teasel  (demo)']
    """
    found = [(f"{title}  (demo)", name) for name in demo_names() if (title := _title(name))]
    return found + list(_files(folder or Path.cwd()))


def options_with(amp: Choice) -> list[tuple[str, Choice]]:
    """The same with `amp` itself, where it is none of them, in front."""
    options: list[tuple[str, Any]] = list(amp_options())
    if not isinstance(amp, Amp):
        return options if amp in [value for _, value in options] else [(words_for(amp), amp), *options]
    for place, (words, name) in enumerate(options):
        if name == amp.name and not amp.changes:
            options[place] = (words, amp)
            return options
    return [(words_for(amp), amp), *options]


def words_for(amp: Choice) -> str:
    """What a choice is called that is not in the list: title and changes of an amp, else the file.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> words_for(load_amp("teasel").changed({"R14": "330"})), words_for("amps/mine.toml")
    ('Ottermere Teasel, R14 330 Ω', 'mine.toml')
    """
    if not isinstance(amp, Amp):
        return Path(amp).name
    return ", ".join([amp.title, *(f"{key} {now}" for key, (_, now) in amp.changes.items())])


def drawn(name: str | Amp) -> Amp:
    """An amp as drawn: a demo amp, one from a file, or one that is there already.

    Raises
    ------
    AmpFileError : the file cannot be read.
    """
    if isinstance(name, Amp):
        return name
    return _loaded(name, _edited(name))


@cache
def _loaded(name: str, edited: float) -> Amp:  # noqa: ARG001 - a file that was edited is another amp
    return load_amp(name)


def _edited(amp: Choice) -> float:
    """When the file of a choice was last written; 0 where it has none."""
    try:
        return 0.0 if isinstance(amp, Amp) or amp in demo_names() else Path(amp).stat().st_mtime
    except OSError:
        return 0.0


def _files(folder: Path) -> Iterator[tuple[str, str]]:
    for path in sorted(one for one in folder.glob("*") if one.suffix.lower() in SUFFIXES):
        try:
            tables = read_tables(path)
        except TubekitError:  # not an amp file, or not one that can be read
            continue
        if isinstance(tables.get("amp"), dict):
            yield f"{tables['amp'].get('title', path.stem)}  ({path.name})", str(path)


def _title(name: str) -> str:
    """Title of a demo amp ('' where its file is damaged: it is then not offered)."""
    try:
        return str(read_sheet(name).tables["amp"]["title"])
    except (TubekitError, KeyError):
        return ""
