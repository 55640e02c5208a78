"""A board about an amp: one question asked of it before and after the changes on trial.

A panel states how an amp is answered, how the answer is drawn and written down, and which parts count;
the board does the rest: the words beside the figure, the fold below them, gray where there is no answer.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from typing import Generic, TypeVar

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.panels.amp_panel import AmpPanel
from tubekit.panels.amp_trial import AmpTrial
from tubekit.panels.live import LiveFigure

R = TypeVar("R")
S = TypeVar("S")


class AmpBoard(AmpPanel, Generic[R, S]):
    """The panel as a widget: answers R, drawn as S. All it shows can be asked for and set by program too."""

    trial: AmpTrial[R]

    def __init__(self, amp: Amp) -> None:
        full = widgets.Layout(width="100%")
        self.numbers, self.opened = widgets.HTML(layout=full), widgets.HTML(layout=full)
        self.details = widgets.Accordion(
            [self.opened], titles=(self.title_of_details(),), selected_index=None
        )
        super().__init__(amp)
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

    # ---- what a program asks and sets

    @property
    def result(self) -> R:
        """The last answer; that of the present setting unless `stale`."""
        return self.trial.result

    def set(self, changes: Mapping[str, object] | None = None, *, mains_rms: float | None = None) -> R:
        """Set several changes (None takes one back) at once, with a single solve.

        Raises
        ------
        ChangeError : a part or value that cannot be; nothing was changed.
        SolveError : this setting has no answer; the last one stands, grayed.
        """
        self.change(changes, mains_rms)
        return self.result

    # ---- what the panel below asks for

    def begin(self, amp: Amp) -> AmpTrial[R]:
        """A trial of the panel's question."""
        return AmpTrial(amp, self.solve)

    def new_figure(self) -> LiveFigure[S]:
        """A figure with scales fitted to what is on trial."""
        return self.figure_for(self.drawn_of(self.result), self.drawn_of(self.trial.before))

    def draw(self) -> None:
        """Now, and before behind it."""
        self.figure.show(self.drawn_of(self.result), self.drawn_of(self.trial.before))

    def write(self) -> None:
        """Numbers, and the fold while it is open."""
        self.numbers.value = self.say(self.result, self.trial.before)
        self._open()

    def told(self) -> list[widgets.Widget]:
        """Numbers above, the fold below."""
        return [self.numbers, self.details]

    def _open(self) -> None:
        if self.details.selected_index is not None:
            self.opened.value = self.detail(self.result, self.trial.before)
