"""The part-swap panel: pick a part, change it, see what moves and what it does to every rating."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path

import ipywidgets as widgets

from tubekit.amp import Amp, demo_names, load_amp
from tubekit.decisions import SwapReport
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import options_with
from tubekit.panels.answer import Answer
from tubekit.panels.chips import Chips
from tubekit.panels.controls import Control, MainsControl
from tubekit.panels.history import Plan
from tubekit.panels.part_controls import controls_for, part_label
from tubekit.panels.swap_figure import SwapFigure
from tubekit.panels.trial import Trial


class PartSwap(widgets.VBox):
    """The panel as a widget. Everything it shows can be asked for and set without a hand on it.

    Each move is answered before the next is taken. The browser keeps back what it has to send while
    an answer is being worked out and then sends only the latest value: none queue up, and the last
    one is always served.
    """

    def __init__(self, amp: Amp) -> None:
        self.amps = layout.described(widgets.Dropdown, "amp", options=options_with(amp), value=amp)
        self.parts = layout.described(widgets.Dropdown, "part", tooltip="The part to change")
        self.place, self.frame = widgets.VBox([]), widgets.VBox([])
        self.mains_place = widgets.VBox([])
        self.answer = Answer()
        self.chips = Chips(self.take_back)
        self.buttons = layout.buttons(
            undo=self.undo, redo=self.redo, reset=self.reset, keep=self.keep_as_before, rescale=self.rescale
        )
        self._start(amp)
        super().__init__(layout.arranged(self))
        self.amps.observe(self._amp_chosen, "value")
        self.parts.observe(lambda change: self._part_chosen(change["new"]), "value")

    # ---- what a program asks and sets

    @property
    def amp(self) -> Amp:
        """'Before': the amp with what was kept, at the planned mains."""
        return self.trial.amp

    @property
    def report(self) -> SwapReport:
        """The last answer; that of the present setting unless `stale`."""
        return self.trial.report

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
        if designator not in self.amp.parts:
            near = near_matches(designator, self.amp.parts)
            raise ChangeError("there is no such part", where=self.amp.name, part=designator, near=near)
        self.parts.value = designator

    def control(self, key: str) -> Control:
        """The control with that key ('R14', 'R31.position', 'mains') among those shown; KeyError if none."""
        return {control.key: control for control in (*self.controls, self.mains)}[key]

    def set(
        self, changes: Mapping[str, object] | None = None, *, mains_rms: float | None = None
    ) -> SwapReport:
        """Set several changes (None takes one back) and the mains at once, with a single solve.

        Raises
        ------
        ChangeError : a part or value that cannot be; nothing was changed.
        SolveError : this setting has no answer; the last one stands, greyed.
        """
        plan = self.trial.plan
        for key, value in (changes or {}).items():
            plan = plan.changed(key, value)
        if mains_rms is not None:
            plan = plan.at_mains(mains_rms)
        error = self._ask(plan)
        if error is not None:
            raise error
        return self.report

    def take_back(self, key: str) -> None:
        """Take the change of one part back."""
        self._ask(self.trial.plan.changed(key, None))

    def undo(self) -> None:
        """Back to the setting before."""
        self._ask(self.trial.history.undo(), record=False)

    def redo(self) -> None:
        """Forward to what was undone."""
        self._ask(self.trial.history.redo(), record=False)

    def reset(self) -> None:
        """The amp as it came, at its own mains."""
        self._ask(Plan(float(self.trial.drawn.mains_rms)))

    def keep_as_before(self) -> None:
        """What is on trial becomes 'before'; the next change is compared with it."""
        self._ask(self.trial.plan.keep())

    def rescale(self) -> None:
        """New scales, fitted to what is on trial; otherwise they stay for the life of the panel."""
        self.figure = SwapFigure(self.report)
        self.frame.children = [self.figure.picture.image]

    # ---- from the widgets

    def _amp_chosen(self, change: Mapping[str, Amp | str]) -> None:
        chosen = change["new"]
        self.answer.refuse("")
        try:
            self._start(chosen if isinstance(chosen, Amp) else load_amp(chosen))
        except TubekitError as error:
            self.answer.refuse(str(error))

    def _start(self, amp: Amp) -> None:
        """Everything anew for an amp."""
        self.trial = Trial(amp)
        self.mains = MainsControl(amp.design_mains_rms, float(amp.mains_rms), self._moved)
        self.mains_place.children = [self.mains.box]
        self.controls: tuple[Control, ...] = ()
        self.parts.options = ()
        self.rescale()
        self._settle(None)

    def _part_chosen(self, designator: str | None) -> None:
        """Controls of another part; what was changed stays changed."""
        if designator is None:
            return
        part = self.amp.parts[designator]
        self.controls = controls_for(self.amp, part, self._moved)
        said = f"{part.designator}: {part.role or part.kind}" + (f". {part.note}" if part.note else "")
        words = f'<p class="tubekit-role">{html.escape(said)}</p>'
        if not self.controls:
            words += "<p>Nothing about this part can be changed here.</p>"
        self.place.children = [widgets.HTML(words), *(control.box for control in self.controls)]
        self._in_step()

    def _moved(self, control: Control, key: str, value: object, gesture: str) -> None:
        plan = self.trial.plan
        plan = plan.at_mains(value) if control is self.mains else plan.changed(key, value)
        self._ask(plan, control, gesture)

    # ---- the one way in and the one way out

    def _ask(
        self, plan: Plan, control: Control | None = None, gesture: str = "", *, record: bool = True
    ) -> TubekitError | None:
        """Put a plan to the trial and show what came of it; returns the error, where there is no answer."""
        beside = control or (self.controls[0] if self.controls else self.mains)
        for each in (*self.controls, self.mains):
            each.complain("")
        try:
            self.trial.ask(plan, gesture, record=record)
        except TubekitError as error:  # it cannot be: nothing was changed
            beside.complain(str(error))
            return error
        self._settle(beside)
        return self.trial.stale

    def _settle(self, beside: Control | None) -> None:
        """Figure, words, controls as the trial has them."""
        if self.trial.stale is None:
            self.figure.show(self.report)
            self.answer.show(self.report)
        else:
            self.figure.grey_out()
            self.answer.grey_out(self.stale)
            if beside is not None:
                beside.complain(self.stale)
        self._offer_parts()
        self._in_step()

    def _offer_parts(self) -> None:
        """The list of parts with what stands in each before the change."""
        options = tuple((part_label(self.amp, part), name) for name, part in self.amp.parts.items())
        if options == self.parts.options:
            return
        chosen, names = self.parts.value, [name for _, name in options]
        self.parts.options = options  # goes to the first one
        self.parts.value = chosen if chosen in names else _first(self.amp)
        self._part_chosen(self.parts.value)

    def _in_step(self) -> None:
        for control in (*self.controls, self.mains):
            control.show(self.trial.after)
        self.chips.show(self.trial.changed_words)
        self.buttons["undo"].disabled = not self.trial.history.can_undo
        self.buttons["redo"].disabled = not self.trial.history.can_redo
        self.buttons["keep"].disabled = not self.trial.plan.changes


def _first(amp: Amp) -> str:
    """The part to begin with: the rectifier tube, else the first resistor, else the first part."""
    kinds = {part.kind: name for name, part in reversed([*amp.parts.items()])}
    return kinds.get("rectifier tube") or kinds.get("resistor") or next(iter(amp.parts))


def part_swap(amp: Amp | str | Path | None = None) -> PartSwap:
    """The panel that answers 'what will this swap do?'.

    Parameters
    ----------
    amp : an amp, a demo name or the path of an amp file; the first demo amp when not given.

    Raises
    ------
    AmpFileError : the file cannot be read. SolveError : the amp has no idle state to begin with.

    Examples
    --------
    >>> panel = part_swap("teasel")
    >>> panel.set({"R14": "330"}).after.amp.parts["R14"].ohms
    330.0
    """
    amp = demo_names()[0] if amp is None else amp
    return PartSwap(amp if isinstance(amp, Amp) else load_amp(amp))
