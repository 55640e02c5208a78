"""Plate curves to draw a load line on, or to place the idle point on one."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tubekit.devices import tube
from tubekit.panels.lessons.question import Question
from tubekit.panels.lessons.sight import Seen
from tubekit.plots import ink

MILLI = 1e3


class PlateSight:
    """A triode's plate curves; options: `tube`, `volts`, `amps` (ends of the axes), `step` of the grid [V].

    With `supply` and `ohms` a line is given, and the handle 'idle' [A] moves a point along it; without, the
    handles 'foot' [V] and 'head' [A] are the ends of the line that is drawn.
    """

    def __init__(self, figure: Figure, question: Question) -> None:
        self.options = options = question.picture.options
        self.given = "supply" in options
        axes = figure.add_axes((0.08, 0.15, 0.86, 0.74))
        axes.set_title("Plate current (mA) vs plate voltage (V)", pad=18.0)
        axes.set(xlim=(0.0, options["volts"]), ylim=(0.0, MILLI * options["amps"]))
        self._family(axes)
        if self.given:
            self._line_given(axes)
        solid: dict[str, Any] = {"color": ink.IRON, "linewidth": 2.2, "zorder": 5, "clip_on": False}
        dashed: dict[str, Any] = {"color": ink.OXIDE, "linewidth": 1.8, "linestyle": (0, (6, 2)), "zorder": 4}
        self.line, self.true = axes.plot([], [], **solid)[0], axes.plot([], [], **dashed)[0]
        self.ends = axes.plot([], [], marker="o", markersize=10, color=ink.IRON, linestyle="none", zorder=6,
                              clip_on=False)[0]  # fmt: skip
        ring: dict[str, Any] = {
            "marker": "o",
            "markersize": 13,
            "markerfacecolor": "none",
            "markeredgewidth": 2.0,
        }
        self.rest = axes.plot([], [], **ring, markeredgecolor=ink.OXIDE, linestyle="none", zorder=7)[0]
        self.printed = axes.plot(
            [], [], marker="s", markersize=8, markerfacecolor=ink.PAPER, markeredgecolor=ink.VERDIGRIS,
            markeredgewidth=1.8, linestyle="none", zorder=8, clip_on=False,
        )[0]  # fmt: skip
        self.told = axes.text(
            0.0, -0.14, "", transform=axes.transAxes, ha="left", va="center", color=ink.OXIDE
        )

    def _family(self, axes: Axes) -> None:
        """One curve for each step of the grid, named where it leaves the axes."""
        far, most = float(self.options["volts"]), float(self.options["amps"])
        kind, volts = tube(self.options["tube"]), np.linspace(0.0, far, 161)
        for k in range(12):
            grid = -k * self.options["step"]
            amps = np.asarray(kind.at(plate=volts, grid=grid).plate_a)
            axes.plot(volts, MILLI * amps, color=ink.FAINT, linewidth=0.8, zorder=2)
            name, small = f"{grid + 0.0:g} V", {"fontsize": 7.5}
            if amps[-1] > most:
                at = float(np.interp(most, amps, volts))
                axes.text(at, 1.012 * MILLI * most, name, ha="center", va="bottom", **small)  # type: ignore[arg-type]
            elif amps[-1] > 0.03 * most:
                axes.text(1.008 * far, MILLI * amps[-1], name, ha="left", va="center", **small)  # type: ignore[arg-type]
            else:
                break

    def _line_given(self, axes: Axes) -> None:
        supply, ohms = self.options["supply"], self.options["ohms"]
        axes.plot([0.0, supply], [MILLI * supply / ohms, 0.0], color=ink.IRON, linewidth=1.0, zorder=3)

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [self.true, self.line, self.ends, self.rest, self.printed, self.told]

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another line or point, and the answer where there is one."""
        if self.given:
            self._show_point(now)
        else:
            self._show_line(now)
        words = "solid: your prediction; dashed or ring: calculated; square: from outside"
        self.told.set_text("" if now.answer is None else words)

    def _show_line(self, now: Seen) -> None:
        foot, head = now.guess.get("foot"), now.guess.get("head")
        ends = [(foot, 0.0)] if foot is not None else []
        ends += [(0.0, MILLI * head)] if head is not None else []
        self.ends.set_data(*_columns(ends))
        self.line.set_data(*_columns(ends if len(ends) == 2 else []))
        true = (now.true("foot"), now.true("head"))
        known = [(true[0], 0.0), (0.0, MILLI * true[1])] if None not in true else []  # type: ignore[operator]
        self.true.set_data(*_columns(known))

    def _show_point(self, now: Seen) -> None:
        for artist, amps in (
            (self.ends, now.guess.get("idle")),
            (self.rest, now.true("idle")),
            (self.printed, now.printed("idle")),
        ):  # fmt: skip
            artist.set_data(*_columns([] if amps is None else [self._on_line(amps)]))

    def _on_line(self, amps: float) -> tuple[float, float]:
        return self.options["supply"] - amps * self.options["ohms"], MILLI * amps

    def fade(self, faded: bool) -> None:
        """A prediction is never out of date."""


def _columns(points: list) -> tuple[np.ndarray, np.ndarray]:
    table = np.array(points, float).reshape(-1, 2)
    return table[:, 0], table[:, 1]
