"""The table of readings: a line for each, a value to type, a word for the verdict; one line opens."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path, PurePath
from typing import Any

import anywidget
import ipywidgets as widgets

from tubekit.amp import Amp, parts as drawn
from tubekit.decisions.judge import METER
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.bench_sheet import Row, Sheet, list_options
from tubekit.panels.export_files import saved_html
from tubekit.panels.layout import FULL, GROWN

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
        wide = "70px"
        self.where = layout.entry("place", "Choose the test point", widgets.Combobox, wide=wide,
                                  placeholder="type to search: p1a, V3 …")  # fmt: skip
        self.quantity = layout.described(
            widgets.Dropdown, "quantity", "Choose what you measured", wide=wide, options=QUANTITY_WORDS
        )
        texts = {
            "accuracy": ("within", "same as above", "Meter accuracy for this reading, e.g. 2 %"),
            "input_resistance": ("meter R", "same as above", "Meter input resistance, e.g. 200k"),
            "note": ("note", "your note", "A note"),
        }
        self.texts = {
            key: layout.entry(words, tip, wide=wide, placeholder=hint)
            for key, (words, hint, tip) in texts.items()
        }
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


AGES = (("old parts", "vintage"), ("new parts", "modern"))
LINE_TIP = "Line voltage while you took the readings, e.g. 121 V; leave empty if not measured"


class ListChoice(layout.Field):
    """The lists beside the notebook, a button that looks again, and one that takes a file from elsewhere."""

    def __init__(
        self,
        on_choice: Callable[[str], None],
        on_file: Callable[[str, bytes], None],
        *,
        options: Callable[[], list[tuple[str, str]]] = list_options,
    ) -> None:
        self._options, self._on_file = options, on_file
        tip = "Choose a list of readings from this folder, or an empty one"
        self.choice = layout.described(widgets.Dropdown, "list", tip, room=GROWN)
        tip = "Look again for lists of readings"
        self.again = layout.button("↻", tip, self.look_again, css="tubekit-step")
        self.upload = widgets.FileUpload(
            accept=".csv",
            description="Open",
            tooltip="Open a list of readings (CSV file) from this computer",
            layout={"width": "96px", "flex": "0 0 96px"},
        )
        self.upload.add_class("tubekit-open-file")
        super().__init__(widgets.HBox([self.choice, self.again, self.upload], layout=FULL))
        self.look_again()
        self.listen(self.choice, on_choice)
        self.listen(self.upload, lambda files: self._taken(files) if files else None)

    def look_again(self) -> None:
        """List what is there now."""
        now, options = self.choice.value, self._options()
        if now is not None and now not in [value for _, value in options]:
            options.append((PurePath(now).name, now))
        with self.quietly():
            self.choice.options = options
            self.choice.value = options[0][1] if now is None else now

    def put(self, key: str) -> None:
        """Show a choice without telling anyone."""
        path = Path(key)
        key = str(path.resolve()) if key and path.is_file() else key
        with self.quietly():
            if key not in [value for _, value in self.choice.options]:
                self.choice.options = [*self.choice.options, (PurePath(key).name, key)]
            self.choice.value = key

    def _taken(self, files: Any) -> None:
        with self.quietly():
            self.upload.value = ()
        self._on_file(str(files[0]["name"]), bytes(files[0]["content"]))


class SheetFields(layout.Field):
    """Texts and lists that write one field of the list each."""

    def __init__(self, fields: Mapping[str, Any], on_field: Callable[[str, str], None]) -> None:
        self.fields = dict(fields)
        super().__init__(widgets.HBox(list(fields.values()), layout=FULL))
        for key, field in fields.items():
            self.listen(field, partial(self._entered, on_field, key))

    @staticmethod
    def _entered(on_field: Callable[[str, str], None], key: str, value: Any) -> None:
        on_field(key, str(value).strip())

    def put(self, sheet: Sheet) -> None:
        """What the list has."""
        with self.quietly():
            for key, field in self.fields.items():
                value = getattr(sheet, key)
                if isinstance(field, widgets.Dropdown) and value not in [v for _, v in field.options]:
                    field.options = (*field.options, (value, value))
                field.value = value


def meter_setting(on_field: Callable[[str, str], None]) -> SheetFields:
    """Mains at the time, the meter's accuracy and input resistance."""
    return SheetFields(
        {
            "mains": _text("line", 44, "not measured", LINE_TIP),
            "accuracy": _text("meter", 40, "1 %", "Meter accuracy, e.g. 1 %"),
            "input_resistance": _text("loads", 38, "10M", "Meter input resistance, e.g. 10M or 200k"),
        },
        on_field,
    )


def age_setting(on_field: Callable[[str, str], None]) -> SheetFields:
    """How far good parts of this amp's age may lie apart."""
    tip = "Compare with new or old parts; normal ranges are wider for old parts"
    ages = layout.described(widgets.Dropdown, "compare", tip, room=GROWN, options=AGES)
    return SheetFields({"age": ages}, on_field)


def tone_setting(on_field: Callable[[str, str], None]) -> SheetFields:
    """The test tone: where it goes in, its level and frequency."""
    tip, none = "Choose the input jack for the test tone", [("no test tone", "")]
    jack = layout.described(widgets.Dropdown, "tone", tip, wide="40px", room=GROWN, options=none)
    return SheetFields(
        {
            "jack": jack,
            "level": _text("level", 38, "20 mV", "Test tone level (RMS), e.g. 20 mV"),
            "frequency": _text("at", 20, "1 kHz", "Test tone frequency, e.g. 1 kHz"),
        },
        on_field,
    )


def offer_inputs(tone: SheetFields, amp: Amp) -> None:
    """The inputs of an amp."""
    inputs = [jack.designator for jack in drawn.input_jacks(amp.parts)]
    with tone.quietly():
        tone.fields["jack"].options = (("no test tone", ""), *((name, name) for name in inputs))


def _text(words: str, wide: int, hint: str, tip: str) -> widgets.Text:
    return layout.entry(words, tip, wide=f"{wide}px", room=GROWN, placeholder=hint)


class SaveLine(widgets.VBox):
    """A name to give, a button that saves, and what became of it."""

    def __init__(self, save: Callable[[str], Path], done: Callable[[], None]) -> None:
        self._save, self._done = save, done
        self.name = widgets.Text(tooltip="File name for the list", layout=GROWN)
        tip = "Save the list in the notebook's folder; no file is overwritten"
        self.button = layout.button("Save as CSV", tip, self._pressed, flex="0 0 auto")
        self.said = layout.words_place()
        super().__init__([widgets.HBox([self.name, self.button], layout=FULL), self.said], layout=FULL)

    def begin(self, stem: str) -> None:
        """Another amp: the name that is taken where none is given."""
        self.name.placeholder, self.name.value = stem, ""
        self.clear()

    def clear(self) -> None:
        """Say nothing more of the last file."""
        if self.said.value:
            self.said.value = ""

    def _pressed(self) -> None:
        try:
            path = self._save(self.name.value)
        except TubekitError as error:
            self.said.value = layout.complaint_html(f"Nothing was saved: {error}")
            return
        self.said.value = saved_html(path, path.read_bytes())
        self._done()


class EntryKeys(anywidget.AnyWidget):
    """What keyboard and finger do in the values of a list; nothing is seen of it."""

    _esm = Path(__file__).with_name("entries.js").read_text(encoding="utf-8")


def three_columns(
    listed: Sequence[widgets.Widget],
    seen: Sequence[widgets.Widget],
    told: Sequence[widgets.Widget],
    buttons: Mapping[str, widgets.Button],
    said: widgets.Widget,
    *,
    wide: tuple[int, int],
) -> list[widgets.Widget]:
    """Buttons above; the list, the figure and the words side by side, on a tablet one below the other.

    Parameters
    ----------
    wide : pixels of the list and of the figure; the words take what is left.
    """
    one, two = wide
    columns = [
        widgets.VBox(list(listed), layout={"flex": f"0 0 {one}px", "width": f"{one}px"}),
        widgets.VBox(
            list(seen), layout={"flex": f"0 1 {two}px", "min_width": "400px", "max_width": f"{two}px"}
        ),
        widgets.VBox(list(told), layout={"flex": "1 1 220px", "min_width": "220px"}),
    ]
    for column, name in zip(columns, ("list", "figure", "words"), strict=True):
        column.add_class(f"tubekit-bench-{name}")
    body = layout.across(*columns)
    body.add_class("tubekit-bench")
    return [*layout.page(layout.tools(buttons, said), body), EntryKeys()]
