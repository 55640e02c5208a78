"""What stands above the rows of a list of readings: which amp, which list, mains, meter, test tone."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, parts as drawn
from tubekit.panels.bench_sheet import Sheet, list_options

AUTO = {"width": "auto"}
THIRD = {"flex": "1 1 0", "width": "auto", "min_width": "0"}
AGES = (("old parts", "vintage"), ("new parts", "modern"))


class Complaining:
    """A box of widgets with a line for complaints below."""

    def __init__(self, *rows: widgets.Widget) -> None:
        self.complaint = widgets.HTML(layout={"width": "auto", "display": "none"})
        self.box = widgets.VBox([*rows, self.complaint], layout=AUTO)

    def complain(self, words: str) -> None:
        """Say what was wrong; '' takes it away."""
        said = f'<p class="tubekit-complaint" role="alert">{html.escape(words)}</p>' if words else ""
        if self.complaint.value != said:
            self.complaint.value = said
            self.complaint.layout.display = "" if words else "none"


class ListChoice(Complaining):
    """The lists beside the notebook, a button that looks again, and one that takes a file from elsewhere."""

    def __init__(
        self,
        on_choice: Callable[[str], None],
        on_file: Callable[[str, bytes], None],
        *,
        options: Callable[[], list[tuple[str, str]]] = list_options,
    ) -> None:
        self._quiet, self._options = False, options
        self.choice = widgets.Dropdown(
            description="list", style={"description_width": "60px"}, layout=THIRD,
            tooltip="Choose a list of readings from this folder, or an empty one",
        )  # fmt: skip
        self.again = widgets.Button(description="↻", tooltip="Look again for lists of readings")
        self.again.add_class("tubekit-step")
        self.upload = widgets.FileUpload(
            accept=".csv",
            description="Open",
            tooltip="Open a list of readings (CSV file) from this computer",
            layout={"width": "96px", "flex": "0 0 96px"},
        )
        self.upload.add_class("tubekit-open-file")
        super().__init__(widgets.HBox([self.choice, self.again, self.upload], layout=AUTO))
        self.look_again()
        self.choice.observe(lambda change: None if self._quiet else on_choice(change["new"]), "value")
        self.again.on_click(lambda _: self.look_again())
        self.upload.observe(lambda _: self._taken(on_file), "value")

    def look_again(self) -> None:
        """List what is there now."""
        now, self._quiet = self.choice.value, True
        options = self._options()
        if now is not None and now not in [value for _, value in options]:
            options.append((str(now).rpartition("/")[2], now))
        self.choice.options = options
        self.choice.value = options[0][1] if now is None else now
        self._quiet = False

    def put(self, key: str) -> None:
        """Show a choice without telling anyone."""
        self._quiet, path = True, Path(key)
        key = str(path.resolve()) if key and path.is_file() else key
        if key not in [value for _, value in self.choice.options]:
            self.choice.options = [*self.choice.options, (key.rpartition("/")[2], key)]
        self.choice.value = key
        self._quiet = False

    def _taken(self, on_file: Callable[[str, bytes], None]) -> None:
        if not self._quiet and self.upload.value:
            file = self.upload.value[0]
            self._quiet = True
            self.upload.value = ()
            self._quiet = False
            on_file(str(file["name"]), bytes(file["content"]))


class Setting(Complaining):
    """Texts and lists that write one field of the list each."""

    def __init__(self, fields: Mapping[str, Any], on_field: Callable[[str, str], None]) -> None:
        self.fields, self._quiet = dict(fields), False
        super().__init__(widgets.HBox(list(fields.values()), layout=AUTO))
        for key, field in fields.items():
            field.observe(lambda change, key=key: self._told(on_field, key, change["new"]), "value")

    def _told(self, on_field: Callable[[str, str], None], key: str, value: Any) -> None:
        if not self._quiet:
            on_field(key, str(value).strip())

    def offer(self, key: str, options: Sequence[tuple[str, str]]) -> None:
        """Other choices for a list."""
        self._quiet = True
        self.fields[key].options = tuple(options)
        self._quiet = False

    def put(self, sheet: Sheet) -> None:
        """What stands in the list."""
        self._quiet = True
        for key, field in self.fields.items():
            value = getattr(sheet, key)
            if isinstance(field, widgets.Dropdown) and value not in [v for _, v in field.options]:
                field.options = (*field.options, (value, value))
            field.value = value
        self._quiet = False


def meter_setting(on_field: Callable[[str, str], None]) -> Setting:
    """Mains at the time, the meter's accuracy and input resistance."""
    return Setting(
        {
            "mains": _text(
                "mains",
                44,
                "not measured",
                "Line voltage while you took the readings, e.g. 121 V; leave empty if not measured",
            ),
            "accuracy": _text("meter", 40, "1 %", "Meter accuracy, e.g. 1 %"),
            "input_resistance": _text("loads", 38, "10M", "Meter input resistance, e.g. 10M or 200k"),
        },
        on_field,
    )


def age_setting(on_field: Callable[[str, str], None]) -> Setting:
    """How far good parts of this amp's age may lie apart."""
    ages = widgets.Dropdown(
        options=AGES, description="compare", style={"description_width": "60px"}, layout=THIRD,
        tooltip="Compare with new or old parts; normal ranges are wider for old parts",
    )  # fmt: skip
    return Setting({"age": ages}, on_field)


def tone_setting(on_field: Callable[[str, str], None]) -> Setting:
    """The test tone: where it goes in, its level and frequency."""
    jack = widgets.Dropdown(
        options=[("no test tone", "")], description="tone", style={"description_width": "40px"}, layout=THIRD,
        tooltip="Choose the input jack for the test tone",
    )  # fmt: skip
    return Setting(
        {
            "jack": jack,
            "level": _text("level", 38, "20 mV", "Test tone level (RMS), e.g. 20 mV"),
            "frequency": _text("at", 20, "1 kHz", "Test tone frequency, e.g. 1 kHz"),
        },
        on_field,
    )


def offer_inputs(tone: Setting, amp: Amp) -> None:
    """The inputs of an amp."""
    inputs = [n for n, p in amp.parts.items() if isinstance(p, drawn.Jack) and p.direction == "input"]
    tone.offer("jack", [("no test tone", ""), *((name, name) for name in inputs)])


def _text(words: str, wide: int, hint: str, tip: str) -> widgets.Text:
    return widgets.Text(
        description=words, placeholder=hint, continuous_update=False, tooltip=tip, layout=THIRD,
        style={"description_width": f"{wide}px"},
    )  # fmt: skip
