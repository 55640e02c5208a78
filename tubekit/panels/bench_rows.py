"""The table of readings: a line for each, a value to type, a word for the verdict; one line opens."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import ipywidgets as widgets

from tubekit.decisions.judge import METER
from tubekit.decisions.probe import QUANTITIES
from tubekit.panels import layout
from tubekit.panels.bench_sheet import Row, Sheet
from tubekit.panels.settings import FULL

MOST_LINES = 40
"""More rows than this stay in the list and are judged, but are not shown for editing."""
QUANTITY_WORDS = tuple(q.words for q in QUANTITIES.values())
Tell = Callable[[int, str, str], None]
SHORT = {
    "DC volts": "", "AC volts": "AC", "ripple rms": "ripple", "resistance": "ohms", "capacitance": "farads",
}  # fmt: skip
MARKS = {
    "out of range": "✗ OUT OF RANGE", "on the high "
                                      "side": "▲ high", "on the low side": "▼ low", "fine": "✓ fine",
    METER: "✓ within meter error",
}  # fmt: skip


class Line(layout.Field):
    """One row: its place as a button, the value to type, the verdict; complaints below."""

    def __init__(self, place: int, on_value: Tell, on_open: Callable[[int], None]) -> None:
        self.place = place
        self.button = layout.button("", "", lambda: on_open(place), flex="1 1 0", min_width="0")
        self.button.add_class("tubekit-reading")
        self.entry = widgets.Text(
            continuous_update=False, placeholder="…", layout={"width": "92px", "flex": "0 0 92px"}
        )
        self.word = widgets.HTML(layout={"width": "84px", "flex": "0 0 84px"})
        self.word.add_class("tubekit-verdict")
        row = widgets.HBox([self.button, self.entry, self.word], layout=FULL)
        row.add_class("tubekit-line")
        super().__init__(row)
        self.listen(self.entry, lambda value: on_value(place, "value", value.strip()))

    def put(self, row: Row, is_open: bool) -> None:
        """The row as it stands."""
        short = SHORT.get(row.quantity, row.quantity)
        words = f"{row.place or 'point?'}  {short}".strip()
        self.button.description = words
        self.button.tooltip = f"{row.quantity} at {row.place or '…'}: edit point, meter or note"
        self.button.button_style = ""
        (self.button.add_class if is_open else self.button.remove_class)("tubekit-open")
        with self.quietly():
            self.entry.value = row.value
        self.entry.tooltip = f"{row.quantity} at {row.place or '…'}, as shown on the meter"

    def say(self, word: str, complaint: str, note: str) -> None:
        """Verdict, complaint and question."""
        self.word.value = html.escape(MARKS.get(word, word))
        (self.word.add_class if word == "out of range" else self.word.remove_class)("tubekit-wrong")
        said = layout.complaint_html(complaint) + layout.complaint_html(note)
        if self.complaint.value != said:
            self.complaint.value = said
            self.complaint.layout.display = "" if said else "none"


class Details(layout.Field):
    """What a row has beside its value: place, quantity, the meter if another was used, a note."""

    def __init__(
        self, on_field: Tell, on_remove: Callable[[int], None], on_close: Callable[[], None]
    ) -> None:
        self.place, self._tell = -1, on_field
        style = {"description_width": "70px"}
        self.where = widgets.Combobox(
            description="place", placeholder="type to search: p1a, V3 …", ensure_option=False,
            continuous_update=False, style=style, layout=FULL, tooltip="Choose the test point",
        )  # fmt: skip
        self.quantity = widgets.Dropdown(
            options=QUANTITY_WORDS,
            description="quantity",
            style=style,
            layout=FULL,
            tooltip="Choose what you measured",
        )
        texts = {
            "accuracy": ("within", "same as above", "Meter accuracy for this reading, e.g. 2 %"),
            "input_resistance": ("meter R", "same as above", "Meter input resistance, e.g. 200k"),
            "note": ("note", "your note", "A note"),
        }
        self.texts = {
            key: widgets.Text(
                description=words, placeholder=hint, continuous_update=False, style=style, layout=FULL,
                tooltip=tip,
            )
            for key, (words, hint, tip) in texts.items()
        }  # fmt: skip
        self.remove = layout.button(
            "Remove", "Remove this reading", lambda: on_remove(self.place), flex="1 1 90px"
        )
        self.done = layout.button("Close", "Close the details of this reading", on_close, flex="1 1 90px")
        buttons = widgets.HBox([self.remove, self.done], layout=FULL)
        super().__init__(self.where, self.quantity, *self.texts.values(), buttons)
        self.add_class("tubekit-details")
        for key, field in {"place": self.where, "quantity": self.quantity, **self.texts}.items():
            self.listen(field, partial(self._typed, key))

    def _typed(self, field: str, value: str) -> None:
        if self.place >= 0:
            self._tell(self.place, field, value.strip())

    def put(self, place: int, row: Row) -> None:
        """The fields of a row."""
        self.place = place
        with self.quietly():
            self.where.value = row.place
            if row.quantity not in self.quantity.options:
                self.quantity.options = (*QUANTITY_WORDS, row.quantity)
            self.quantity.value = row.quantity
            for key, text in self.texts.items():
                text.value = getattr(row, key)


class Lines(widgets.VBox):
    """All rows, one of them open."""

    def __init__(
        self, on_field: Tell, on_open: Callable[[int], None], on_remove: Callable[[int], None],
        on_close: Callable[[], None],
    ) -> None:  # fmt: skip
        self._on_field, self._on_open = on_field, on_open
        self._pool: list[Line] = []
        self._stands: tuple[int, int] = (-1, -1)
        self.details = Details(on_field, on_remove, on_close)
        self.more = widgets.HTML(layout=FULL)
        super().__init__([], layout=FULL)

    @property
    def lines(self) -> tuple[Line, ...]:
        """Those that are seen."""
        return tuple(self._pool[: self._stands[0]])

    def put(self, sheet: Sheet, opened: int) -> None:
        """The rows of a list; lines are kept and reused."""
        count = min(len(sheet.rows), MOST_LINES)
        while len(self._pool) < count:
            self._pool.append(Line(len(self._pool), self._on_field, self._on_open))
        opened = opened if 0 <= opened < count else -1
        for k, line in enumerate(self._pool[:count]):
            line.put(sheet.rows[k], k == opened)
        if opened >= 0:
            self.details.put(opened, sheet.rows[opened])
        left = len(sheet.rows) - count
        self.more.value = (
            f"<p>The list has {left} more rows. They are checked, but not shown here.</p>" if left else ""
        )
        if (count, opened) != self._stands:
            self._stands = count, opened
            boxes: list[Any] = list(self._pool[:count])
            if opened >= 0:
                boxes.insert(opened + 1, self.details)
            self.children = [*boxes, self.more]

    def say(self, words: Mapping[int, str], complaints: Mapping[Any, str], notes: Mapping[int, str]) -> None:
        """Verdicts, complaints and questions, each beside its row."""
        for k, line in enumerate(self.lines):
            line.say(words.get(k, ""), complaints.get(k, ""), notes.get(k, ""))

    def gray(self, is_gray: bool) -> None:
        """The verdicts belong to an earlier state of the list."""
        for line in self.lines:
            (line.word.add_class if is_gray else line.word.remove_class)("tubekit-gray")
