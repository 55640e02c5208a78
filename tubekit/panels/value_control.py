"""The control of a resistor, capacitor or choke: a slider in series steps, and free entry."""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.amp import Amp
from tubekit.errors import TubekitError
from tubekit.panels.controls import DESCRIBED, FULL, Control, Tell
from tubekit.units import mark, parse, series_values, show


class ValueControl(Control):
    """Resistance, capacitance or inductance: slider and buttons in series steps, and free entry.

    Parameters
    ----------
    key, unit : designator, and 'ohm', 'F' or 'H'.
    drawn : value of the part as it stands; it is always one of the slider's stops.
    field : attribute of the part that holds the value.
    has_states : whether the part can go open, short or out.
    """

    SERIES = ("E6", "E12", "E24", "E48", "E96")
    REACH = 10.0
    STATES = (("installed", ""), ("open", "open"), ("shorted", "short"), ("removed", "removed"))

    def __init__(
        self, key: str, unit: str, drawn: float, field: str, on_change: Tell, *, has_states: bool = True
    ) -> None:
        self.unit, self.drawn, self.field = unit, drawn, field
        self.value = drawn
        grown = widgets.Layout(flex="1 1 0", width="auto", min_width="0")
        self.slider = widgets.IntSlider(
            min=0, max=1, readout=False, description=key, style=DESCRIBED, layout=FULL,
            tooltip=f"{key}, in preferred values; use the arrow keys",
        )  # fmt: skip
        self.down = widgets.Button(description="−", tooltip=f"{key} one step down")
        self.up = widgets.Button(description="+", tooltip=f"{key} one step up")
        self.entry = widgets.Text(
            description="value", continuous_update=False, style=DESCRIBED, layout=grown,
            tooltip="Any value: 330, 4.7k, 25u", placeholder="330, 4K7, 25u",
        )  # fmt: skip
        self.series = widgets.Dropdown(
            options=self.SERIES, value="E24" if unit == "ohm" else "E12", layout={"width": "66px"}
        )
        self.series.tooltip = "Choose the series of preferred values (IEC 60063) for the slider"
        self.state = widgets.Dropdown(options=self.STATES, description="state", style=DESCRIBED, layout=grown)
        for button in (self.down, self.up):
            button.add_class("tubekit-step")
        rows = [
            self.slider,
            widgets.HBox([self.entry, self.down, self.up], layout=FULL),
            widgets.HBox([self.state, self.series] if has_states else [self.series], layout=FULL),
        ]
        super().__init__(key, on_change, rows)
        self._set_stops()
        self._place(drawn)
        self.slider.observe(self._slid, "value")
        self.entry.observe(self._entered, "value")
        self.series.observe(self._series_chosen, "value")
        self.state.observe(self._state_chosen, "value")
        self.down.on_click(lambda _: self._step(-1))
        self.up.on_click(lambda _: self._step(1))

    def show(self, amp: Amp) -> None:
        """Value and state of the part as planned; a part taken out keeps its last value."""
        part: Any = amp.parts.get(self.designator)
        with self.quietly():
            self.state.value = (
                "removed" if part is None else "" if part.condition == "fitted" else part.condition
            )
            for each in (self.slider, self.entry, self.down, self.up):
                each.disabled = self.state.value != ""
            if part is not None:
                self._place(float(getattr(part, self.field)))

    def _set_stops(self) -> None:
        """Members of the series within a factor of ten, and the drawn value."""
        members = series_values(self.series.value, self.drawn / self.REACH, self.drawn * self.REACH)
        apart = members[~np.isclose(members, self.drawn, rtol=1e-9, atol=0.0)]
        self.stops = np.sort(np.append(apart, self.drawn))

    def _place(self, value: float) -> None:
        self.value = value
        with self.quietly():
            self.slider.max = len(self.stops) - 1
            self.slider.value = int(np.abs(np.log(self.stops / value)).argmin())
            self.entry.value = written(value, self.unit)

    def _slid(self, _: Any) -> None:
        if not self._quiet:
            self.value = float(self.stops[self.slider.value])
            with self.quietly():
                self.entry.value = written(self.value, self.unit)
            self.tell(self.value, f"{self.key} slider")

    def _step(self, by: int) -> None:
        """To the next stop, also from a value between two of them."""
        above = int(np.searchsorted(self.stops, self.value * (1 + 1e-9)))
        below = int(np.searchsorted(self.stops, self.value * (1 - 1e-9))) - 1
        place = above if by > 0 else below
        if 0 <= place < len(self.stops):
            self._place(float(self.stops[place]))
            self.tell(self.value, f"{self.key} slider")

    def _entered(self, change: Any) -> None:
        if self._quiet:
            return
        try:
            value = parse(change["new"], self.unit, positive=True)
        except TubekitError as error:
            self.complain(str(error))
            return
        self.tell(value)

    def _series_chosen(self, _: Any) -> None:
        self._set_stops()
        self._place(self.value)

    def _state_chosen(self, change: Any) -> None:
        self.tell(change["new"] or self.value)


def written(value: float, unit: str) -> str:
    """A value as the entry takes it: IEC 60062 marking where there is one.

    Examples
    --------
    >>> written(4700.0, "ohm"), written(25e-6, "F"), written(8.0, "H")
    ('4K7', '25µ', '8.00 H')
    """
    return mark(value, unit) if unit in ("ohm", "F") else show(value, unit)
