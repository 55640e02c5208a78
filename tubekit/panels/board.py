"""A board: knobs, a figure and numbers; one question asked anew at every move.

A panel states its knobs, how a setting is solved, how the answer is drawn and written down; the
board does the rest: undo, redo, 'keep as before', complaints beside the knob, gray where there is
no answer.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, Generic, TypeVar

import ipywidgets as widgets

from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.history import History
from tubekit.panels.keep import Copies
from tubekit.panels.knobs import Knob, Level, Steps
from tubekit.panels.later import SOON_S, Later
from tubekit.panels.live import LiveFigure
from tubekit.text import Table

R = TypeVar("R")
Settings = Mapping[str, Any]


class Board(widgets.VBox, Generic[R]):
    """The panel as a widget. Everything it shows can be asked for and set without a hand on it.

    Each move is answered before the next is taken; the browser keeps back what it has to send while
    an answer is being worked out and then sends only the latest value.
    """

    NAME = "stage"

    def __init__(self, knobs: Sequence[Knob], start: Settings) -> None:
        self.knobs = {knob.key: knob for knob in knobs}
        self.notice, self.numbers = widgets.HTML(layout=_full()), widgets.HTML(layout=_full())
        self.frame = widgets.VBox([])
        self.copies = self.copying()
        self.buttons = layout.buttons(
            undo=self.undo, redo=self.redo, reset=self.reset, keep=self.keep_as_before, rescale=self.rescale,
            **self.copies.actions,
        )  # fmt: skip
        self.settings, self.first = MappingProxyType(dict(start)), MappingProxyType(dict(start))
        self.history = History[Settings](self.settings)
        self.stale, self.later = "", Later(SOON_S, patient=False)
        self.result = self.before = self.solve(self.settings)
        self.rescale()
        self._in_step()
        super().__init__(self.arranged())
        for knob in knobs:
            knob.on_change = self._moved

    # ---- what a panel states

    @abstractmethod
    def solve(self, settings: Settings) -> R:
        """The answer to a setting; TubekitError where it has none."""

    @abstractmethod
    def figure_for(self, now: R, before: R) -> LiveFigure[R]:
        """A figure with scales fitted to `now`."""

    def tables(self, now: R, before: R) -> Sequence[Table]:  # noqa: ARG002 - for panels that have some
        """The numbers beside the figure."""
        return ()

    def say(self, now: R, before: R) -> str:
        """The numbers as HTML."""
        return "".join(table.html() for table in self.tables(now, before))

    def copying(self) -> Copies:
        """What can be copied: where there is no amp, the values in place of an amp file."""
        return Copies(self.name, self.print_png, values=self.in_words)

    def name(self) -> str:
        """What files written from the panel are called."""
        return self.NAME

    def adapted(self, key: str, settings: Settings) -> Settings:  # noqa: ARG002 - for panels that need it
        """The setting after the knob `key` moved: another tube may ask for other volts."""
        return settings

    def suit(self, settings: Settings) -> None:
        """Hide the knobs that do nothing in this setting, fit their bounds."""

    # ---- what a program asks and sets

    def knob(self, key: str) -> Knob:
        """The knob with that key.

        Raises
        ------
        ChangeError : there is none.
        """
        if key not in self.knobs:
            raise ChangeError("there is no such knob", part=key, near=near_matches(key, self.knobs))
        return self.knobs[key]

    def _level(self, key: str) -> Level:
        knob = self.knob(key)
        assert isinstance(knob, Level)
        return knob

    def _steps(self, key: str) -> Steps:
        knob = self.knob(key)
        assert isinstance(knob, Steps)
        return knob

    def set(self, **values: Any) -> R:
        """Set several knobs at once, with a single solve.

        Raises
        ------
        ChangeError : no such knob. TubekitError : this setting has no answer; the last one stands, grayed.
        """
        settings: Settings = self.settings
        for key, value in values.items():
            self.knob(key)
            settings = self.adapted(key, {**settings, key: value})
        error = self._ask(settings)
        if error is not None:
            raise error
        return self.result

    def undo(self) -> None:
        """Back to the setting before."""
        self._ask(self.history.undo(), record=False)

    def redo(self) -> None:
        """Forward to what was undone."""
        self._ask(self.history.redo(), record=False)

    def reset(self) -> None:
        """The setting it came with."""
        self._ask(self.first)

    def keep_as_before(self) -> None:
        """What is seen now stays behind as the faint curve; the next moves are compared with it."""
        if not self.stale:
            self.before = self.result
            self._show()

    def rescale(self) -> None:
        """New scales, fitted to what is seen; otherwise they stay for the life of the panel."""
        self.figure = self.figure_for(self.result, self.before)
        self.frame.children = [self.figure.picture.image]

    def print_png(self) -> bytes:
        """The figure as a PNG file to keep or to print."""
        return self.figure.picture.print_png()

    def in_words(self) -> str:
        """Every knob that does something, and the numbers, as plain text."""
        seen = [knob for knob in self.knobs.values() if knob.label and knob.box.layout.display != "none"]
        lines = [f"{knob.label}: {knob.said(self.settings[knob.key])}" for knob in seen]
        tables = [table.text() for table in self.tables(self.result, self.before)]
        stale = [
            (f"No result for this setting. The numbers are from the last setting that worked. {self.stale}")
        ]
        return "\n\n".join(["\n".join(lines), *(stale if self.stale else []), *tables]) + "\n"

    # ---- the one way in and the one way out

    def _moved(self, knob: Knob, value: Any, gesture: str) -> None:
        self._ask(self.adapted(knob.key, {**self.settings, knob.key: value}), knob, gesture)

    def _ask(
        self, settings: Settings, knob: Knob | None = None, gesture: str = "", *, record: bool = True
    ) -> TubekitError | None:
        """Solve a setting and show what came of it; returns the error, where there is no answer."""
        for each in self.knobs.values():
            each.complain("")
        self.copies.clear()
        if record:
            self.history.push(settings, gesture)
        self.settings = MappingProxyType(dict(settings))
        error = None
        try:
            self.result, self.stale = self.solve(self.settings), ""
        except TubekitError as failed:
            error, self.stale = failed, str(failed)
        if error is None:  # the picture first: the eye follows the curve
            self._show()
            self._in_step()
        else:
            self._in_step()
            self._gray_out(knob)
        return error

    def _show(self) -> None:
        self.figure.show(self.result, self.before)
        self.notice.value = ""
        self.later(self._write)

    def _write(self) -> None:
        self.numbers.value = f'<section class="tubekit">{self.say(self.result, self.before)}</section>'
        self.numbers.remove_class("tubekit-gray")

    def _gray_out(self, knob: Knob | None) -> None:
        self.later.forget()
        self.figure.gray_out()
        self.numbers.add_class("tubekit-gray")
        self.notice.value = layout.no_answer(self.stale)
        if knob is not None:
            knob.complain(self.stale)

    def _in_step(self) -> None:
        self.suit(self.settings)
        for key, knob in self.knobs.items():
            knob.put(self.settings[key])
        self.buttons["undo"].disabled = not self.history.can_undo
        self.buttons["redo"].disabled = not self.history.can_redo

    # ---- where things stand

    def arranged(self) -> list[widgets.Widget]:
        """The children: buttons above; knobs, figure, numbers, side by side where there is room."""
        self._write()
        under = layout.column([knob.box for knob in self.knobs.values()])
        tools = layout.tools(self.buttons, self.copies.said)
        return layout.side_by_side(under, self.frame, [self.notice, self.numbers], tools)


def _full() -> widgets.Layout:
    return widgets.Layout(width="100%")
