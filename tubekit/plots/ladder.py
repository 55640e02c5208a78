"""Ripple down the supply: one row per filter capacitor on a logarithmic scale."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from tubekit.amp import AmpReport
from tubekit.amp.readings import RailReading
from tubekit.decisions import SwapReport
from tubekit.plots import ink
from tubekit.plots.drawing import Drawing
from tubekit.plots.reading import of_member
from tubekit.units import show

LEAST = 1e-6
"""Ripple below this is drawn at it: no meter on a bench reads it [V p-p]; common practice, no source."""


class LadderView:
    """A row for each filter capacitor of `first`; hollow before, filled after."""

    def __init__(self, axes: Axes, first: AmpReport, *, member: int = 0, room: float = 10.0) -> None:
        self.axes, self.member = axes, member
        self.capacitors = tuple(rail.capacitor for rail in first.rails)
        rows = len(self.capacitors)
        swings = [max(LEAST, of_member(rail.ripple_pp_v, member)) for rail in first.rails] or [1.0]
        axes.set_title("Ripple at each filter cap, peak to peak")
        low, high = _decades(min(swings) / room), _decades(max(swings) * room, up=True)
        axes.set(xscale="log", xlim=(low, high), ylim=(rows - 0.4, -0.6), yticks=[])
        axes.xaxis.set_major_locator(LogLocator(numticks=6))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda volts, _: _round_volts(volts)))
        axes.spines["left"].set_visible(False)
        self.links = [axes.plot([], [], color=ink.IRON, linewidth=1.0, zorder=2)[0] for _ in range(rows)]
        self.before = [self._dot(ink.PAPER, ink.FAINT) for _ in range(rows)]
        self.after = [self._dot(ink.IRON, ink.IRON) for _ in range(rows)]
        across = axes.get_yaxis_transform()
        self.names = [axes.text(-0.02, k, "", transform=across, ha="right", va="center") for k in range(rows)]
        self.words = [axes.text(1.02, k, "", transform=across, ha="left", va="center") for k in range(rows)]

    def _dot(self, face: str, edge: str) -> Line2D:
        return self.axes.plot(
            [], [], marker="o", markersize=5.5, markerfacecolor=face, markeredgecolor=edge, linestyle="none",
            zorder=3,
        )[0]  # fmt: skip

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [*self.links, *self.before, *self.after, *self.names, *self.words]

    def show(self, after: AmpReport, before: AmpReport | None = None) -> None:
        """Move the dots; a capacitor that was taken out keeps an empty row that says so."""
        now = {rail.capacitor: rail for rail in after.rails}
        old = {rail.capacitor: rail for rail in (before.rails if before else ())}
        for row, name in enumerate(self.capacitors):
            self._row(row, name, now.get(name), old.get(name))

    def _row(self, row: int, name: str, now: RailReading | None, old: RailReading | None) -> None:
        dots = [None if rail is None else self._swing(rail) for rail in (old, now)]
        for line, swing in ((self.before[row], dots[0]), (self.after[row], dots[1])):
            line.set_data([] if swing is None else [swing], [] if swing is None else [row])
        both = [swing for swing in dots if swing is not None]
        self.links[row].set_data(both, [row] * len(both))
        rail = now or old
        self.names[row].set_text(f"{name} at {rail.node}" if rail else name)
        if now is None:
            self.words[row].set_text("not installed")
            return
        moved = old is not None and abs(math.log(dots[1] / dots[0])) > 0.005  # type: ignore[operator]
        was = f"{show(of_member(old.ripple_pp_v, self.member), 'V')} → " if old is not None and moved else ""
        self.words[row].set_text(was + show(of_member(now.ripple_pp_v, self.member), "V"))

    def _swing(self, rail: RailReading) -> float:
        return max(LEAST, of_member(rail.ripple_pp_v, self.member))

    def fade(self, faded: bool) -> None:
        """Gray the dots out, or ink them again."""
        for dot in self.after:
            dot.set_color(ink.FAINT if faded else ink.IRON)
        for text in (*self.names, *self.words):
            text.set_color(ink.FAINT if faded else ink.IRON)


def rails(result: SwapReport | AmpReport, *, member: int = 0) -> Drawing:
    """Ripple at every filter capacitor, from the reservoir down, on a logarithmic scale [V p-p].

    Parameters
    ----------
    result
        A report, or a swap, which shows before and after.
    member
        Which amp of a batch.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (the 'after' dots, in the order of the rows).

    Examples
    --------
    >>> from tubekit import analyze, load_amp, plots
    >>> figure, axes, dots = plots.rails(analyze(load_amp("teasel")))
    >>> len(dots)
    4
    """
    after = result.after if isinstance(result, SwapReport) else result
    before = result.before if isinstance(result, SwapReport) else None
    rows = max(1, len((before or after).rails))
    with ink.style():
        figure = ink.paper(7.6, 0.75 + 0.28 * rows)
        axes = figure.subplots()
        height = figure.get_figheight()
        figure.subplots_adjust(left=0.16, right=0.74, top=1 - 0.32 / height, bottom=0.35 / height)
        view = LadderView(axes, before or after, member=member, room=2.0)
        view.show(after, before)
    lines = [f"{n.get_text()} {w.get_text()}" for n, w in zip(view.names, view.words, strict=True)]
    figure.set_label(f"Ripple at each filter cap, peak to peak: {'; '.join(lines)}")
    return Drawing(figure, (axes,), tuple(view.after))


def _decades(volts: float, *, up: bool = False) -> float:
    power = math.log10(volts)
    return float(10.0 ** (math.ceil(power - 1e-9) if up else math.floor(power + 1e-9)))


def _round_volts(volts: float) -> str:
    return show(float(np.round(volts, 9)), "V", 1)
