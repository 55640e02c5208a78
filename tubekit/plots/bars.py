"""Bars over a fixed set of names, the value in words above each, the earlier value as a hollow mark."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from tubekit.decisions.rating import state_of
from tubekit.plots import ink
from tubekit.plots.handles import Trace


class BarsView:
    """One bar per name on a linear scale that stays; longer bars are cut and tell their figures.

    Parameters
    ----------
    top : end of the scale.
    words : a value as it is written above its bar.
    limit : full use of a rating: bars near and above it are filled as ratings are.
    """

    def __init__(
        self, axes: Axes, names: Sequence[str], top: float, *, title: str, words: Callable[[float], str],
        limit: float = math.inf,
    ) -> None:  # fmt: skip
        self.axes, self.top, self._words, self.limit, self.names = axes, top, words, limit, names
        axes.set_title(title)
        axes.set(xlim=(-0.6, len(names) - 0.4), ylim=(0.0, 1.18 * top))
        axes.set_xticks(range(len(names)), names)
        axes.tick_params(axis="x", length=0)
        axes.grid(visible=False, axis="x")
        self.bars = [ink.bar(axes, k - 0.3, 0.0, 0.6, 0.0) for k in range(len(names))]
        self.marks = [ink.mark(axes, "d", 4.5) for _ in names]
        self.labels = [
            axes.text(k, 0.0, "", ha="center", va="bottom", fontsize=7.5) for k in range(len(names))
        ]

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [*self.bars, *self.marks, *self.labels]

    def show(self, now: Sequence[float], before: Sequence[float] | None = None) -> None:
        """New lengths; a diamond where the value was, if it moved by more than a hundredth of the scale."""
        for place, value in enumerate(now):
            high = 0.0 if math.isnan(value) else min(float(value), self.top)
            self.bars[place].set_height(high)
            ink.fill(self.bars[place], state_of(float(value) / self.limit))
            self.labels[place].set_position((place, high + 0.02 * self.top))
            self.labels[place].set_text(self._words(float(value)))
            old = None if before is None else float(before[place])
            moved = old is not None and abs(old - value) > 0.01 * self.top
            self.marks[place].set_data(
                [place + 0.38] if moved else [], [min(old or 0.0, self.top)] if moved else []
            )

    def traces(self, axes: int, words: str = "{}: {} % of its rating") -> Iterator[Trace]:
        """Each bar with its name and value."""
        for place, (name, label, bar) in enumerate(zip(self.names, self.labels, self.bars, strict=True)):
            said = words.format(name.replace("\n", " "), label.get_text())
            yield Trace(said, axes, np.full(2, float(place)), np.array([0.0, bar.get_height()]))

    def fade(self, faded: bool) -> None:
        """Gray the bars out, or ink them again."""
        ink.fade((*self.bars, *self.labels), faded)
