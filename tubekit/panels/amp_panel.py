"""What every panel about an amp has: the list of amps, one part at a time, changes on trial, the buttons.

The panel that derives from it says what is tried, how it is drawn and how it is written down.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable, Mapping
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.amp.parts import Part
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpList, Choice
from tubekit.panels.amp_knobs import amp_knob, knobs_of, short_role
from tubekit.panels.chips import Chips
from tubekit.panels.controls import Control, MainsControl
from tubekit.panels.history import Plan
from tubekit.panels.keep import Copies
from tubekit.panels.later import Later
from tubekit.panels.part_place import PartPlace
from tubekit.panels.tried import OverTrial, Tried

__all__ = ["AmpPanel", "short_role"]


class AmpPanel(OverTrial, widgets.VBox):
    """The panel as a widget. All it shows can be asked for and set by program too.

    Each move is answered before the next is taken. The browser keeps back what it has to send while an
    answer is being worked out and then sends only the latest value: none queue up, and the last one is
    always served.
    """

    NAME = "panel"
    HAS_MAINS = False
    HAS_KNOBS = True

    def __init__(self, amp: Amp) -> None:
        self.amp_list = AmpList(amp, self._amp_chosen)
        self.amps = self.amp_list.choice
        self.place = PartPlace(self._moved, self._in_step)
        self.parts = self.place.list
        self.knobs_place, self.mains_place, self.frame = (widgets.VBox([]) for _ in range(3))
        self.notice = widgets.HTML(layout=widgets.Layout(width="100%"))
        self.chips = Chips(self.take_back)
        self.copies = Copies(
            lambda: f"{self.trial.drawn.name}-{self.NAME}", self.print_png,
            amp=lambda: self.trial.after,
        )  # fmt: skip
        self.buttons = layout.buttons(
            undo=self.undo, redo=self.redo, reset=self.reset, keep=self.keep_as_before, rescale=self.rescale,
            **self.copies.actions,
        )  # fmt: skip
        self.later = Later()
        self._start(amp)
        super().__init__(self.arranged())

    # ---- what a panel states

    figure: Any
    fixed: tuple[Control, ...] = ()

    @abstractmethod
    def begin(self, amp: Amp) -> Tried:
        """A trial that begins with an amp; TubekitError where it has no answer."""

    @abstractmethod
    def new_figure(self) -> Any:
        """A figure with scales fitted to what is on trial."""

    @abstractmethod
    def draw(self) -> None:
        """The figure of what is on trial."""

    @abstractmethod
    def write(self) -> None:
        """The words, once the hand rests."""

    @abstractmethod
    def told(self) -> list[widgets.Widget]:
        """The words beside the figure; they are grayed where there is no answer."""

    @abstractmethod
    def listed(self, amp: Amp) -> Iterable[Part]:
        """The parts that can be chosen, the most usual first."""

    def first(self, names: list[str]) -> str | None:
        """The part to begin with."""
        return next(iter(names), None)

    # ---- what a program asks and sets

    @property
    def amp(self) -> Amp:
        """'Before': the amp with what was kept, at the planned mains."""
        return self.trial.amp

    @property
    def stale(self) -> str:
        """Why the present setting has no answer; '' where it has one."""
        return "" if self.trial.stale is None else str(self.trial.stale)

    @property
    def part(self) -> str:
        """Designator of the part whose controls are shown."""
        return str(self.parts.value)

    @part.setter
    def part(self, designator: str) -> None:
        self.place.choose(designator)

    @property
    def controls(self) -> tuple[Control, ...]:
        """The controls of the part that is chosen."""
        return self.place.controls

    def control(self, key: str) -> Control:
        """The control with that key ('R33.position', 'C2', 'mains') among those shown; KeyError if none."""
        return {control.key: control for control in self._shown()}[key]

    def change(self, changes: Mapping[str, object] | None, mains_rms: float | None) -> None:
        """Set several changes (None takes one back) and the mains at once, with a single solve.

        Raises
        ------
        ChangeError : a part or value that cannot be; nothing was changed.
        SolveError : this setting has no answer; the last one stands, grayed.
        """
        plan = self.trial.plan
        for key, value in (changes or {}).items():
            plan = plan.changed(key, value)
        if mains_rms is not None:
            plan = plan.at_mains(mains_rms)
        error = self._ask(plan)
        if error is not None:
            raise error

    def rescale(self) -> None:
        """New scales, fitted to what is on trial; otherwise they stay for the life of the panel."""
        self.figure = self.new_figure()
        self.frame.children = [self.figure.picture.image]

    def print_png(self) -> bytes:
        """The figure as a PNG file to keep or to print."""
        return bytes(self.figure.picture.print_png())

    # ---- from the widgets

    def _amp_chosen(self, chosen: Choice) -> None:
        self._start(chosen if isinstance(chosen, Amp) else load_amp(chosen))

    def _start(self, amp: Amp) -> None:
        """Everything anew for an amp; where it has no answer, the one before stays."""
        self.trial = self.begin(amp)
        self._offered: object = None
        knobs = (
            [amp_knob(part, words, self._moved) for part, words in knobs_of(amp)] if self.HAS_KNOBS else []
        )
        mains = [MainsControl(amp.design_mains_rms, float(amp.mains_rms), self._moved)]
        mains = mains if self.HAS_MAINS else []
        self.fixed = (*knobs, *mains)
        self.knobs_place.children = [each.box for each in knobs]
        self.mains_place.children = [each.box for each in mains]
        self.rescale()
        self._settle(None)

    def _moved(self, control: Control, key: str, value: Any, gesture: str) -> None:
        plan = self.trial.plan
        plan = plan.at_mains(value) if isinstance(control, MainsControl) else plan.changed(key, value)
        self._ask(plan, control, gesture)

    # ---- the one way in and the one way out

    def _ask(
        self, plan: Plan, control: Control | None = None, gesture: str = "", *, record: bool = True
    ) -> TubekitError | None:
        """Put a plan to the trial and show what came of it; returns the error, where there is no answer."""
        beside = control or next(iter((*self.controls, *self.fixed)), None)
        for each in self._shown():
            each.complain("")
        self.copies.clear()
        try:
            self.trial.ask(plan, gesture, record=record)
        except TubekitError as error:  # it cannot be: nothing was changed
            if beside is not None:
                beside.complain(str(error))
            return error
        self._settle(beside)
        return self.trial.stale

    def _settle(self, beside: Control | None) -> None:
        """Figure first, then controls, then words: the eye follows the curve."""
        if self.trial.stale is None:
            self.draw()
            self.notice.value = ""
            self.later(self._write)
        else:
            self.later.forget()
            self.figure.gray_out()
            for each in self.told():
                each.add_class("tubekit-gray")
            self.notice.value = layout.no_answer(self.stale)
            if beside is not None:
                beside.complain(self.stale)
        self._offer_parts()
        self._in_step()

    def _write(self) -> None:
        self.write()
        self.amp_list.warn(self.trial.after, solved=True)
        for each in self.told():
            each.remove_class("tubekit-gray")

    def _offer_parts(self) -> None:
        """The list of parts with what stands in each before the change; again only after a 'keep'."""
        now = (self.trial.drawn, self.trial.plan.kept)
        if self._offered != now:
            self._offered = now
            self.place.offer(self.amp, self.listed(self.amp), self.first, [each.key for each in self.fixed])

    def _shown(self) -> tuple[Control, ...]:
        return (*self.controls, *self.fixed)

    def _in_step(self) -> None:
        self.amp_list.warn(self.trial.after)
        for control in self._shown():
            control.show(self.trial.after)
        self.chips.show(self.trial.changed_words)
        self.buttons["undo"].disabled = not self.trial.history.can_undo
        self.buttons["redo"].disabled = not self.trial.history.can_redo
        self.buttons["keep"].disabled = not self.trial.plan.changes

    def arranged(self) -> list[widgets.Widget]:
        """The children: buttons above; controls, figure, words, side by side where there is room."""
        rows = [
            widgets.VBox([self.amp_list.box, self.knobs_place]),
            widgets.VBox([self.parts, self.place.box]),
            self.mains_place,
            widgets.VBox([layout.rule("Changes being tried"), self.chips.box]),
        ]
        for row in rows[1:]:
            row.add_class("tubekit-group")
        rows[-1].add_class("tubekit-across")
        tools = layout.tools(self.buttons, self.copies.said)
        return layout.side_by_side(layout.column(rows), self.frame, [self.notice, *self.told()], tools)
