"""A panel about an amp: one part at a time, changes on trial, before and after."""

from __future__ import annotations

import inspect
from abc import abstractmethod
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Generic, TypeVar

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.amp.batches import text_at
from tubekit.amp.parts import Part
from tubekit.errors import Note, TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting, Choice
from tubekit.panels.background import Debouncer
from tubekit.panels.export_files import FileSaver
from tubekit.panels.panel import BEFORE, FigurePanel
from tubekit.panels.part_settings import Chips, PartPlace, amp_controls, control_setting
from tubekit.panels.settings import FieldSetting, LineSetting, Setting
from tubekit.panels.trial import History, Plan, Trial
from tubekit.panels.workbench import lies_there
from tubekit.units import show

P = TypeVar("P")
F = TypeVar("F", bound=Callable[..., Any])
R = TypeVar("R")
S = TypeVar("S")


class AmpPanel(FigurePanel[R], Generic[R, S]):
    """A question asked of an amp before and after the changes on trial: answers R, drawn as S."""

    HAS_LINE = False
    HAS_CONTROLS = True
    DETAILS = ""
    """Title of the fold below the words; '' where there is none."""

    def __init__(self, amp: Amp) -> None:
        self.amp_list = AmpSetting(amp)
        self.amps = self.amp_list.choice
        self.place = PartPlace(self.moved, self.in_step)
        self.parts = self.place.list
        self.controls_place, self.line_place = widgets.VBox([]), widgets.VBox([])
        self.chips = Chips(self.take_back)
        self.opened = layout.words_place()
        self.details = widgets.Accordion([self.opened], titles=(self.DETAILS,), selected_index=None)
        name = lambda: f"{self.trial.drawn.name}-{self.NAME}"  # noqa: E731 - the trial comes later
        saver = FileSaver(name, self.print_png, amp=lambda: self.trial.after)
        super().__init__(saver, Debouncer())
        self.begin(amp)
        widgets.VBox.__init__(self, self.children_of())
        self.amp_list.on_move(self._amp_chosen)
        self.details.observe(lambda _: self._open(), "selected_index")

    trial: Trial
    fixed: tuple[Setting, ...] = ()
    _answered: Amp
    _offered: object

    # ---- what a panel states

    @abstractmethod
    def solve(self, amp: Amp, near: R | None) -> R:
        """The answer for an amp, from where an earlier one ended; TubekitError where it has none."""

    def dangers_of(self, answer: Any) -> tuple[Note, ...]:
        """Dangers that show once the amp is solved."""
        notes: tuple[Note, ...] = answer.view.idle_dangers
        return notes

    def drawn_of(self, answer: Any) -> S:
        """Values that the figure takes: the answer itself, where a panel states no others."""
        drawn: S = answer
        return drawn

    @abstractmethod
    def numbers_html(self, now: R, before: R) -> str:
        """The numbers as HTML."""

    def detail(self, now: R, before: R) -> str:  # noqa: ARG002 - for panels with a fold
        """Contents of the fold, as HTML; made only while it is open."""
        return ""

    @abstractmethod
    def listed(self, amp: Amp) -> Iterable[Part]:
        """The parts that can be chosen, the most usual first."""

    def first(self, names: list[str]) -> str | None:
        """The part to begin with."""
        return next(iter(names), None)

    # ---- what a program asks and sets

    @property
    def amp(self) -> Amp:
        """'Before': the amp with what was kept, at the planned line voltage."""
        return self.trial.amp

    @property
    def part(self) -> str:
        """Designator of the part whose settings are shown."""
        return str(self.parts.value)

    @part.setter
    def part(self, designator: str) -> None:
        self.place.choose(designator)

    @property
    def controls(self) -> tuple[Setting, ...]:
        """The settings of the part that is chosen."""
        return self.place.settings

    def control(self, key: str) -> Setting:
        """The setting with that key ('R33.position', 'C2', 'mains') among those shown; KeyError if none."""
        return {each.key: each for each in self._shown()}[key]

    def set(self, changes: Mapping[str, object] | None = None, *, mains_rms: float | None = None) -> R:
        """Set several changes (None takes one back) and the line voltage at once, with a single solve.

        Raises
        ------
        ChangeError : a part or value that cannot be; nothing was changed.
        SolveError : this setting has no answer; the last one stays, grayed.
        """
        plan = self.trial.plan
        for key, value in (changes or {}).items():
            plan = plan.changed(key, value)
        if mains_rms is not None:
            plan = plan.at_mains(mains_rms)
        error = self.ask(plan)
        if error is not None:
            raise error
        return self.result

    def take_back(self, key: str) -> None:
        """Take the change of one part back."""
        self.ask(self.trial.plan.changed(key, None))

    def reset(self) -> None:
        """The amp as it came, at its own line voltage."""
        self.ask(Plan(float(self.trial.drawn.mains_rms)))

    def keep_as_before(self) -> None:
        """Make what is on trial 'before'; the next change is compared with it."""
        self.ask(self.trial.plan.keep())

    def hold(self, key: str, *, take: bool = False) -> Setting | None:
        """The setting of a control, or of a part's own value; `take` chooses that part."""
        if take and key in self.place.names and key not in [each.key for each in self._shown()]:
            self.part = key
        return next((each for each in self._shown() if each.key == key), None)

    def hold_words(self, key: str) -> str:
        """That setting, or a part in the list with its value."""
        if key in self.place.names:
            return f"{key} {text_at(self.trial.after.parts, key)}" if key in self.trial.after.parts else ""
        return super().hold_words(key)

    def caption(self) -> str:
        """Line voltage, and how 'before' is drawn while something is on trial."""
        before = BEFORE if self.trial.plan.changes else ""
        return " · ".join(filter(None, (f"{show(float(self.amp.mains_rms), 'V')} line", before)))

    # ---- the one way in

    def _amp_chosen(self, _: Setting, chosen: Choice, __: str) -> None:
        self.begin(chosen if isinstance(chosen, Amp) else load_amp(chosen))

    def begin(self, amp: Amp) -> None:
        """Everything anew for an amp; where it has no answer, the one before stays."""
        trial = Trial.begun(amp)
        self.before, self.result = self.solve_trial(trial, None, None)
        self.trial, self.history, self.error = trial, History(trial.plan), None
        self._answered, self._offered = amp, None
        controls = [control_setting(*each) for each in amp_controls(amp)] if self.HAS_CONTROLS else []
        line = [LineSetting(amp.design_mains_rms, float(amp.mains_rms))] if self.HAS_LINE else []
        self.fixed = (*controls, *line)
        for each in self.fixed:
            each.on_move(self.moved)
        self.controls_place.children, self.line_place.children = controls, line
        self.rescale()
        self.settle()

    def moved(self, setting: Setting, value: Any, gesture: str) -> None:
        """A hand moved a setting."""
        plan = self.trial.plan
        if isinstance(setting, LineSetting):
            plan = plan.at_mains(value)
        else:
            plan = plan.changed(setting.path if isinstance(setting, FieldSetting) else setting.key, value)
        self.ask(plan, setting=setting, gesture=gesture)

    def ask(
        self, plan: Plan, *, setting: Setting | None = None, gesture: str = "", record: bool = True
    ) -> TubekitError | None:
        """Put a plan on trial and show what came of it; returns the error, where there is no answer."""
        beside = setting or next(iter(self._shown()), None)
        for each in self._shown():
            each.complain("")
        self.saver.clear()
        try:
            self.trial = self.trial.planned(plan)
        except TubekitError as error:  # it cannot be: nothing was changed
            if beside is not None:
                beside.complain(str(error))
            return error
        if record:
            self.history.push(self.trial.plan, gesture)
        try:
            before = self.before if self.trial.amp is self._answered else None
            self.before, self.result = self.solve_trial(self.trial, before, self.result)
            self._answered, self.error = self.trial.amp, None
        except TubekitError as error:
            self.error = error
        self.settle(beside)
        return self.error

    def solve_trial(self, trial: Trial, before: R | None, near: R | None) -> tuple[R, R]:
        """The answers before and after; `before` where it is known already."""
        if before is None:
            before = self.solve(trial.amp, near)
        return before, self.solve(trial.after, near or before) if trial.plan.changes else before

    # ---- the one way out

    def new_figure(self) -> Any:
        """A figure with scales fitted to what is on trial."""
        return self.figure_for(self.drawn_of(self.result), self.drawn_of(self.before))

    def draw(self) -> None:
        """Now, and before behind it."""
        self.figure.say_above(self.caption())
        self.figure.show(self.drawn_of(self.result), self.drawn_of(self.before))

    def write(self) -> None:
        """Numbers, and the fold while it is open."""
        self.numbers.value = self.numbers_html(self.result, self.before)
        self._open()

    def told(self) -> list[widgets.Widget]:
        """Numbers above, the fold below."""
        return [self.numbers, self.details] if self.DETAILS else [self.numbers]

    def write_now(self) -> None:
        """Write, and say what can kill or burn."""
        super().write_now()
        self.amp_list.warn(self.trial.after, self.dangers_of(self.result))

    def _open(self) -> None:
        if self.details.selected_index is not None:
            self.opened.value = self.detail(self.result, self.before)

    def _shown(self) -> tuple[Setting, ...]:
        return (*self.controls, *self.fixed)

    def in_step(self) -> None:
        """Every setting as planned; the list of parts has what each is before the change."""
        before = (self.trial.drawn, self.trial.plan.kept)
        if self._offered != before:
            self._offered = before
            self.place.offer(self.amp, self.listed(self.amp), self.first, [each.key for each in self.fixed])
        self.amp_list.warn(self.trial.after)
        for each in self._shown():
            each.show(self.trial.after)
        self.chips.show(self.trial.changed_words)
        self.buttons["keep"].disabled = not self.trial.plan.changes

    def children_of(self) -> list[widgets.Widget]:
        """Settings in groups, the changes being tried below them."""
        rows = [
            widgets.VBox([self.amp_list, self.controls_place]),
            widgets.VBox([self.parts, self.place.box]),
            self.line_place,
            widgets.VBox([layout.rule("Changes being tried"), self.chips]),
        ]
        for row in rows[1:]:
            row.add_class("tubekit-group")
        rows[-1].add_class("tubekit-across")
        return self.arranged(rows)


_OPENS = """Parameters
----------
amp
    An amp, a demo name or the path of an amp file; the amp chosen last, else '{usual}', when not given.{more}

Returns
-------
{gives}
    Shows itself as the last line of a cell.

Raises
------
AmpFileError
    The file cannot be read.{raises}

"""


def opens(usual: str, more: str = "", **raises: str) -> Callable[[F], F]:
    """Complete the docstring of a function that opens a panel on an amp: what all of them take and give."""
    errors = "".join(f"\n{name}\n    {why}" for name, why in raises.items())

    def completed(function: F) -> F:
        head, heading, example = inspect.cleandoc(function.__doc__ or "").partition("Examples\n")
        gives = function.__annotations__["return"]
        said = _OPENS.format(usual=usual, more=more and f"\n    {more}", gives=gives, raises=errors)
        function.__doc__ = head + said + heading + example
        return function

    return completed


def amp_of(amp: Choice | Any) -> Amp:
    """An amp from what a panel was opened with: an amp, a demo name, a path."""
    return amp if isinstance(amp, Amp) else load_amp(amp)


def opened(make: Callable[[Amp], P], amp: Choice | Any, usual: str) -> P:
    """A panel on an amp; for None on that of the workbench, or, where it does not suit, on `usual`."""
    if amp is not None:
        return make(amp_of(amp))
    panel: Any
    try:
        panel = make(load_amp(lies_there("amp") or usual))
    except TubekitError as error:
        panel = make(load_amp(usual))
        panel.amp_list.complain(str(error))
        return panel
    volts, line = lies_there("mains"), panel.hold("mains")
    if volts is not None and line is not None:
        line.move(float(volts))
    return panel
