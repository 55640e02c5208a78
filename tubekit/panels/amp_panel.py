"""What every panel about an amp has: the list of amps, one part at a time, changes on trial, the buttons.

The panel that derives from it says what is tried, how it is drawn and how it is written down.
"""

from __future__ import annotations

import html
from abc import abstractmethod
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.amp.parts import Part, Potentiometer
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpList, Choice
from tubekit.panels.chips import Chips
from tubekit.panels.controls import Control, LevelControl, MainsControl, Tell
from tubekit.panels.history import History, Plan
from tubekit.panels.keep import Copies
from tubekit.panels.later import Later
from tubekit.panels.part_controls import controls_for, part_label


class Tried(Protocol):
    """What is on trial: `Trial` and `AmpTrial` are."""

    drawn: Amp
    amp: Amp
    after: Amp
    plan: Plan
    stale: TubekitError | None
    history: History[Plan]

    @property
    def changed_words(self) -> Mapping[str, tuple[str, str]]:
        """(before, now) in words of each change on trial."""

    def ask(self, plan: Plan, gesture: str = "", *, record: bool = True) -> None:
        """Take a plan on and solve it."""


class AmpPanel(widgets.VBox):
    """The panel as a widget. All it shows can be asked for and set by program too.

    Each move is answered before the next is taken. The browser keeps back what it has to send while an
    answer is being worked out and then sends only the latest value: none queue up, and the last one is
    always served.
    """

    NAME = "panel"
    HAS_MAINS = False
    HAS_KNOBS = True
    trial: Any

    def __init__(self, amp: Amp) -> None:
        self.amp_list = AmpList(amp, self._amp_chosen)
        self.amps = self.amp_list.choice
        self.parts = layout.described(widgets.Dropdown, "part", tooltip="The part to change")
        self.knobs_place, self.place, self.mains_place, self.frame = (widgets.VBox([]) for _ in range(4))
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
        self.later, self.controls, self.fixed = Later(), (), ()
        self._start(amp)
        super().__init__(self.arranged())
        self.parts.observe(lambda change: self._part_chosen(change["new"]), "value")

    # ---- what a panel states

    figure: Any
    controls: tuple[Control, ...]
    fixed: tuple[Control, ...]

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
        """The words beside the figure; they are greyed where there is no answer."""

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
        names = [name for _, name in self.parts.options]
        if designator not in names:
            near = near_matches(designator, names)
            raise ChangeError("there is no such part here", where=self.amp.name, part=designator, near=near)
        self.parts.value = designator

    def control(self, key: str) -> Control:
        """The control with that key ('R33.position', 'C2', 'mains') among those shown; KeyError if none."""
        return {control.key: control for control in self._shown()}[key]

    def change(self, changes: Mapping[str, object] | None, mains_rms: float | None) -> None:
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
        knobs = [_knob(part, words, self._moved) for part, words in knobs_of(amp)] if self.HAS_KNOBS else []
        mains = [MainsControl(amp.design_mains_rms, float(amp.mains_rms), self._moved)]
        mains = mains if self.HAS_MAINS else []
        self.fixed, self.controls = (*knobs, *mains), ()
        self.knobs_place.children = [each.box for each in knobs]
        self.mains_place.children = [each.box for each in mains]
        self.rescale()
        self._settle(None)

    def _part_chosen(self, designator: str | None) -> None:
        """Controls of another part; what was changed stays changed."""
        if designator is None or self._filling:
            return
        part = self.amp.parts[designator]
        fixed = {each.key for each in self.fixed}
        found = controls_for(self.amp, part, self._moved)
        self.controls = tuple(each for each in found if each.key not in fixed)
        said = f"{part.designator}: {part.role or part.kind}" + (f". {part.note}" if part.note else "")
        words = f'<p class="tubekit-role">{html.escape(said)}</p>'
        if not found:
            words += "<p>Nothing about this part can be changed here.</p>"
        self.place.children = [widgets.HTML(words), *(control.box for control in self.controls)]
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
            self.figure.grey_out()
            for each in self.told():
                each.add_class("tubekit-grey")
            self.notice.value = layout.no_answer(self.stale)
            if beside is not None:
                beside.complain(self.stale)
        self._offer_parts()
        self._in_step()

    def _write(self) -> None:
        self.write()
        for each in self.told():
            each.remove_class("tubekit-grey")

    _filling = False

    def _offer_parts(self) -> None:
        """The list of parts with what stands in each before the change; again only after a 'keep'."""
        now = (self.trial.drawn, self.trial.plan.kept)
        if self._offered == now:
            return
        self._offered = now
        options = tuple((part_label(self.amp, part), part.designator) for part in self.listed(self.amp))
        chosen, names = self.parts.value, [name for _, name in options]
        self._filling = True
        self.parts.options = options  # goes to the first one
        self.parts.value = chosen if chosen in names else self.first(names)
        self._filling = False
        self._part_chosen(self.parts.value)

    def _shown(self) -> tuple[Control, ...]:
        return (*self.controls, *self.fixed)

    def _in_step(self) -> None:
        for control in self._shown():
            control.show(self.trial.after)
        self.chips.show(self.trial.changed_words)
        self.buttons["undo"].disabled = not self.trial.history.can_undo
        self.buttons["redo"].disabled = not self.trial.history.can_redo
        self.buttons["keep"].disabled = not self.trial.plan.changes

    def arranged(self) -> list[widgets.Widget]:
        """The children: buttons above; controls, figure, words, side by side where there is room."""
        rows = [self.amp_list.box, self.knobs_place, layout.rule("Part"), self.parts, self.place]
        rows += [layout.rule("Mains"), self.mains_place] if self.HAS_MAINS else []
        rows += [layout.rule("Changes on trial"), self.chips.box]
        self.chips.box.add_class("tubekit-across")
        tools = layout.tools(self.buttons, self.copies.said)
        return layout.side_by_side(layout.column(rows), self.frame, [self.notice, *self.told()], tools)


def knobs_of(amp: Amp) -> list[tuple[Potentiometer, str]]:
    """The amp's own controls, each with what it is called on the panel."""
    found = [part for part in amp.parts.values() if isinstance(part, Potentiometer)]
    words = [short_role(part) for part in found]
    return [
        (part, f"{word} {part.designator}" if words.count(word) > 1 else word)
        for part, word in zip(found, words, strict=True)
    ]


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
