"""A curve sketched by a few points, each with a slider: a response, a chain of filters, a discharge."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator
from scipy.interpolate import PchipInterpolator

from tubekit.panels.lessons.question import Numbers, Question
from tubekit.panels.lessons.sight import Seen, scale_axis
from tubekit.plots import ink

Array = np.ndarray


class CurveView:
    """Handles are points of one curve; options: `x_label`, `y_label`, `x_log`, `names` at the points."""

    def __init__(self, figure: Figure, question: Question) -> None:
        assert isinstance(question.way, Numbers)
        self.handles = question.way.handles
        options = question.picture.options
        self.x_log, first = bool(options.get("x_log")), self.handles[0]
        self.x = np.array([each.at for each in self.handles])
        axes = figure.add_axes((0.1, 0.16, 0.86, 0.72))
        axes.set_title(str(options.get("y_label", "")))
        axes.set_xlabel(str(options.get("x_label", "")))
        low, high = options.get("x_range", (self.x.min(), self.x.max()))
        axes.set(xlim=(low, high), ylim=(first.low, first.high))
        scale_axis(axes.yaxis, axes.set_yscale, first)
        if self.x_log:
            axes.set_xscale("log")
            axes.xaxis.set_major_locator(LogLocator(10.0, subs=(1.0, 2.0, 5.0), numticks=20))
            axes.xaxis.set_major_formatter(FuncFormatter(_hertz))
        if names := options.get("names"):
            axes.set_xticks(self.x, list(names))
        self.printed = axes.plot(
            [], [], marker="s", markersize=8, markerfacecolor=ink.PAPER, markeredgecolor=ink.VERDIGRIS,
            markeredgewidth=1.8, linestyle="none", zorder=7, clip_on=False, label="from outside",
        )[0]  # fmt: skip
        self.true = axes.plot([], [], color=ink.OXIDE, linewidth=1.8, linestyle=(0, (6, 2)), zorder=4)[0]
        self.sketch = axes.plot([], [], color=ink.IRON, linewidth=1.9, zorder=5)[0]
        self.dots = axes.plot([], [], marker="o", markersize=9, color=ink.IRON, linestyle="none", zorder=6,
                              clip_on=False)[0]  # fmt: skip
        self.open = axes.plot(
            [], [], marker="o", markersize=9, markerfacecolor=ink.PAPER, markeredgecolor=ink.FAINT,
            linestyle="none", zorder=6, clip_on=False,
        )[0]  # fmt: skip
        self.told = axes.text(
            0.0, -0.19, "", transform=axes.transAxes, ha="left", va="center", color=ink.OXIDE
        )

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [self.true, self.sketch, self.open, self.dots, self.printed, self.told]

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another sketch, and the answer where there is one."""
        placed = [(h.at, now.guess[h.key]) for h in self.handles if h.key in now.guess]
        waiting = [(h.at, h.low) for h in self.handles if h.key not in now.guess]
        self.dots.set_data(*_columns(placed))
        self.open.set_data(*_columns(waiting))
        self.sketch.set_data(*self._through(placed))
        printed = [(h.at, value) for h in self.handles if (value := now.printed(h.key)) is not None]
        self.printed.set_data(*_columns(printed))
        self.true.set_data(*self._true(now))
        self.told.set_text(_legend(now, bool(printed)))

    def _true(self, now: Seen) -> tuple[Array, Array]:
        if now.answer is not None and now.answer.curve is not None:
            return now.answer.curve
        known = [(h.at, value) for h in self.handles if (value := now.true(h.key)) is not None]
        return self._through(known)

    def _through(self, points: list[tuple[float, float]]) -> tuple[Array, Array]:
        """A smooth curve that overshoots nowhere."""
        if len(points) < 2:
            return _columns([])
        x, y = _columns(sorted(points))
        log = self.handles[0].log
        u, v = (np.log(x) if self.x_log else x), (np.log(y) if log else y)
        fine = np.linspace(u[0], u[-1], 120)
        curve = PchipInterpolator(u, v)(fine)
        return (np.exp(fine) if self.x_log else fine), (np.exp(curve) if log else curve)

    def fade(self, faded: bool) -> None:
        """A sketch is never out of date."""


def _columns(points: list[tuple[float, float]]) -> tuple[Array, Array]:
    table = np.array(points, float).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _hertz(value: float, _: int) -> str:
    return f"{value / 1e3:g}k" if value >= 1e3 else f"{value:g}"


def _legend(now: Seen, printed: bool) -> str:
    if now.answer is None:
        return ""
    return "solid: your sketch; dashed: calculated" + ("; squares: from outside" if printed else "")
