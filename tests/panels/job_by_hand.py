"""A list of `job` commands done on the job panel: which boxes are filled, which buttons pressed."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Protocol

import ipywidgets as widgets

from tubekit.jobs import open_job
from tubekit.jobs.steps import TITLES
from tubekit.panels.job_entries import KINDS, EnterBox
from tubekit.panels.job_panel import AS_ORDERED, JobPanel

LISTED = ("read", "found", "decide", "have", "fit")
OPTIONS = ("by", "owner", "complaint", "note", "hours")


class Hand(Protocol):
    """What can be done to a panel by somebody who reads its labels; each waits until it has happened."""

    def choose(self, label: str, words: str) -> None:
        """Choose what begins with these words from a list."""

    def fill(self, label: str, text: str) -> None:
        """Replace the text in a box."""

    def press(self, words: str) -> None:
        """Press the button that ends in these words."""

    def read(self, text: str) -> None:
        """Type into the number box of a step, then Enter."""


def do(hand: Hand, line: str, folder: str, amp: str) -> None:
    """One command, on a job in `folder` of the amp that is listed as `amp`."""
    verb, *words = shlex.split(line)
    options = {key: words.pop(words.index(f"--{key}") + 1) for key in OPTIONS if f"--{key}" in words}
    words = [word for word in words if not word.startswith("--")]
    if verb == "new":
        hand.choose("job", "begin a new job")
        hand.press("↻")
        hand.choose("amp", amp)
        options["folder"] = folder
    by = options.pop("by", "")
    hand.fill("by", by)
    if verb == "next":
        _steps(hand, words)
    elif verb in KINDS:
        _entry(hand, verb, words, options)
    else:
        for label, text in options.items():
            hand.fill(label, text)
        buttons = {
            "new": "Begin the job",
            "off": ": it is off",
            "order": "What to buy",
            "owner": "Print pages",
        }
        hand.press(buttons[verb])


def _steps(hand: Hand, values: Sequence[str]) -> None:
    titles = dict(TITLES)
    sheet = [value for value in values if value in titles]
    hand.choose("sheet", titles[sheet[0]] if sheet else AS_ORDERED[0])
    hand.press("Next step")
    for value in values:
        if value == "ok":
            hand.press("OK, as it should be")
        elif value not in sheet:
            hand.read(value)


def _entry(hand: Hand, verb: str, words: Sequence[str], options: dict[str, str]) -> None:
    kind = KINDS[verb]
    hand.choose("entry", kind.label)
    for word in words:
        part, _, value = word.partition("=")
        if word.startswith("enclosed/"):
            hand.fill("file", word)
        elif verb in LISTED and " " not in word:
            hand.fill(kind.what, part)
            if kind.value:
                hand.fill(kind.value, value)
            hand.press("Add to the list")
        else:
            hand.fill(kind.text, word)
    for label, text in options.items():
        hand.fill(label, text)
    hand.press("Enter")


class WidgetHand:
    """A hand on a panel without a browser."""

    def __init__(self, panel: JobPanel) -> None:
        self.panel = panel

    def choose(self, label: str, words: str) -> None:
        """See Hand."""
        box = self._labelled(label)
        box.index = next(k for k, each in enumerate(box._options_labels) if each.startswith(words))

    def fill(self, label: str, text: str) -> None:
        """See Hand."""
        self._labelled(label).value = text

    def press(self, words: str) -> None:
        """See Hand."""
        buttons = [each for each in self._seen() if isinstance(each, widgets.Button)]
        next(each for each in buttons if each.description.endswith(words)).click()

    def read(self, text: str) -> None:
        """See Hand."""
        box = next(each for each in self._seen() if isinstance(each, EnterBox))
        box._pressed({"event": "submit"})
        box.value = text

    def _labelled(self, label: str) -> Any:
        return next(each for each in self._seen() if getattr(each, "description", None) == label)

    def _seen(self) -> Iterator[widgets.Widget]:
        waiting: list[Any] = [self.panel]
        while waiting:
            each = waiting.pop(0)
            if each.layout.display != "none":
                yield each
                waiting = [*getattr(each, "children", ()), *waiting]


CALCULATED = {
    "sheet": ("before", "steps", "note", "title"), "step": ("text", "likely", "then"), "fit": ("parts",),
}  # fmt: skip
"""What the amp's calculation and the words of the day say in an entry, by its kind."""


def entered(folder: Path) -> list[tuple[str, str, dict[str, Any]]]:
    """Kind, name and all that a job's entries say but dates and what is calculated."""
    return [
        (each.kind, each.by, {k: v for k, v in each.says.items() if k not in CALCULATED.get(each.kind, ())})
        for each in open_job(folder).journal.entries
    ]
