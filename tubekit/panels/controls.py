"""Controls for one part: a tube type, a position, anything in words (`value_control`: a value in steps).

A control tells `on_change(control, key, value, gesture)`. `show` brings it in step with an amp without
telling anyone. What was wrong with the last entry stands below it.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.change import text_at
from tubekit.units import show

Tell = Callable[["Control", str, object, str], None]
FULL = widgets.Layout(width="auto")
DESCRIBED = {"description_width": "60px"}


class Control:
    """What every control has: a box of widgets, a line for complaints, a way to stay quiet."""

    def __init__(self, key: str, on_change: Tell, rows: Sequence[widgets.Widget]) -> None:
        self.key, self._tell, self._quiet = key, on_change, False
        self.complaint = widgets.HTML(layout=widgets.Layout(width="auto", display="none"))
        self.box = widgets.VBox([*rows, self.complaint], layout=FULL)

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Set widgets without telling."""
        was, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = was

    def tell(self, value: object, gesture: str = "", key: str = "") -> None:
        """Pass a new value on, unless it was set from outside."""
        if not self._quiet:
            self._tell(self, key or self.key, value, gesture)

    def complain(self, words: str) -> None:
        """Say beside the control what was wrong; '' takes it away."""
        said = f'<p class="tubekit-complaint" role="alert">{html.escape(words)}</p>' if words else ""
        if self.complaint.value != said:
            self.complaint.value = said
            self.complaint.layout.display = "" if words else "none"

    @property
    def designator(self) -> str:
        """The part this control belongs to."""
        return self.key.partition(".")[0]

    def show(self, amp: Amp) -> None:
        """Bring the widgets in step with the amp as planned."""
        raise NotImplementedError


class ChoiceControl(Control):
    """One of a few words: tube types, switch positions."""

    def __init__(
        self, key: str, label: str, options: Sequence[tuple[str, Any]], field: str, on_change: Tell
    ) -> None:
        self.field = field
        self.choice = widgets.Dropdown(
            options=list(options),
            description=label,
            style=DESCRIBED,
            layout=FULL,
            tooltip=f"{label} of {key}",
        )
        super().__init__(key, on_change, [self.choice])
        self.choice.observe(lambda change: self.tell(change["new"]), "value")

    def show(self, amp: Amp) -> None:
        """The word that stands in the part."""
        part = amp.parts.get(self.designator)
        with self.quietly():
            value = "removed" if part is None else getattr(part, self.field)
            if value not in [option[1] for option in self.choice.options]:  # a type set from outside the list
                self.choice.options = [(str(value), value), *self.choice.options]
            self.choice.value = value


class LevelControl(Control):
    """A number between bounds on a slider (position of a potentiometer, emission of a cathode)."""

    def __init__(
        self, key: str, label: str, field: str, low: float, high: float, step: float, on_change: Tell
    ) -> None:
        self.field = field
        self.slider = widgets.FloatSlider(
            value=low, min=low, max=high, step=step, description=label, readout_format=".2f",
            style=DESCRIBED, layout=FULL, tooltip=f"{label}; use the arrow keys, or type a value",
        )  # fmt: skip
        super().__init__(key, on_change, [self.slider])
        self.slider.observe(lambda change: self.tell(float(change["new"]), f"{key} slider"), "value")

    def show(self, amp: Amp) -> None:
        """The level that stands in the part."""
        part = amp.parts.get(self.designator)
        with self.quietly():
            self.slider.disabled = part is None
            if part is not None:
                self.slider.value = float(getattr(part, self.field))


class WordsControl(Control):
    """Any field of a part, written as in an amp file."""

    def __init__(self, key: str, fields: Sequence[tuple[str, str]], amp: Amp, on_change: Tell) -> None:
        self._amp = amp
        self.field = widgets.Dropdown(
            options=list(fields),
            description="what",
            style=DESCRIBED,
            layout=FULL,
            tooltip=f"What to change in {key}",
        )
        self.entry = widgets.Text(
            description="value", continuous_update=False, style=DESCRIBED, layout=FULL, tooltip="New value"
        )
        super().__init__(key, on_change, [self.field, self.entry])
        self.show(amp)
        self.field.observe(lambda _: self.show(self._amp), "value")
        self.entry.observe(lambda change: self.tell(change["new"], key=self.field.value), "value")

    def show(self, amp: Amp) -> None:
        """What stands in the chosen field."""
        self._amp = amp
        with self.quietly():
            self.entry.value = text_at(amp.parts, self.field.value)


class MainsControl(Control):
    """Mains voltage on a slider, over the range of the mains the amp was drawn for."""

    LOW, HIGH = (90.0, 140.0), (200.0, 260.0)

    def __init__(self, design: float, now: float, on_change: Tell) -> None:
        low, high = self.LOW if design < 160.0 else self.HIGH
        self.slider = widgets.FloatSlider(
            value=now, min=min(low, now, design), max=max(high, now, design), step=0.5,
            description="line (V)", readout_format=".1f", style=DESCRIBED, layout=FULL,
            tooltip=f"Line voltage; the amp is designed for {show(design, 'V')}",
        )  # fmt: skip
        super().__init__("mains", on_change, [self.slider])
        self.slider.observe(lambda change: self.tell(float(change["new"]), "line slider"), "value")

    def show(self, amp: Amp) -> None:
        """The mains the amp runs on."""
        with self.quietly():
            self.slider.value = float(amp.mains_rms)
