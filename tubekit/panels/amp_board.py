"""A board about an amp: its controls, one part at a time, a figure and numbers, before and after.

A panel states how an amp is answered, how the answer is drawn and written down, and which parts count;
the board does the rest: choosing an amp and a part, undo, redo, complaints, grey where there is no answer.
"""

from __future__ import annotations

import html
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Generic, TypeVar

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.amp.parts import Part, Potentiometer
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import options_with
from tubekit.panels.amp_trial import AmpTrial
from tubekit.panels.chips import Chips
from tubekit.panels.controls import Control, LevelControl, MainsControl, Tell
from tubekit.panels.history import Plan
from tubekit.panels.later import Later
from tubekit.panels.live import LiveFigure
from tubekit.panels.part_controls import controls_for, part_label

R = TypeVar("R")
S = TypeVar("S")


class AmpBoard(widgets.VBox, Generic[R, S]):
    """The panel as a widget: answers R, drawn as S. All it shows can be asked for and set by program too."""

    HAS_MAINS = False

    def __init__(self, amp: Amp) -> None:
        self.amps = layout.described(widgets.Dropdown, "amp", options=options_with(amp), value=amp)
        self.parts = layout.described(widgets.Dropdown, "part", tooltip="The part to change")
        self.always, self.place, self.frame = widgets.VBox([]), widgets.VBox([]), widgets.VBox([])
        full = widgets.Layout(width="100%")
        self.notice, self.numbers = widgets.HTML(layout=full), widgets.HTML(layout=full)
        self.opened = widgets.HTML(layout=full)
        self.details = widgets.Accordion(
            [self.opened], titles=(self.title_of_details(),), selected_index=None
        )
        self.chips = Chips(self.take_back)
        self.buttons = layout.buttons(
            undo=self.undo, redo=self.redo, reset=self.reset, keep=self.keep_as_before, rescale=self.rescale
        )
        self.later = Later()
        self.controls: tuple[Control, ...] = ()
        self._start(amp)
        super().__init__(self.arranged())
        self.amps.observe(self._amp_chosen, "value")
        self.parts.observe(lambda change: self._part_chosen(change["new"]), "value")
        self.details.observe(lambda _: self._open(), "selected_index")

    # ---- what a panel states

    @abstractmethod
    def solve(self, amp: Amp, near: R | None) -> R:
        """The answer for an amp; TubekitError where it has none."""

    @abstractmethod
    def drawn_of(self, answer: R) -> S:
        """What the figure takes."""

    @abstractmethod
    def figure_for(self, now: S, before: S) -> LiveFigure[S]:
        """A figure with scales fitted to `now`."""

    @abstractmethod
    def say(self, now: R, before: R) -> str:
        """The numbers as HTML."""

    @abstractmethod
    def detail(self, now: R, before: R) -> str:
        """What stands in the fold, as HTML; worked out only while it is open."""

    @abstractmethod
    def title_of_details(self) -> str:
        """What stands on the fold."""

    @abstractmethod
    def listed(self, amp: Amp) -> Iterable[Part]:
        """The parts that can be chosen, the most usual first."""

    # ---- what a program asks and sets

    @property
    def amp(self) -> Amp:
        """'Before': the amp with what was kept."""
        return self.trial.amp

    @property
    def result(self) -> R:
        """The last answer; that of the present setting unless `stale`."""
        return self.trial.result

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
        names = [name for _, name in self.parts.options]
        if designator not in names:
            near = near_matches(designator, names)
            raise ChangeError("there is no such part here", where=self.amp.name, part=designator, near=near)
        self.parts.value = designator

    def control(self, key: str) -> Control:
        """The control with that key ('R33.position', 'C2', 'mains') among those shown; KeyError if none."""
        return {control.key: control for control in self._shown()}[key]

    def set(self, changes: Mapping[str, object] | None = None, *, mains_rms: float | None = None) -> R:
        """Set several changes (None takes one back) at once, with a single solve.

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
        return self.result

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
        """The amp as it came."""
        self._ask(Plan(float(self.trial.drawn.mains_rms)))

    def keep_as_before(self) -> None:
        """What is on trial becomes 'before'; the next change is compared with it."""
        self._ask(self.trial.plan.keep())

    def rescale(self) -> None:
        """New scales, fitted to what is on trial; otherwise they stay for the life of the panel."""
        self.figure = self.figure_for(self.drawn_of(self.result), self.drawn_of(self.trial.before))
        self.frame.children = [self.figure.picture.image]

    # ---- from the widgets

    def _amp_chosen(self, change: Mapping[str, Amp | str]) -> None:
        chosen = change["new"]
        try:
            self._start(chosen if isinstance(chosen, Amp) else load_amp(chosen))
        except TubekitError as error:
            self.notice.value = f'<p class="tubekit-stale" role="alert">{html.escape(str(error))}</p>'

    def _start(self, amp: Amp) -> None:
        """Everything anew for an amp; where it has no answer, the one before stays."""
        self.trial = AmpTrial(amp, self.solve)
        fixed: list[Control] = [_knob(part, words, self._moved) for part, words in self._knobs(amp)]
        if self.HAS_MAINS:
            fixed.append(MainsControl(amp.design_mains_rms, float(amp.mains_rms), self._moved))
        self.fixed, self.controls = tuple(fixed), ()
        self._offered: Amp | None = None
        self.always.children = [each.box for each in fixed]
        self.parts.options = ()
        self.rescale()
        self._settle(None)

    def _knobs(self, amp: Amp) -> Iterator[tuple[Potentiometer, str]]:
        found = [p for p in amp.parts.values() if isinstance(p, Potentiometer)]
        words = [short_role(part) for part in found]
        for part, word in zip(found, words, strict=True):
            yield part, f"{word} {part.designator}" if words.count(word) > 1 else word

    def _part_chosen(self, designator: str | None) -> None:
        if designator is None:
            return
        part = self.amp.parts[designator]
        fixed = {each.key for each in self.fixed}
        self.controls = tuple(
            each for each in controls_for(self.amp, part, self._moved) if each.key not in fixed
        )
        said = f"{part.designator}: {part.role or part.kind}" + (f". {part.note}" if part.note else "")
        words = widgets.HTML(f'<p class="tubekit-role">{html.escape(said)}</p>')
        self.place.children = [words, *(control.box for control in self.controls)]
        self._in_step()

    def _moved(self, control: Control, key: str, value: Any, gesture: str) -> None:
        plan = self.trial.plan
        plan = plan.at_mains(value) if isinstance(control, MainsControl) else plan.changed(key, value)
        self._ask(plan, control, gesture)

    # ---- the one way in and the one way out

    def _ask(
        self, plan: Plan, control: Control | None = None, gesture: str = "", *, record: bool = True
    ) -> TubekitError | None:
        """Put a plan to the trial and show what came of it; returns the error, where there is no answer."""
        beside = control or (self.controls or self.fixed or (None,))[0]
        for each in self._shown():
            each.complain("")
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
            self.figure.show(self.drawn_of(self.result), self.drawn_of(self.trial.before))
            self.notice.value = ""
            self.later(self._write)
        else:
            self.later.forget()
            self.figure.grey_out()
            for each in (self.numbers, self.opened):
                each.add_class("tubekit-grey")
            self.notice.value = (
                f'<p class="tubekit-stale" role="alert">No answer for this setting: {html.escape(self.stale)}'
                " What stands here in grey belongs to the last setting that had one.</p>"
            )
            if beside is not None:
                beside.complain(self.stale)
        self._offer_parts()
        self._in_step()

    def _write(self) -> None:
        """The words, once the hand rests."""
        self.numbers.value = self.say(self.result, self.trial.before)
        self._open()
        for each in (self.numbers, self.opened):
            each.remove_class("tubekit-grey")

    def _open(self) -> None:
        if self.details.selected_index is not None:
            self.opened.value = self.detail(self.result, self.trial.before)

    def _offer_parts(self) -> None:
        """The list of parts with what stands in each before the change."""
        if self._offered is self.amp:
            return
        self._offered = self.amp
        options = tuple((part_label(self.amp, part), part.designator) for part in self.listed(self.amp))
        chosen, names = self.parts.value, [name for _, name in options]
        self.parts.options = options
        self.parts.value = chosen if chosen in names else next(iter(names), None)
        self._part_chosen(self.parts.value)

    def _shown(self) -> tuple[Control, ...]:
        return (*self.fixed, *self.controls)

    def _in_step(self) -> None:
        for control in self._shown():
            control.show(self.trial.after)
        self.chips.show(self.trial.changed_words)
        self.buttons["undo"].disabled = not self.trial.history.can_undo
        self.buttons["redo"].disabled = not self.trial.history.can_redo
        self.buttons["keep"].disabled = not self.trial.plan.changes

    def arranged(self) -> list[widgets.Widget]:
        """The children: controls, figure, words, side by side where there is room."""
        below = widgets.HBox(list(self.buttons.values()), layout=widgets.Layout(flex_flow="row wrap"))
        under = layout.column([self.amps, self.always, self.parts, self.place, self.chips.box, below])
        return layout.side_by_side(under, self.frame, [self.notice, self.numbers, self.details])


def _knob(part: Potentiometer, words: str, tell: Tell) -> Control:
    knob = LevelControl(f"{part.designator}.position", words, "position", 0.0, 1.0, 0.01, tell)
    knob.slider.style.description_width = "92px"
    knob.slider.tooltip = f"{part.designator}, {part.role}: 0 to 1; arrow keys move it"
    return knob


def short_role(part: Part) -> str:
    """What a control is called on the panel of its amp.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> parts = load_amp("fescue").parts
    >>> short_role(parts["R53"]), short_role(parts["R51"]), short_role(parts["R54"])
    ('tone', 'volume', 'hum balance')
    """
    words = part.role or part.designator
    for end in (",", ";", ":", "(", " of "):
        words = words.partition(end)[0]
    return words.strip()
