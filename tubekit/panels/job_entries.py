"""What is entered into a job by hand: one form for every kind of entry, and boxes that wait for Enter."""

from __future__ import annotations

import html
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.errors import InputError, TubekitError
from tubekit.jobs import actions
from tubekit.jobs.job import KEEP, NEW, Job
from tubekit.jobs.visits import hand_back
from tubekit.jobs.words import rows_typed
from tubekit.panels import layout
from tubekit.panels.background import Debouncer
from tubekit.panels.layout import GROWN

LATE_S, LOST_S = 0.3, 2.0
"""A box that is unchanged since it was left sends no new text with Enter; so long is waited for one, and so
long for a text that is late.
"""
PHOTOS, LISTS = (".jpg", ".jpeg", ".png", ".heic", ".webp"), (".csv", ".toml")
USUAL = ("lamp in the line", "dummy load on the output", "jumper", "lead lifted")


@dataclass(frozen=True)
class Typed:
    """What is in the form: PART=VALUE or PLACE=VALUE lines, a file, words; hours and who enters it."""

    folder: Path
    lines: tuple[str, ...]
    file: str
    text: str
    more: Mapping[str, Any]

    @property
    def changes(self) -> dict[str, object]:
        """Lines with a value."""
        return {part: value for part, is_set, value in self._parted if is_set}

    @property
    def parts(self) -> list[str]:
        """Lines without one."""
        return [part for part, is_set, _ in self._parted if not is_set]

    @property
    def noted(self) -> dict[str, Any]:
        """Hours and name, with the words as a note."""
        return {**self.more, "text": self.text}

    @property
    def _parted(self) -> list[tuple[str, str, str]]:
        return [line.partition("=") for line in self.lines]


@dataclass(frozen=True)
class Kind:
    """A kind of entry: its words, the boxes it needs ('' where it has no use for one), what enters it."""

    label: str
    enter: Callable[[Typed], Any]
    what: str = ""
    value: str = ""
    file: tuple[str, ...] = ()
    text: str = "note"
    names: Callable[[Job], Sequence[str]] = lambda _: ()
    values: tuple[str, ...] = ()


def _places(job: Job) -> list[str]:
    amp = job.amp
    return ["line", *amp.nodes, *amp.parts]


def _parts(job: Job) -> list[str]:
    return list(job.amp.parts)


def _waiting(job: Job) -> list[str]:
    return list(job.decided("to buy", "in stock"))


def _numbers(job: Job) -> list[str]:
    return [str(each.number) for each in job.entries[:0:-1]]


def _number(word: str) -> int:
    return int(word) if word.isdigit() else 0


KINDS: Mapping[str, Kind] = {
    "read": Kind("read: readings", lambda t: actions.read(t.folder, t.lines, file=t.file, **t.noted),
                 "place", "reads", LISTS, names=_places),
    "found": Kind("found: differs from its schematic",
                  lambda t: actions.found_so(t.folder, t.changes, file=t.file, **t.noted),
                  "part", "is", LISTS, names=_parts),
    "decide": Kind("decide: what to do with a part",
                   lambda t: actions.decide(t.folder, t.changes, t.text, **t.more),
                   "part", "becomes", text="reason", names=_parts, values=(NEW, KEEP)),
    "have": Kind("have: part is here", lambda t: actions.have(t.folder, t.parts, **t.noted),
                 "part", names=_waiting),
    "fit": Kind("fit: part is installed", lambda t: actions.fit(t.folder, t.parts, t.changes, **t.noted),
                "part", "value", names=lambda job: [*dict.fromkeys((*_waiting(job), *_parts(job)))]),
    "temp": Kind("temp: temporary item put in",
                 lambda t: actions.put_on(t.folder, " ".join((*t.lines, t.text)).strip(), **t.more),
                 "item", text="more", names=lambda _: USUAL),
    "note": Kind("note", lambda t: actions.note(t.folder, t.text, **t.more)),
    "photo": Kind("photo", lambda t: actions.photo(t.folder, t.file, t.text, **t.more),
                  file=PHOTOS, text="shows"),
    "correct": Kind("correct: withdraw an entry",
                    lambda t: actions.correct(t.folder, _number("".join(t.lines)), t.text, **t.more),
                    "entry", text="reason", names=_numbers),
    "hand-back": Kind("hand-back: close the job",
                      lambda t: hand_back(t.folder, t.text, by=t.more.get("by", ""))),
    "hand-back-open": Kind("hand-back with work left open",
                           lambda t: hand_back(t.folder, by=t.more.get("by", ""), reason=t.text),
                           text="reason"),
}  # fmt: skip
"""By the verb of the command `job`, which calls the same functions."""


class EnterBox(widgets.Text):
    """A box that gives its text away when Enter is pressed in it, not when it is left.

    The browser says that Enter was pressed, then sends the text; where the text is what it was when the box
    was left, it sends none.
    """

    value: str

    def __init__(self, take: Callable[[str], object], **options: Any) -> None:
        super().__init__(continuous_update=False, **options)
        self._take, self._entered_s, self._soon = take, 0.0, Debouncer(LATE_S)
        self.on_msg(lambda _, content, __: self._pressed(content))
        self.observe(lambda _: self._changed(), "value")

    def give(self) -> None:
        """Give the text away, empty the box."""
        self._soon.forget()
        text, self.value = self.value.strip(), ""
        if text:
            self._entered_s = 0.0
            self._take(text)

    def _pressed(self, content: Any) -> None:
        if content.get("event") == "submit":
            self._entered_s = time.monotonic()
            self._soon(self.give)

    def _changed(self) -> None:
        if self.value and time.monotonic() - self._entered_s < LOST_S:
            self.give()


class EntryForm(layout.Field):
    """Kind, part and value line by line, words, hours; `enter` puts the lot into the job as one entry."""

    def __init__(self, on_enter: Callable[[], object]) -> None:
        text = partial(layout.described, room=GROWN)
        self.kind = text(widgets.Dropdown, "entry", "What to enter",
                         options=[(each.label, key) for key, each in KINDS.items()])  # fmt: skip
        self.what = text(widgets.Combobox, "part", "Part, place or item; choose or type")
        self.value = text(
            widgets.Combobox, "value", "Value as on the meter or the part: 18.2, 34 mA, 330, new"
        )
        self.file = text(widgets.Combobox, "file", "A file in this folder or in that of the job")
        self.text = text(widgets.Text, "note", "In your own words")
        self.hours = text(widgets.Text, "hours", "Hours spent on this, like 0.5")
        self.boxes = (self.what, self.value, self.file, self.text, self.hours)
        self.hours.add_class("tubekit-decimal")
        self.lines: tuple[str, ...] = ()
        self.listed = widgets.HTML(layout=widgets.Layout(**GROWN))
        self.more = layout.button("Add to the list", "One more line for the same entry", self.add)
        self.less = layout.button("Take off the list", "Take the last line off the list", self.drop)
        self.enter = layout.button("Enter", "Put this into the job", on_enter,
                                   flex="1 1 120px", css="tubekit-ask")  # fmt: skip
        rows = ((self.what, self.value), (self.more, self.less, self.listed), (self.file,), (self.text,),
                (self.hours, self.enter))  # fmt: skip
        self.rows = [layout.row(*each) for each in rows]
        super().__init__(self.kind, *self.rows)
        self.listen(self.kind, lambda _: self._suit())
        self._job: Job | None = None

    def add(self) -> None:
        """Put part and value on the list; what is on it already gets the new value."""
        what, value = self.what.value.strip(), self.value.value.strip()
        if what:
            line = f"{what}={value}" if value else what
            kept = [each for each in self.lines if not value or not self._same(each, line)]
            self._list((*kept, line))
            self.what.value = self.value.value = ""

    def drop(self) -> None:
        """Take the last line off."""
        self._list(self.lines[:-1])

    def entered(self, folder: Path, by: str) -> Any:
        """The entry made of all of it; what is still in the boxes belongs to the list.

        Raises
        ------
        TubekitError : it cannot be; everything stays in the form.
        """
        self.add()
        more: dict[str, Any] = {"by": by}
        if hours := self.hours.value.strip():
            try:
                more["hours"] = float(hours.replace(",", "."))
            except ValueError:
                raise InputError(f"'{hours}' is not a number of hours", fix="Write it like 0.5") from None
        file = self.file.value.strip()
        path = self._path(file, folder) if file else ""
        kind = KINDS[self.kind.value]
        result = kind.enter(Typed(folder, self.lines, path, self.text.value.strip(), more))
        self.clear()
        return result

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to enter."""
        return not self.lines and not any(each.value for each in self.boxes)

    def clear(self) -> None:
        """Nothing more to enter."""
        self._list(())
        for each in self.boxes:
            each.value = ""

    def offer(self, job: Job) -> None:
        """Names of another job, or of the same after an entry."""
        self._job = job
        self._suit()

    def _same(self, one: str, other: str) -> bool:
        """Whether two lines are about the same: a place has a voltage, a ripple and a current."""
        about = {self._quantity(line) for line in (one, other)} - {""}
        return one.partition("=")[0] == other.partition("=")[0] and len(about) < 2

    def _quantity(self, line: str) -> str:
        """What a line is a reading of; '' where it is none."""
        if KINDS[self.kind.value].what == "place" and self._job is not None:
            with suppress(TubekitError):
                return rows_typed([line], self._job.amp)[0]["quantity"]
        return ""

    def _list(self, lines: tuple[str, ...]) -> None:
        self.lines = lines
        self.listed.value = html.escape(", ".join(lines))

    def _suit(self) -> None:
        """Boxes and names of the kind that is chosen."""
        kind = KINDS[self.kind.value]
        boxes = {self.what: kind.what, self.value: kind.value, self.file: "file" if kind.file else "",
                 self.text: kind.text}  # fmt: skip
        for box, words in boxes.items():
            box.description, box.layout.display = words, "" if words else "none"
        listing = kind.what in ("part", "place")
        for row, seen in zip(self.rows, (kind.what, listing, kind.file), strict=False):
            row.layout.display = "" if seen else "none"
        if self._job is not None:
            self.what.options, self.value.options = tuple(kind.names(self._job)), kind.values
            if kind.file:
                self.file.options = tuple(each.name for each in self._files(kind.file, self._job.folder))

    def _files(self, suffixes: Sequence[str], folder: Path) -> list[Path]:
        homes = (
            Path.cwd(),
            folder,
            folder / "enclosed",
            *(Path.cwd() / name for name in ("readings", "photos")),
        )
        return [path for home in homes if home.is_dir() for path in sorted(home.iterdir())
                if path.suffix.lower() in suffixes and path.name != "job.toml"]  # fmt: skip

    def _path(self, name: str, folder: Path) -> str:
        """The file of a name from the list; anything else as it was typed."""
        found = self._files(KINDS[self.kind.value].file, folder)
        return str(next((path for path in found if path.name == name), name))
