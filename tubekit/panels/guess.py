"""Where a prediction is made: a slider with a field to type in, or sentences to choose from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.errors import TubekitError, UnitError
from tubekit.lessons.question import Handle
from tubekit.lessons.score import plain
from tubekit.panels import layout
from tubekit.panels.layout import FULL, GROWN
from tubekit.panels.settings import Setting
from tubekit.units import parse

SYMBOL = {"ohm": "Ω", "A": "mA"}
BARE = {"%": "percent", "dB": "decibels", "×": "times"}


class Guess(Setting):
    """One value on a slider, or typed with its unit. It starts at the low end, which says nothing."""

    def __init__(self, handle: Handle) -> None:
        self.handle, self.stops = handle, handle.stops()
        tip, last = f"{handle.label}; use the arrow keys", len(self.stops) - 1
        self.slider = layout.described(
            widgets.IntSlider, handle.label, tip, wide="initial", room=GROWN, max=last, readout=False
        )
        self.entry = widgets.Text(
            continuous_update=False, layout=widgets.Layout(width="96px", flex="0 0 96px"),
            placeholder=f"… {SYMBOL.get(handle.unit, handle.unit)}",
            tooltip=f"{handle.label}: any value with its unit, e.g. {_example(handle)}",
        )  # fmt: skip
        row = widgets.HBox([self.slider, self.entry], layout=FULL)
        row.add_class("tubekit-guess")
        super().__init__(handle.key, [row])
        self.slider.observe(lambda change: self._moved(float(self.stops[change["new"]]), self.key), "value")
        self.entry.observe(lambda change: self._entered(change["new"]), "value")

    def place(self, value: float | None) -> None:
        """The value that is there; None is where it came, with nothing predicted yet."""
        if value is None:
            self.slider.value, self.entry.value = 0, ""
            return
        self.slider.value = int(np.abs(self._scale(self.stops) - self._scale(value)).argmin())
        self.entry.value = plain(value, self.handle.unit)

    def _scale(self, value: Any) -> Any:
        return np.log(np.maximum(value, 1e-30)) if self.handle.log else np.asarray(value)

    def _moved(self, value: float, gesture: str = "") -> None:
        if not self._quiet:
            self.complain("")
            with self.quietly():
                self.place(value)
            self.move(value, gesture)

    def _entered(self, words: str) -> None:
        if self._quiet or not words.strip():
            return
        try:
            self._moved(read(words, self.handle))
        except TubekitError as error:
            self.complain(str(error))

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
                f"'{text[:40]}' is not a value in {BARE[unit]}", fix=f"Write it like this: {_example(handle)}"
            ) from error
    else:
        value = parse(text, unit)
    if not handle.low <= value <= handle.high:
        raise UnitError(
            f"{plain(value, unit)} is outside the scale, {plain(handle.low, unit)} to "
            f"{plain(handle.high, unit)}", fix="Check the unit: milli, kilo?",
        )  # fmt: skip
    return value


def _example(handle: Handle) -> str:
    stops = handle.stops()
    return plain(float(stops[len(stops) // 2]), handle.unit)


class Options(widgets.VBox):
    """Large buttons, one to a sentence; the chosen one carries a filled dot."""

    def __init__(self, options: Mapping[str, str], on_choice: Callable[[str], None]) -> None:
        self._words, self.chosen = dict(options), ""
        self.buttons = {
            key: layout.button(words, words, partial(on_choice, key)) for key, words in options.items()
        }
        for button in self.buttons.values():
            button.add_class("tubekit-option")
        super().__init__(list(self.buttons.values()), layout=FULL)

    def put(self, chosen: str, right: str = "") -> None:
        """Which one is chosen, '' for none; and which is `right`, once that may be seen."""
        self.chosen = chosen
        for key, button in self.buttons.items():
            dot = "●" if key == chosen else "○"
            sign = "✓ correct" if key == right else "✗ your prediction" if key == chosen else ""
            button.description = f"{dot}  {self._words[key]}{f'  ({sign})' if right and sign else ''}"
