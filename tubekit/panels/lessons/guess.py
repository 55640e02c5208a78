"""Where a prediction is made: a slider with a field to type in, or buttons to choose from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.errors import TubekitError, UnitError
from tubekit.panels.knobs import FULL, Knob
from tubekit.panels.lessons.question import Handle
from tubekit.panels.lessons.score import plain
from tubekit.units import parse

SYMBOL = {"ohm": "Ω", "A": "mA"}
BARE = {"%": "%", "dB": "dB", "×": "×"}


class Guess(Knob):
    """One value on a slider, or typed with its unit. It starts at the low end, which says nothing."""

    def __init__(self, handle: Handle) -> None:
        self.handle, self.stops = handle, handle.stops()
        self.slider = widgets.IntSlider(
            min=0, max=len(self.stops) - 1, readout=False, description=handle.label,
            style={"description_width": "initial"},
            layout=widgets.Layout(flex="1 1 0", width="auto", min_width="0"),
            tooltip=f"{handle.label}; arrow keys move it",
        )  # fmt: skip
        self.entry = widgets.Text(
            continuous_update=False, layout=widgets.Layout(width="96px", flex="0 0 96px"),
            placeholder=f"… {SYMBOL.get(handle.unit, handle.unit)}",
            tooltip=f"{handle.label}: any value with its unit, e.g. {_example(handle)}",
        )  # fmt: skip
        row = widgets.HBox([self.slider, self.entry], layout=FULL)
        row.add_class("tubekit-guess")
        super().__init__(handle.key, [row])
        self.slider.observe(self._slid, "value")
        self.entry.observe(self._entered, "value")

    def put(self, value: float | None) -> None:
        """The value that stands; None is where it came, with nothing predicted yet."""
        with self.quietly():
            if value is None:
                self.slider.value, self.entry.value = 0, ""
                return
            self.slider.value = int(np.abs(self._scale(self.stops) - self._scale(value)).argmin())
            self.entry.value = plain(value, self.handle.unit)

    def _scale(self, value: Any) -> Any:
        return np.log(np.maximum(value, 1e-30)) if self.handle.log else np.asarray(value)

    def _slid(self, change: Any) -> None:
        if not self._quiet:
            self.complain("")
            value = float(self.stops[int(change["new"])])
            self.put(value)
            self.tell(value, self.key)

    def _entered(self, change: Any) -> None:
        if self._quiet or not change["new"].strip():
            return
        try:
            value = read(change["new"], self.handle)
        except TubekitError as error:
            self.complain(str(error))
            return
        self.complain("")
        self.put(value)
        self.tell(value)

    def freeze(self, frozen: bool) -> None:
        """A prediction that was given is not moved any more."""
        self.slider.disabled = self.entry.disabled = frozen


def read(text: str, handle: Handle) -> float:
    """A prediction as it was typed.

    Raises
    ------
    UnitError : no value of this unit, or one beyond the scale.
    """
    unit = handle.unit
    if unit in BARE:
        words = text.replace("−", "-").replace("\u2009", " ").strip().removesuffix(unit).strip()
        try:
            value = float(words)
        except ValueError as error:
            raise UnitError(
                f"'{text[:40]}' is not a number of {_noun(unit)}",
                fix=f"Write it like this: {_example(handle)}",
            ) from error
    else:
        value = parse(text, unit)
    if not handle.low <= value <= handle.high:
        raise UnitError(
            f"{plain(value, unit)} is off the scale of {plain(handle.low, unit)} to "
            f"{plain(handle.high, unit)}", fix="Check the unit: milli, kilo?",
        )  # fmt: skip
    return value


def _noun(unit: str) -> str:
    return {"%": "percent", "dB": "decibels", "×": "times"}[unit]


def _example(handle: Handle) -> str:
    middle = handle.stops()[len(handle.stops()) // 2]
    return plain(float(middle), handle.unit)


class Options:
    """Large buttons, one to a sentence; the chosen one carries a filled dot."""

    def __init__(self, options: Mapping[str, str], on_choice: Callable[[str], None]) -> None:
        self._words, self.chosen = dict(options), ""
        self.buttons: dict[str, widgets.Button] = {}
        for key, words in options.items():
            button = widgets.Button(description=words, tooltip=words, layout=widgets.Layout(width="auto"))
            button.add_class("tubekit-option")
            button.on_click(lambda _, key=key: on_choice(key))
            self.buttons[key] = button
        self.box = widgets.VBox(list(self.buttons.values()), layout=FULL)
        self.put("")

    def put(self, chosen: str) -> None:
        """Which one is chosen; '' is none."""
        self.chosen = chosen
        for key, button in self.buttons.items():
            button.description = f"{'●' if key == chosen else '○'}  {self._words[key]}"

    def mark(self, right: str) -> None:
        """Say beside the sentences which one is so."""
        for key, button in self.buttons.items():
            sign = "✓ correct" if key == right else "✗ your prediction" if key == self.chosen else ""
            dot = "●" if key == self.chosen else "○"
            button.description = f"{dot}  {self._words[key]}{f'  ({sign})' if sign else ''}"
