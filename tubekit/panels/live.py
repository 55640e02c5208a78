"""A view drawn into an image widget: what a panel shows, moves and grays out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, Protocol, TypeVar

from matplotlib.artist import Artist
from matplotlib.figure import Figure

from tubekit.panels.picture import LivePicture
from tubekit.plots import ink

R = TypeVar("R")
R_contra = TypeVar("R_contra", contravariant=True)

WIDTH, HEIGHT = 634, 560


class View(Protocol[R_contra]):
    """Axes whose scales stay, and the artists on them that follow a result."""

    @property
    def moving(self) -> Sequence[Artist]:
        """Everything that `show` changes, the lowest first."""

    def show(self, now: R_contra, before: R_contra | None = None) -> None:
        """Put another result on the same scales, an earlier one faint behind it."""

    def fade(self, faded: bool) -> None:
        """Gray the curves out, or ink them again."""


class LiveFigure(Generic[R]):
    """One view on paper of its own, with scales fitted to `first`.

    Parameters
    ----------
    make : puts the axes on a figure, scales as `first` needs them.
    """

    def __init__(
        self, make: Callable[[Figure, R], View[R]], first: R, before: R | None = None, height: int = HEIGHT
    ) -> None:
        with ink.style():
            figure = ink.paper(WIDTH / ink.DPI, height / ink.DPI)
            self.view = make(figure, first)
            self.view.show(first, before)
            self.picture = LivePicture(figure, self.view.moving)

    def show(self, now: R, before: R | None = None) -> None:
        """Another result."""
        self.view.show(now, before)
        self.view.fade(False)
        self.picture.refresh()

    def gray_out(self) -> None:
        """What stands belongs to an earlier setting."""
        self.view.fade(True)
        self.picture.refresh()
