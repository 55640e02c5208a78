"""Settings: labeled controls of one quantity each, on every panel.

The `value` of a setting is a trait: observe it, or `on_move`. `put` shows a value without telling anyone;
`show` puts what an amp has. What was wrong with the last entry is below the control.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import ipywidgets as widgets
import numpy as np
import traitlets

from tubekit.amp import Amp
from tubekit.amp.batches import text_at
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.layout import FULL, GROWN
from tubekit.panels.workbench import lay_down
from tubekit.units import mark, parse, series_values, show

Tell = Callable[["Setting", Any, str], object]
LOW_LINE, HIGH_LINE = (90.0, 140.0), (200.0, 260.0)
REMOVED = "removed"
KEYS = "; use the arrow keys, or type a value"


class Setting(layout.Field):
    """What every setting has: a key, a value, its widgets, a line for complaints, a way to stay quiet.

    Parameters
    ----------
    key : name of the setting; of an amp's part its designator, with the field behind it ('R33.position').
    label : what it is called in words.
    field : attribute of the part that `show` reads.
    """

    value = traitlets.Any(None, allow_none=True)

    def __init__(self, key: str, rows: Sequence[widgets.Widget], label: str = "", field: str = "") -> None:
        self.key, self.label, self.field, self.gesture = key, label, field, ""
        super().__init__(*rows)

    @property
    def designator(self) -> str:
        """The part this setting belongs to."""
        return self.key.partition(".")[0]

    def on_move(self, tell: Tell) -> None:
        """Call `tell(setting, value, gesture)` at every move of a hand."""
        self.observe(lambda change: None if self._quiet else tell(self, change["new"], self.gesture), "value")

    def move(self, value: Any, gesture: str = "") -> None:
        """Take a new value from the widgets, unless it was put there."""
        if not self._quiet:
            self.gesture = gesture
            self.value = value
            lay_down(self.key, value)

    def seen(self, is_seen: bool) -> None:
        """Show the setting, or take it out of the column."""
        display = "" if is_seen else "none"
        if self.layout.display != display:
            self.layout.display = display

    def put(self, value: Any) -> None:
        """Bring the widgets in step with a value."""
        with self.quietly():
            self.value = value
            self.place(value)

    def place(self, value: Any) -> None:
        """Show a value on the widgets."""
        raise NotImplementedError

    def show(self, amp: Amp) -> None:
        """Put what the part has in an amp; None where it is taken out."""
        part = amp.parts.get(self.designator)
        self.put(None if part is None else getattr(part, self.field))

    def words(self, value: Any) -> str:
        """A value in words."""
        return str(value)

    @property
    def called(self) -> str:
        """What stands before its slider."""
        return str(self.slider.description) if hasattr(self, "slider") else self.label

    def nearest(self, value: float) -> float:
        """The value nearest to that one that the setting can have."""
        return value

    def stepped(self, by: int) -> float:
        """The value so many steps from the present one."""
        return float(self.value) + by


class ChoiceSetting(Setting):
    """One of a few words: tube types, positions of a switch, what a panel can show."""

    def __init__(
        self, key: str, label: str, options: Sequence[tuple[str, Any]], tooltip: str = "", field: str = ""
    ) -> None:
        self.choice = layout.described(widgets.Dropdown, label, tooltip or label, options=list(options))
        super().__init__(key, [self.choice], tooltip or label, field)
        self.value = self.choice.value
        self.choice.observe(lambda change: self.move(change["new"]), "value")

    def offer(self, options: Sequence[tuple[str, Any]]) -> None:
        """Other choices; nobody is told of the one that is chosen then."""
        if tuple(self.choice.options) != tuple(options):
            with self.quietly():
                self.choice.options = list(options)

    def place(self, value: Any) -> None:
        """The word of a value; one from outside the list is put in front."""
        if value not in [option for _, option in self.choice.options]:
            self.choice.options = [(str(value), value), *self.choice.options]
        self.choice.value = value

    def show(self, amp: Amp) -> None:
        """The word of what is in the part."""
        part = amp.parts.get(self.designator)
        self.put(REMOVED if part is None else getattr(part, self.field))

    def words(self, value: Any) -> str:
        """The word of the list."""
        return next((words for words, option in self.choice.options if option == value), str(value))


class LevelSetting(Setting):
    """A number between bounds, in even steps."""

    def __init__(
        self, key: str, label: str, low: float, high: float, step: float, *, form: str = ".0f",
        tooltip: str = "", field: str = "",
    ) -> None:  # fmt: skip
        tip = tooltip if field and tooltip else f"{tooltip or label}{KEYS}"
        self.slider = layout.described(
            widgets.FloatSlider, label, tip, value=low, min=low, max=high, step=step, readout_format=form
        )
        super().__init__(key, [self.slider], label, field)
        self.slider.observe(lambda change: self.move(float(change["new"]), key), "value")

    def bounds(self, low: float, high: float, step: float) -> None:
        """New ends, for another tube or amp; in whole steps, as the browser counts them from the low end."""
        low, high = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
        with self.quietly():
            if low > self.slider.max:
                self.slider.max, self.slider.min = high, low
            else:
                self.slider.min, self.slider.max = low, high
            self.slider.step = step

    def place(self, value: float | None) -> None:
        """The level; ends give way to a value beyond them."""
        self.slider.disabled = value is None
        if value is not None:
            value = float(value)
            self.slider.min, self.slider.max = min(self.slider.min, value), max(self.slider.max, value)
            self.slider.value = value

    def nearest(self, value: float) -> float:
        """In whole steps between the ends, as the slider counts them."""
        slider = self.slider
        whole = slider.min + round((value - slider.min) / slider.step) * slider.step
        return float(f"{min(max(whole, slider.min), slider.max):.9g}")

    def stepped(self, by: int) -> float:
        """So many steps of the slider."""
        return self.nearest(float(self.value) + by * self.slider.step)

    def words(self, value: float) -> str:
        """As the slider shows it."""
        return format(value, self.slider.readout_format)


class LineSetting(LevelSetting):
    """Line voltage on a slider, over the range of the line the amp was drawn for."""

    def __init__(self, design: float, now: float) -> None:
        low, high = LOW_LINE if design < 160.0 else HIGH_LINE
        tip = f"Line voltage; the amp is designed for {show(design, 'V')}"
        super().__init__("mains", "line (V)", low, high, 0.5, form=".1f", tooltip=tip, field="mains_rms")
        with self.quietly():
            self.place(design)
        self.put(now)

    def show(self, amp: Amp) -> None:
        """The line voltage the amp runs on."""
        self.put(float(amp.mains_rms))


class SeriesSetting(Setting):
    """Resistance, capacitance, inductance or frequency: a slider in series steps (IEC 60063), free entry."""

    def __init__(
        self, key: str, label: str, unit: str, low: float, high: float, *, series: str = "E24",
        tooltip: str = "",
    ) -> None:  # fmt: skip
        self.unit, self.name = unit, series
        tip = f"{tooltip or label}, {series} values; use the arrow keys"
        self.slider = layout.described(widgets.IntSlider, label, tip, room=GROWN, max=1, readout=False)
        self.entry = widgets.Text(
            continuous_update=False, layout=widgets.Layout(width="68px", flex="0 0 68px"),
            tooltip=f"{tooltip or label}: any value, e.g. 330, 4.7k or 25u",
        )  # fmt: skip
        self._begin(key, [widgets.HBox([self.slider, self.entry], layout=FULL)], tooltip or label)
        self.bounds(low, high)

    def _begin(self, key: str, rows: Sequence[widgets.Widget], label: str, field: str = "") -> None:
        Setting.__init__(self, key, rows, label, field)
        self.slider.observe(lambda change: self._moved(float(self.stops[change["new"]]), True), "value")
        self.entry.observe(lambda change: self._entered(change["new"]), "value")

    def bounds(self, low: float, high: float) -> None:
        """New ends, for another tube or amp."""
        self._stop(series_values(self.name, low, high))

    def _stop(self, stops: Any) -> None:
        self.stops = np.asarray(stops)
        with self.quietly():
            self.slider.max = len(self.stops) - 1

    def place(self, value: float | None) -> None:
        """The value; between two stops the slider shows the nearer one. None: an amp without such a part."""
        if value is not None:
            self.slider.value = int(np.abs(np.log(self.stops / value)).argmin())
            self.entry.value = entry_words(value, self.unit)

    def nearest(self, value: float) -> float:
        """The member of the series nearest to it in proportion."""
        return float(self.stops[int(np.abs(np.log(self.stops / max(value, 1e-30))).argmin())])

    def stepped(self, by: int) -> float:
        """So many members further, also from a value between two of them."""
        now = float(self.value)
        above = int(np.searchsorted(self.stops, now * (1 + 1e-9)))
        below = int(np.searchsorted(self.stops, now * (1 - 1e-9))) - 1
        place = above + by - 1 if by > 0 else below + by + 1
        return float(self.stops[min(max(place, 0), len(self.stops) - 1)])

    def _moved(self, value: float, slid: bool = False) -> None:
        if not self._quiet:
            with self.quietly():
                self.place(value)
            self.move(value, f"{self.key} slider" if slid else "")

    def _entered(self, words: str) -> None:
        if self._quiet:
            return
        try:
            value = parse(words, self.unit, positive=True)
        except TubekitError as error:
            self.complain(str(error))
            return
        self._moved(value)

    def words(self, value: float | None) -> str:
        """With its unit."""
        return "none" if value is None else show(value, self.unit)


class PartValueSetting(SeriesSetting):
    """Value of a resistor, capacitor or choke: slider and buttons in series steps, entry, and its state.

    Parameters
    ----------
    key, unit : designator, and 'ohm', 'F' or 'H'.
    drawn : value of the part as drawn; it is always one of the slider's stops.
    field : attribute of the part that holds the value.
    has_states : whether the part can go open, short or out.
    """

    SERIES = ("E6", "E12", "E24", "E48", "E96")
    REACH = 10.0
    STATES = (("installed", ""), ("open", "open"), ("shorted", "short"), (REMOVED, REMOVED))

    def __init__(self, key: str, unit: str, drawn: float, field: str, *, has_states: bool = True) -> None:
        self.unit, self.drawn, self.now = unit, drawn, drawn
        tip = f"{key}, in preferred values; use the arrow keys"
        self.slider = layout.described(widgets.IntSlider, key, tip, max=1, readout=False)
        self.down, self.up = (
            layout.button(sign, f"{key} one step {word}", partial(self._step, by), css="tubekit-step")
            for sign, word, by in (("−", "down", -1), ("+", "up", 1))
        )
        example = "330, 4.7k, 25u"
        self.entry = layout.entry("value", f"Any value: {example}", room=GROWN, placeholder=example)
        self.series = widgets.Dropdown(
            options=self.SERIES, value="E24" if unit == "ohm" else "E12", layout={"width": "66px"},
            tooltip="Choose the series of preferred values (IEC 60063) for the slider",
        )  # fmt: skip
        self.state = layout.described(widgets.Dropdown, "state", "", room=GROWN, options=self.STATES)
        rows = [
            self.slider,
            widgets.HBox([self.entry, self.down, self.up], layout=FULL),
            widgets.HBox([self.state, self.series] if has_states else [self.series], layout=FULL),
        ]
        self._begin(key, rows, key, field)
        self._stops_of_series()
        self.put(drawn)
        self.series.observe(lambda _: self._stops_of_series(), "value")
        self.state.observe(lambda change: self.move(change["new"] or self.now), "value")

    def show(self, amp: Amp) -> None:
        """Value and state of the part; a part taken out keeps its last value."""
        part: Any = amp.parts.get(self.designator)
        with self.quietly():
            gone = REMOVED if part is None else "" if part.condition == "fitted" else part.condition
            self.state.value = gone
            for each in (self.slider, self.entry, self.down, self.up):
                each.disabled = gone != ""
            if part is not None:
                self.place(float(getattr(part, self.field)))
            self.value = gone or self.now

    def place(self, value: Any) -> None:
        """The value, remembered for when the part is put back."""
        if isinstance(value, float):
            self.now = value
            super().place(value)

    def _stops_of_series(self) -> None:
        """Members of the series within a factor of ten, and the drawn value."""
        members = series_values(self.series.value, self.drawn / self.REACH, self.drawn * self.REACH)
        apart = members[~np.isclose(members, self.drawn, rtol=1e-9, atol=0.0)]
        self._stop(np.sort(np.append(apart, self.drawn)))
        with self.quietly():
            self.place(self.now)

    def _step(self, by: int) -> None:
        """To the next stop, also from a value between two of them."""
        self._moved(self.stepped(by), True)


class FieldSetting(Setting):
    """Any field of a part, written as in an amp file; `key` is that of the chosen field."""

    def __init__(self, part: str, fields: Sequence[tuple[str, str]], amp: Amp) -> None:
        self._amp = amp
        what = f"What to change in {part}"
        self.choice = layout.described(widgets.Dropdown, "what", what, options=list(fields))
        self.entry = layout.entry("value", "New value")
        super().__init__(part, [self.choice, self.entry], part)
        self.show(amp)
        self.choice.observe(lambda _: self.show(self._amp), "value")
        self.entry.observe(lambda change: self.move(change["new"]), "value")

    @property
    def path(self) -> str:
        """Key of the field that is chosen."""
        return str(self.choice.value)

    def show(self, amp: Amp) -> None:
        """What is in the chosen field."""
        self._amp = amp
        self.put(text_at(amp.parts, self.path))

    def place(self, value: Any) -> None:
        """The field as text."""
        self.entry.value = str(value)


def entry_words(value: float, unit: str) -> str:
    """A value as an entry shows and takes it.

    Examples
    --------
    >>> entry_words(4700.0, "ohm"), entry_words(2.5e-5, "F"), entry_words(8.0, "H"), entry_words(1200.0, "Hz")
    ('4.7 kΩ', '25 µF', '8 H', '1.2k')
    """
    if unit == "Hz":
        return f"{value / 1e3:g}k" if value >= 1e3 else f"{value:g}"
    return mark(value, unit)
