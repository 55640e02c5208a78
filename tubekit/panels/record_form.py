"""What a person says in a record: decision, reason, name; which readings; which paper; what file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.bench.readings import load_readings
from tubekit.decisions.reading import Readings
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.bench_sheet import WORDS, amp_named, list_options
from tubekit.record import PAPERS, SHEETS

NONE = ""
LONGEST = 120
BUSY = '<p role="status">Calculating and printing; this takes a few seconds …</p>'
TICKED = {
    "up": "first power-up",
    "lamp": "light-bulb limiter",
    "drive": "current under drive",
    "trace": "signal trace",
}
"""Procedures that can be taken along, in few words. The hum balance, which few amps have, is left to the
command."""
FIELDS = {
    "title": ("title", "Title of the record; leave empty for the amp's name and 'decision record'"),
    "decided": ("decided", "What will be done, in one sentence; leave empty for a blank line on paper"),
    "why": ("why", "Why, in as many lines as you need"),
    "by": ("by", "Who decided this"),
    "date": ("date", "Date; leave empty for today"),
    "name": ("file", "File name in the notebook's folder; a number is added if the name is taken"),
}


class RecordForm(widgets.VBox):
    """Fields, the two buttons, and the line that says what was written.

    Parameters
    ----------
    changed : told that a word or the readings are others.
    look, write : what the buttons do.
    """

    def __init__(
        self, changed: Callable[[], None], look: Callable[[], Any], write: Callable[[], Any]
    ) -> None:
        self._changed, self._quiet = changed, False
        tip = "Choose a list of readings to include"
        self.readings = layout.described(widgets.Dropdown, "readings", tip)
        self.fields = {
            key: layout.entry(*words, widgets.Textarea if key == "why" else widgets.Text)
            for key, words in FIELDS.items()
        }
        papers = list(PAPERS)
        self.paper = layout.described(widgets.Dropdown, "paper", "Choose the paper size", options=papers)
        self.sheets = {
            name: layout.tick(words, f"Include a bench sheet: {SHEETS[name][0]}")
            for name, words in TICKED.items()
        }
        ticks = widgets.GridBox(
            list(self.sheets.values()), layout={"grid_template_columns": "1fr 1fr", "width": "auto"}
        )
        wide = "1 1 130px"
        self.look = layout.button(
            "Preview", "Calculate everything and show the page; nothing is saved", look, flex=wide
        )
        tip = "Save the page and a PDF in the notebook's folder; no file is overwritten"
        self.write = layout.button("Save record", tip, write, flex=wide)
        self.write.add_class("tubekit-ask")
        self.said = widgets.HTML(layout=widgets.Layout(width="100%"))
        self.said.add_class("tubekit-copied")
        self.complaint = layout.Complaint()
        buttons = widgets.HBox([self.write, self.look], layout=widgets.Layout(flex_flow="row wrap"))
        fields = list(self.fields.values())
        super().__init__(
            [layout.rule("The record"), self.readings, self.complaint, *fields[:-1], self.paper, fields[-1],
             widgets.HTML("Procedures to include:"), ticks, buttons, self.said]
        )  # fmt: skip
        self.add_class("tubekit-record-form")
        for each in (self.readings, self.paper, *fields, *self.sheets.values()):
            each.observe(lambda _: self._told(), "value")

    def words(self) -> dict[str, Any]:
        """Title, decided, why, by, date and paper, as `record` takes them."""
        found = {key: field.value.strip() for key, field in self.fields.items() if key != "name"}
        return {**found, "paper": self.paper.value}

    @property
    def sheets_chosen(self) -> tuple[str, ...]:
        """Keys of the procedures that are taken along."""
        return tuple(name for name, tick in self.sheets.items() if tick.value)

    def set(self, **words: Any) -> None:
        """Set several fields at once: those of `words`, 'name', 'readings' (a path), a sheet (True or False).

        Raises
        ------
        KeyError : there is no such field.
        """
        places = {**self.fields, **self.sheets, "paper": self.paper, "readings": self.readings}
        targets = [(places[key], value) for key, value in words.items()]
        self._quiet = True
        try:
            for place, value in targets:
                if place is self.readings and value not in [path for _, path in place.options]:
                    place.options = [*place.options, (Path(value).stem, value)]
                place.value = value
        finally:
            self._quiet = False
        self._told()

    def clear(self) -> None:
        """All fields as they came."""
        ticks = dict.fromkeys(self.sheets, False)
        self.set(**dict.fromkeys(FIELDS, ""), **ticks, paper=next(iter(PAPERS)), readings=NONE)

    def offer(self, amp: Amp) -> None:
        """The lists of readings of an amp, and those that do not say whose they are."""
        self.fields["title"].placeholder = f"{amp.title}: decision record"
        self.fields["name"].placeholder = f"{amp.name}-record"
        found = [(words, path) for words, path in list_options() if path not in WORDS]
        mine = [(words, path) for words, path in found if amp_named(path) in ("", amp.name)]
        chosen = self.readings.value or NONE
        if chosen and chosen not in [path for _, path in found] and amp_named(chosen) in ("", amp.name):
            mine.append((Path(chosen).stem, chosen))
        options = (("none", NONE), *mine)
        if options == self.readings.options:
            return
        self._quiet = True
        self.readings.options = options
        self.readings.value = chosen if chosen in [path for _, path in options] else NONE
        self._quiet = False

    def readings_on(self, amp: Amp) -> Readings | None:
        """The readings that are chosen, read; None where none are.

        Raises
        ------
        ReadingError : the list cannot be read for this amp.
        """
        return load_readings(self.readings.value, amp) if self.readings.value else None

    def complain(self, words: str) -> None:
        """Say below the list of readings what is wrong with it; '' takes it away."""
        self.complaint.say(words)

    def refuse(self, error: TubekitError) -> None:
        """Say below the buttons why nothing was written."""
        self.said.value = layout.complaint_html(str(error))

    def _told(self) -> None:
        if not self._quiet:
            self._changed()


def file_stem(words: str, usual: str) -> str:
    """A name for files out of what was typed: no folder, no ending, no blanks.

    Examples
    --------
    >>> file_stem("Überholung von Jörg.pdf", "x"), file_stem("../R14 = 330", "x"), file_stem(" ", "x")
    ('Überholung-von-Jörg', 'R14-330', 'x')
    """
    plain = re.sub(r"\.(html?|pdf)$", "", words.strip(), flags=re.IGNORECASE)
    return re.sub(r"[^\w.]+", "-", plain).strip("-.")[:LONGEST] or usual
