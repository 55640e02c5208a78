"""The table of readings: a line for each, a value to type, a word for the verdict; one line opens."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import ipywidgets as widgets

from tubekit.decisions.judge import METER
from tubekit.decisions.probe import QUANTITIES
from tubekit.panels.bench_sheet import Row, Sheet

MOST_LINES = 40
"""More rows than this stay in the list and are judged, but are not shown for editing."""
QUANTITY_WORDS = tuple(q.words for q in QUANTITIES.values())
AUTO = {"width": "auto"}
Tell = Callable[[int, str, str], None]
SHORT = {
    "DC volts": "", "AC volts": "AC", "ripple rms": "ripple", "resistance": "ohms", "capacitance": "farads",
}  # fmt: skip
MARKS = {
    "wrong": "✗ OUT OF RANGE", "on the high side": "▲ high", "on the low side": "▼ low", "fine": "✓ fine",
    METER: "✓ within meter error",
}  # fmt: skip


class Line:
    """One row: its place as a button, the value to type, the verdict; complaints below."""

    def __init__(self, place: int, on_value: Tell, on_open: Callable[[int], None]) -> None:
        self.place, self._quiet = place, False
        self.button = widgets.Button(layout={"flex": "1 1 0", "min_width": "0", "width": "auto"})
        self.button.add_class("tubekit-reading")
        self.entry = widgets.Text(
            continuous_update=False, placeholder="…", layout={"width": "92px", "flex": "0 0 92px"}
        )
        self.word = widgets.HTML(layout={"width": "84px", "flex": "0 0 84px"})
        self.word.add_class("tubekit-verdict")
        self.complaint = widgets.HTML(layout={"width": "auto", "display": "none"})
        row = widgets.HBox([self.button, self.entry, self.word], layout=AUTO)
        row.add_class("tubekit-line")
        self.box = widgets.VBox([row, self.complaint], layout=AUTO)
        self.button.on_click(lambda _: on_open(self.place))
        self.entry.observe(lambda change: self._typed(change["new"], on_value), "value")

    def _typed(self, value: str, on_value: Tell) -> None:
        if not self._quiet:
            on_value(self.place, "value", value.strip())

    def put(self, row: Row, is_open: bool) -> None:
        """The row as it stands."""
        self._quiet = True
        short = SHORT.get(row.quantity, row.quantity)
        words = f"{row.place or 'point?'}  {short}".strip()
        self.button.description = words
        self.button.tooltip = f"{row.quantity} at {row.place or '…'}: edit point, meter or note"
        self.button.button_style = ""
        (self.button.add_class if is_open else self.button.remove_class)("tubekit-open")
        self.entry.value = row.value
        self.entry.tooltip = f"{row.quantity} at {row.place or '…'}, as shown on the meter"
        self._quiet = False

    def say(self, word: str, complaint: str, note: str) -> None:
        """Verdict, complaint and question."""
        self.word.value = html.escape(MARKS.get(word, word))
        (self.word.add_class if word == "wrong" else self.word.remove_class)("tubekit-wrong")
        said = "".join(
            f'<p class="tubekit-complaint" role="alert">{html.escape(text)}</p>'
            for text in (complaint, note) if text
        )  # fmt: skip
        if self.complaint.value != said:
            self.complaint.value = said
            self.complaint.layout.display = "" if said else "none"


class Details:
    """What a row has beside its value: place, quantity, the meter if another was used, a note."""

    def __init__(
        self, on_field: Tell, on_remove: Callable[[int], None], on_close: Callable[[], None]
    ) -> None:
        self.place, self._quiet, self._tell = -1, False, on_field
        style = {"description_width": "70px"}
        self.where = widgets.Combobox(
            description="place", placeholder="type to search: p1a, V3 …", ensure_option=False,
            continuous_update=False, style=style, layout=AUTO, tooltip="Choose the test point",
        )  # fmt: skip
        self.quantity = widgets.Dropdown(
            options=QUANTITY_WORDS,
            description="quantity",
            style=style,
            layout=AUTO,
            tooltip="Choose what you measured",
        )
        texts = {
            "accuracy": ("within", "same as above", "Meter accuracy for this reading, e.g. 2 %"),
            "input_resistance": ("meter R", "same as above", "Meter input resistance, e.g. 200k"),
            "note": ("note", "your note", "A note"),
        }
        self.texts = {
            key: widgets.Text(
                description=words, placeholder=hint, continuous_update=False, style=style, layout=AUTO,
                tooltip=tip,
            )
            for key, (words, hint, tip) in texts.items()
        }  # fmt: skip
        grow = {"width": "auto", "flex": "1 1 90px"}
        self.remove = widgets.Button(description="Remove", tooltip="Remove this reading", layout=grow)
        self.close = widgets.Button(
            description="Close", tooltip="Close the details of this reading", layout=grow
        )
        buttons = widgets.HBox([self.remove, self.close], layout=AUTO)
        self.box = widgets.VBox([self.where, self.quantity, *self.texts.values(), buttons], layout=AUTO)
        self.box.add_class("tubekit-details")
        self.remove.on_click(lambda _: on_remove(self.place))
        self.close.on_click(lambda _: on_close())
        self.where.observe(lambda change: self._told("place", change["new"]), "value")
        self.quantity.observe(lambda change: self._told("quantity", change["new"]), "value")
        for key, text in self.texts.items():
            text.observe(lambda change, key=key: self._told(key, change["new"]), "value")

    def _told(self, field: str, value: str) -> None:
        if not self._quiet and self.place >= 0:
            self._tell(self.place, field, value.strip())

    def put(self, place: int, row: Row) -> None:
        """The fields of a row."""
        self._quiet, self.place = True, place
        self.where.value = row.place
        words = row.quantity
        if words not in self.quantity.options:
            self.quantity.options = (*QUANTITY_WORDS, words)
        self.quantity.value = words
        for key, text in self.texts.items():
            text.value = getattr(row, key)
        self._quiet = False


class Lines:
    """All rows, one of them open."""

    def __init__(
        self, on_field: Tell, on_open: Callable[[int], None], on_remove: Callable[[int], None],
        on_close: Callable[[], None],
    ) -> None:  # fmt: skip
        self._on_field, self._on_open = on_field, on_open
        self._pool: list[Line] = []
        self._stands: tuple[int, int] = (-1, -1)
        self.details = Details(on_field, on_remove, on_close)
        self.more = widgets.HTML(layout=AUTO)
        self.box = widgets.VBox([], layout=AUTO)

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
            boxes: list[Any] = [line.box for line in self._pool[:count]]
            if opened >= 0:
                boxes.insert(opened + 1, self.details.box)
            self.box.children = [*boxes, self.more]

    def say(self, words: Mapping[int, str], complaints: Mapping[Any, str], notes: Mapping[int, str]) -> None:
        """Verdicts, complaints and questions, each beside its row."""
        for k, line in enumerate(self.lines):
            line.say(words.get(k, ""), complaints.get(k, ""), notes.get(k, ""))

    def gray(self, is_gray: bool) -> None:
        """The verdicts belong to an earlier state of the list."""
        for line in self.lines:
            (line.word.add_class if is_gray else line.word.remove_class)("tubekit-gray")


def offered(options: Sequence[str], details: Details) -> None:
    """The places to search in."""
    details.where.options = tuple(options)
