"""What every panel is: something is asked, answered, drawn and written down, and can be undone.

`Panel` has the history, the buttons and the notice; `FigurePanel` draws first and writes once the hand
rests, and grays everything out where there is no answer; `StagePanel` asks about a few settings.
"""

from __future__ import annotations

import html
from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, ClassVar, Generic, TypeVar

import ipywidgets as widgets

from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.amp_choice import AmpSetting
from tubekit.panels.background import SOON_S, Debouncer
from tubekit.panels.export_files import FileSaver
from tubekit.panels.figure_widget import HEIGHT, WIDTH, FigureWidget, Reach
from tubekit.panels.settings import Setting
from tubekit.panels.trial import History
from tubekit.text import Table

R = TypeVar("R")
Settings = Mapping[str, Any]
BEFORE = "before: gray, ◇"


class Panel(widgets.VBox):
    """History, buttons and notice. All a panel shows can be asked for and set by program too."""

    NAME = "panel"
    history: History[Any]
    saver: FileSaver

    def equip(self, saver: FileSaver, **actions: Callable[[], None]) -> None:
        """Make the notice and the buttons, those that save among them."""
        self.saver, self.notice = saver, layout.words_place()
        own = {"undo": self.undo, "redo": self.redo, "reset": self.reset, **saver.actions}
        self.buttons = layout.buttons(**{**own, **actions})

    @abstractmethod
    def ask(self, plan: Any, *, record: bool = True) -> Any:
        """Take another plan on and show what comes of it."""

    @abstractmethod
    def reset(self) -> None:
        """As it came."""

    def hold(self, key: str, *, take: bool = False) -> Setting | None:  # noqa: ARG002 - for panels with settings
        """The setting a handle of the figure moves, None without one; `take` brings it into view."""
        return None

    def undo(self) -> None:
        """Back to the setting before."""
        self.ask(self.history.undo(), record=False)

    def redo(self) -> None:
        """Forward to what was undone."""
        self.ask(self.history.redo(), record=False)

    def show_history(self) -> None:
        """Buttons that can be pressed."""
        self.buttons["undo"].disabled = not self.history.can_undo
        self.buttons["redo"].disabled = not self.history.can_redo


class FigurePanel(Panel, Generic[R]):
    """A result with a figure and words; an earlier one faint behind it.

    Each move is answered before the next is taken; the browser keeps back what it has to send meanwhile and
    then sends only the latest value.
    """

    VIEW: ClassVar[Any]
    """The view that draws a result."""
    SIZE: ClassVar[tuple[int, int]] = (WIDTH, HEIGHT)
    figure: FigureWidget[Any]
    result: R
    before: R
    error: TubekitError | None

    def __init__(self, saver: FileSaver, debouncer: Debouncer) -> None:
        self.frame, self.numbers, self.strip = widgets.VBox([]), layout.words_place(), layout.words_place()
        self.strip.add_class("tubekit-strip")
        self.debouncer, self.error = debouncer, None
        self.equip(saver, keep=self.keep_as_before, rescale=self.rescale)

    # ---- what a panel states

    @abstractmethod
    def new_figure(self) -> Any:
        """A figure with scales fitted to what is seen."""

    def figure_for(self, now: Any, before: Any) -> FigureWidget[Any]:
        """A figure with scales fitted to `now`."""
        return FigureWidget(self.VIEW, now, before, self.SIZE)

    @abstractmethod
    def draw(self) -> None:
        """The figure of what is seen."""

    @abstractmethod
    def write(self) -> None:
        """The words, once the hand rests."""

    @abstractmethod
    def in_step(self) -> None:
        """Bring every setting in step with what was asked."""

    @abstractmethod
    def keep_as_before(self) -> None:
        """Make what is seen 'before'."""

    def told(self) -> list[widgets.Widget]:
        """The words beside the figure; they are grayed where there is no answer."""
        return [self.numbers]

    # ---- what a program asks

    @property
    def stale(self) -> str:
        """Why the present setting has no answer; '' where it has one."""
        return "" if self.error is None else str(self.error)

    def rescale(self) -> None:
        """New scales, fitted to what is seen; otherwise they stay for the life of the panel."""
        self.figure = self.new_figure()
        self.figure.say_above(self.caption())
        self.figure.refresh()
        self.figure.alt = self.seen_words()
        self.offer()
        self.frame.children = [self.figure]

    def print_png(self) -> bytes:
        """The figure as a PNG file to keep or to print."""
        return self.figure.print_png()

    # ---- the hand on the figure

    def hold_words(self, key: str) -> str:
        """That setting with its value, '' where there is none."""
        setting = self.hold(key)
        if setting is None or not isinstance(setting.value, float | int):
            return ""
        return f"{setting.called} {setting.words(setting.value)}"

    def offer(self) -> None:
        """Show what can be moved on the figure."""
        self.figure.offer(self.hold_words, self.handled)

    def caption(self) -> str:
        """What stands over the figure: how 'before' is drawn."""
        return BEFORE if self.before is not self.result else ""

    def seen_words(self) -> str:
        """The figure in words, for those who cannot see it."""
        said = (f"Figure of {self.NAME.replace('-', ' ')}", self.headline().rstrip("."), self.caption())
        return ". ".join(filter(None, said))

    def headline(self) -> str:
        """The answer in a sentence."""
        return str(getattr(self.result, "headline", str)())

    def handled(self, *reaches: Reach) -> None:
        """A hand moved a handle of the figure: its settings go to the nearest value each can have."""
        for setting, value, gesture in self.reached(reaches):
            setting.move(value, gesture)

    def reached(self, reaches: Sequence[Reach]) -> list[tuple[Setting, float, str]]:
        """Each setting that moves, where to, and by what gesture."""
        found = []
        for reach in reaches:
            setting = self.hold(reach.key, take=True)
            if setting is None or not isinstance(setting.value, float | int):
                continue
            now = float(setting.value)
            wanted = now * reach.value if reach.times else reach.value
            value = setting.stepped(reach.steps) if reach.steps else setting.nearest(wanted)
            if value != now:
                found.append((setting, value, reach.gesture))
        return found

    # ---- the one way out

    def settle(self, setting: Setting | None = None) -> None:
        """Figure first, then settings, then words: the eye follows the curve."""
        if self.error is None:
            self.draw()
            self.notice.value = ""
            self.debouncer(self.write_now)
        else:
            self.debouncer.forget()
            self.figure.gray_out()
            for each in self.told():
                each.add_class("tubekit-gray")
            self.notice.value = layout.no_answer(self.stale)
        self.in_step()
        self.offer()
        self.show_history()
        if self.error is not None and setting is not None:
            setting.complain(self.stale)

    def write_now(self) -> None:
        """Write, and take the gray away."""
        self.write()
        self.figure.alt = self.seen_words()
        self.strip.value = f"<p>{html.escape(self.headline())}</p>"
        for each in self.told():
            each.remove_class("tubekit-gray")

    def arranged(self, under: Sequence[widgets.Widget]) -> list[widgets.Widget]:
        """The children: buttons above; settings, figure, words, side by side where there is room."""
        tools = layout.tools(self.buttons, self.saver, self.strip)
        return layout.side_by_side(layout.column(under), self.frame, [self.notice, *self.told()], tools)


class StagePanel(FigurePanel[R]):
    """One question about a few settings, answered at every move."""

    NAME = "stage"

    def __init__(self, knobs: Sequence[Setting], start: Settings) -> None:
        self.knobs: dict[str, Any] = {knob.key: knob for knob in knobs}
        self.settings, self.first = MappingProxyType(dict(start)), MappingProxyType(dict(start))
        self.history = History[Settings](self.settings)
        super().__init__(self.saving(), Debouncer(SOON_S, patient=False))
        self.result = self.before = self.solve(self.settings)
        self.rescale()
        self.in_step()
        self.offer()
        self.show_history()
        self.write_now()
        widgets.VBox.__init__(self, self.arranged([*self.knobs.values()]))
        for knob in knobs:
            knob.on_move(self.moved)

    # ---- what a panel states

    @abstractmethod
    def solve(self, settings: Settings) -> R:
        """The answer to a setting; TubekitError where it has none."""

    def tables(self, now: R, before: R) -> Sequence[Table]:  # noqa: ARG002 - for panels that have some
        """The numbers beside the figure."""
        return ()

    def numbers_html(self, now: R, before: R) -> str:
        """The numbers as HTML."""
        return "".join(table.html() for table in self.tables(now, before))

    def saving(self) -> FileSaver:
        """What can be saved: where there is no amp, the values in place of an amp file."""
        return FileSaver(self.name, self.print_png, values=self.in_words)

    def name(self) -> str:
        """Name of files written from the panel."""
        return self.NAME

    def adapted(self, key: str, settings: Settings) -> Settings:  # noqa: ARG002 - for panels that need it
        """The settings after `key` moved: another tube may ask for other volts."""
        return settings

    def suit(self, settings: Settings) -> None:
        """Hide what does nothing in this setting, fit the bounds."""

    def other_scales(self, was: Settings, now: Settings) -> bool:  # noqa: ARG002 - for panels that need it
        """Whether a setting asks for a figure of its own; nothing stays behind then."""
        return False

    # ---- what a program asks and sets

    def knob(self, key: str) -> Any:
        """The setting with that key.

        Raises
        ------
        ChangeError : there is none.
        """
        if key not in self.knobs:
            raise ChangeError("there is no such setting", part=key, near=near_matches(key, self.knobs))
        return self.knobs[key]

    def hold(self, key: str, *, take: bool = False) -> Setting | None:  # noqa: ARG002 - all are in view
        """The setting of that key, while it does something."""
        knob = self.knobs.get(key)
        return knob if knob is not None and knob.layout.display != "none" else None

    @property
    def amp_list(self) -> Any:
        """The list of amps, of a panel that has one."""
        return self.knob("amp")

    def set(self, **values: Any) -> R:
        """Set several settings at once, with a single solve.

        Raises
        ------
        ChangeError : no such setting. TubekitError : no answer; the last one stays, grayed.
        """
        settings: Settings = self.settings
        for key, value in values.items():
            self.knob(key)
            settings = self.adapted(key, {**settings, key: value})
        error = self.ask(settings)
        if error is not None:
            raise error
        return self.result

    def reset(self) -> None:
        """The setting it came with."""
        self.ask(self.first)

    def keep_as_before(self) -> None:
        """Keep what is seen now as the faint curve; the next moves are compared with it."""
        if not self.stale:
            self.before = self.result
            self.settle()

    def in_words(self) -> str:
        """Every setting that does something, and the numbers, as plain text."""
        seen = [knob for knob in self.knobs.values() if knob.label and knob.layout.display != "none"]
        lines = [f"{knob.label}: {knob.words(self.settings[knob.key])}" for knob in seen]
        tables = [table.text() for table in self.tables(self.result, self.before)]
        stale = f"No result for this setting. The numbers are from the last setting that worked. {self.stale}"
        return "\n\n".join(["\n".join(lines), *([stale] if self.stale else []), *tables]) + "\n"

    # ---- the one way in

    def moved(self, knob: Setting, value: Any, gesture: str) -> None:
        """A hand moved a setting; an amp that cannot be taken is refused below its list."""
        try:
            settings = self.adapted(knob.key, {**self.settings, knob.key: value})
            error = self.ask(settings, setting=knob, gesture=gesture)
        except TubekitError as cannot_be:
            self.notice.value, error = "", cannot_be
            self.in_step()
            if not isinstance(knob, AmpSetting):
                knob.complain(str(error))
        else:
            if error is not None and isinstance(knob, AmpSetting):
                self.ask(self.history.undo(), record=False)
        if error is not None and isinstance(knob, AmpSetting):
            raise error

    def handled(self, *reaches: Reach) -> None:
        """Settings that one hand moves together are answered once."""
        moves = self.reached(reaches)
        if len(moves) < 2:
            super().handled(*reaches)
            return
        last, _, gesture = moves[-1]
        together = {setting.key: value for setting, value, _ in moves}
        self.ask({**self.settings, **together}, setting=last, gesture=gesture)

    def ask(
        self, settings: Settings, *, setting: Setting | None = None, gesture: str = "", record: bool = True
    ) -> TubekitError | None:
        """Solve a setting and show what came of it; returns the error, where there is no answer."""
        for each in self.knobs.values():
            each.complain("")
        self.saver.clear()
        was = self.settings
        if record:
            self.history.push(settings, gesture)
        self.settings = MappingProxyType(dict(settings))
        try:
            self.result, self.error = self.solve(self.settings), None
        except TubekitError as error:
            self.error = error
        if self.error is None and self.other_scales(was, self.settings):
            self.before = self.result
            self.rescale()
        self.settle(setting)
        return self.error

    def new_figure(self) -> Any:
        """A figure with scales fitted to what is seen."""
        return self.figure_for(self.result, self.before)

    def draw(self) -> None:
        """Now, and before behind it."""
        self.figure.say_above(self.caption())
        self.figure.show(self.result, self.before)

    def write(self) -> None:
        """The numbers beside the figure."""
        self.numbers.value = (
            f'<section class="tubekit">{self.numbers_html(self.result, self.before)}</section>'
        )

    def in_step(self) -> None:
        """Every setting as it was asked."""
        self.suit(self.settings)
        for key, knob in self.knobs.items():
            knob.put(self.settings[key])
