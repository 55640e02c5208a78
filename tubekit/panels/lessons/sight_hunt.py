"""Readings taken so far, each against the drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from tubekit.plots import ink

ROWS, TOP = 12, 2.2
LEFT = 0.34


@dataclass(frozen=True)
class Row:
    """A reading: where, what it says in words, and as a part of what the drawing has."""

    place: str
    said: str
    share: float


class HuntView:
    """One line for each reading; within the shaded band it is as drawn."""

    def __init__(self, figure: Figure, band: float) -> None:
        axes = figure.add_axes((LEFT, 0.1, 0.98 - LEFT, 0.82))
        axes.set_title("Readings, relative to the schematic")
        axes.set(xlim=(0.0, TOP), ylim=(ROWS - 0.5, -0.5), yticks=[])
        axes.set_xticks([0.0, 0.5, 1.0, 1.5, 2.0], ["nil", "half", "as drawn", "1.5 ×", "2 × or more"])
        axes.spines["left"].set_visible(False)
        axes.axvspan(1.0 - band, 1.0 + band, color=ink.FILLS["within"].face, zorder=1)
        self.good = axes.plot([], [], marker="o", markersize=9, color=ink.IRON, linestyle="none", zorder=4)[0]
        self.off = axes.plot([], [], marker="D", markersize=10, color=ink.OXIDE, linestyle="none", zorder=4,
                             clip_on=False)[0]  # fmt: skip
        self.names = [
            axes.text(-0.02, k, "", transform=axes.get_yaxis_transform(), ha="right", va="center")
            for k in range(ROWS)
        ]
        self.waits = axes.text(0.05, 0.0, "", ha="left", va="center", color=ink.IRON)
        self.band = band

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [self.good, self.off, *self.names, self.waits]

    def show(self, now: Sequence[Row], before: Sequence[Row] | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """The latest readings."""
        rows = list(now)[-ROWS:]
        shares = np.array([min(row.share, TOP) for row in rows])
        places = np.arange(len(rows))
        good = np.abs(shares - 1.0) <= self.band
        self.good.set_data(shares[good], places[good])
        self.off.set_data(shares[~good], places[~good])
        for k, text in enumerate(self.names):
            text.set_text(f"{rows[k].place}: {rows[k].said}" if k < len(rows) else "")
        self.waits.set_text("" if rows else "no reading taken yet")

    def fade(self, faded: bool) -> None:
        """Readings are never out of date."""
