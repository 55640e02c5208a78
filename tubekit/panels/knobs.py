"""Knobs: labeled controls of one quantity each, for panels that are not about an amp's parts.

A knob tells `on_change(knob, value, gesture)`. `put` sets it without telling anyone. What was wrong
with the last entry stands below it.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.errors import TubekitError
from tubekit.panels.amp_choice import AmpList, Choice as AmpChoice, words_for
from tubekit.panels.value_control import written
from tubekit.units import parse, series_values, show

Tell = Callable[["Knob", Any, str], None]
FULL = widgets.Layout(width="auto")
DESCRIBED = {"description_width": "72px"}


class Knob:
    """What every knob has: a key, a box of widgets, a line for complaints, a way to stay quiet."""

    def __init__(self, key: str, rows: Sequence[widgets.Widget], label: str = "") -> None:
        self.key, self.label, self.on_change, self._quiet = key, label, _nobody, False
        self.complaint = widgets.HTML(layout=widgets.Layout(width="auto", display="none"))
        self.box = widgets.VBox([*rows, self.complaint], layout=widgets.Layout(width="auto"))

    @property
    def on_change(self) -> Tell:
        """Who is told of a new value."""
        return self._on_change

    @on_change.setter
    def on_change(self, tell: Tell) -> None:
        self._on_change = tell

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Set widgets without telling."""
        was, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = was

    def tell(self, value: Any, gesture: str = "") -> None:
        """Pass a new value on, unless it was set from outside."""
        if not self._quiet:
            self.on_change(self, value, gesture)

    def complain(self, words: str) -> None:
        """Say below the knob what was wrong; '' takes it away."""
        said = f'<p class="tubekit-complaint" role="alert">{html.escape(words)}</p>' if words else ""
        if self.complaint.value != said:
            self.complaint.value = said
            self.complaint.layout.display = "" if words else "none"

    def seen(self, is_seen: bool) -> None:
        """Show the knob, or take it out of the column."""
        display = "" if is_seen else "none"
        if self.box.layout.display != display:
            self.box.layout.display = display

    def put(self, value: Any) -> None:
        """Bring the widgets in step with a value."""
        raise NotImplementedError

    def said(self, value: Any) -> str:
        """A value in words."""
        return str(value)


def _nobody(knob: Knob, value: Any, gesture: str) -> None:
    """Told of everything before the panel is there."""


class Choice(Knob):
    """One of a few words."""

    def __init__(self, key: str, label: str, options: Sequence[tuple[str, Any]], tooltip: str = "") -> None:
        self.choice = widgets.Dropdown(
            options=list(options), description=label, style=DESCRIBED, layout=FULL, tooltip=tooltip or label
        )
        super().__init__(key, [self.choice], tooltip or label)
        self.choice.observe(lambda change: self.tell(change["new"]), "value")

    def put(self, value: Any) -> None:
        """The word that stands."""
        with self.quietly():
            self.choice.value = value

    def said(self, value: Any) -> str:
        """The word of the list."""
        return next((words for words, option in self.choice.options if option == value), str(value))


class AmpKnob(Knob):
    """The list of amps as a knob."""

    def __init__(self, key: str, amp: AmpChoice) -> None:
        self.list = AmpList(amp, self._chosen, width=DESCRIBED["description_width"])
        super().__init__(key, [self.list.box], "amp")

    def put(self, value: AmpChoice) -> None:
        """The amp that stands."""
        if self.list.value != value:
            self.list.put(value)

    def said(self, value: AmpChoice) -> str:
        """Its title, or its file."""
        return words_for(value)

    def _chosen(self, value: AmpChoice) -> None:
        self.tell(value)


class Level(Knob):
    """A number between bounds, in even steps."""

    def __init__(
        self, key: str, label: str, low: float, high: float, step: float, *, form: str = ".0f",
        tooltip: str = "",
    ) -> None:  # fmt: skip
        self.slider = widgets.FloatSlider(
            value=low, min=low, max=high, step=step, description=label, readout_format=form,
            style=DESCRIBED, layout=FULL,
            tooltip=f"{tooltip or label}; use the arrow keys, or type a value",
        )  # fmt: skip
        super().__init__(key, [self.slider], label)
        self.slider.observe(lambda change: self.tell(float(change["new"]), key), "value")

    def bounds(self, low: float, high: float, step: float) -> None:
        """New ends, for another tube or amp; in whole steps, as the browser counts them from the low end."""
        low, high = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
        with self.quietly():
            if low > self.slider.max:
                self.slider.max, self.slider.min = high, low
            else:
                self.slider.min, self.slider.max = low, high
            self.slider.step = step

    def said(self, value: float) -> str:
        """As the slider shows it."""
        return format(value, self.slider.readout_format)

    def put(self, value: float) -> None:
        """The level that stands; ends give way to a value beyond them."""
        with self.quietly():
            self.slider.min, self.slider.max = min(self.slider.min, value), max(self.slider.max, value)
            self.slider.value = value


class Steps(Knob):
    """Resistance, capacitance or frequency: a slider in series steps (IEC 60063), and free entry."""

    def __init__(
        self, key: str, label: str, unit: str, low: float, high: float, *, series: str = "E24",
        tooltip: str = "",
    ) -> None:  # fmt: skip
        self.unit, self.series = unit, series
        self.slider = widgets.IntSlider(
            min=0, max=1, readout=False, description=label, style=DESCRIBED,
            layout=widgets.Layout(flex="1 1 0", width="auto", min_width="0"),
            tooltip=f"{tooltip or label}, {series} values; use the arrow keys",
        )  # fmt: skip
        self.entry = widgets.Text(
            continuous_update=False, layout=widgets.Layout(width="68px", flex="0 0 68px"),
            tooltip=f"{tooltip or label}: any value, e.g. 330, 4.7k or 25u",
        )  # fmt: skip
        super().__init__(key, [widgets.HBox([self.slider, self.entry], layout=FULL)], tooltip or label)
        self.bounds(low, high)
        self.slider.observe(self._slid, "value")
        self.entry.observe(self._entered, "value")

    def bounds(self, low: float, high: float) -> None:
        """New ends, for another tube or amp."""
        self.stops = series_values(self.series, low, high)
        with self.quietly():
            self.slider.max = len(self.stops) - 1

    def said(self, value: float | None) -> str:
        """With its unit."""
        return "none" if value is None else show(value, self.unit)

    def put(self, value: float | None) -> None:
        """The value that stands; between two stops the slider shows the nearer one."""
        if value is None:  # an amp without such a part
            return
        with self.quietly():
            self.slider.value = int(np.abs(np.log(self.stops / value)).argmin())
            self.entry.value = words_of(value, self.unit)

    def _slid(self, _: Any) -> None:
        if not self._quiet:
            value = float(self.stops[self.slider.value])
            self.put(value)
            self.tell(value, self.key)

    def _entered(self, change: Any) -> None:
        if self._quiet:
            return
        try:
            value = parse(change["new"], self.unit, positive=True)
        except TubekitError as error:
            self.complain(str(error))
            return
        self.put(value)
        self.tell(value)


def words_of(value: float, unit: str) -> str:
    """A value as an entry takes it.

    Examples
    --------
    >>> words_of(4700.0, "ohm"), words_of(2.5e-5, "F"), words_of(1200.0, "Hz")
    ('4K7', '25µ', '1.2k')
    """
    if unit in ("ohm", "F"):
        return written(value, unit)
    return f"{value / 1e3:g}k" if value >= 1e3 else f"{value:g}"
