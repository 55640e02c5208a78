"""Points that someone measured, the law fitted to them, and how far each point lies off."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from tubekit.devices.tube_fit import TubeFit
from tubekit.plots import ink
from tubekit.plots.ink import Drawing
from tubekit.result_fields import Array
from tubekit.units import show

MARKS = "osD^"
MOST_CURVES = 12


def residuals(fit: TubeFit) -> Drawing:
    """Measured points on the law's curves, and below them what the law gives too much or too little.

    Parameters
    ----------
    fit
        The answer of `fit_tube`.

    Returns
    -------
    Drawing
        Figure, axes (points and curves; differences), lines (the curves, then the differences of plate
        current and, where it was measured, of screen current).

    Examples
    --------
    >>> from tubekit import fit_tube, plots, tube
    >>> plate, grid = [50, 100, 150, 200, 250, 300] * 2, [-1.0] * 6 + [-2.0] * 6
    >>> current = tube("12AX7").at(plate=plate, grid=grid).plate_a
    >>> fit = fit_tube({"plate_v": plate, "grid_v": grid, "plate_a": current}, kind="triode")
    >>> figure, (above, below), lines = plots.residuals(fit)
    >>> len(lines)
    3
    """
    with ink.style():
        figure = ink.paper(7.6, 5.2)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        figure.subplots_adjust(left=0.09, right=0.86, top=0.94, bottom=0.10, hspace=0.22)
        curves = _curves(above, fit)
        lines = [*curves, *_differences(below, fit)]
        above.set_title(f"{fit.tube.type}: {fit.points.count} measured points and the model")
        above.set_ylabel("plate current [mA]")
        below.set_title("Model minus measured")
        below.set_ylabel("difference [mA]")
        below.set_xlabel("plate voltage to cathode [V]", loc="left")
    worst = float(np.max(np.abs(fit.error_a)))
    figure.set_label(f"{fit.headline()} The worst point is off by {show(worst, 'A')}.")
    return Drawing(figure, (above, below), tuple(lines))


def _curves(axes: Axes, fit: TubeFit) -> list[Artist]:
    """One curve for each grid (and screen) voltage that several points share, the points on it."""
    p, law = fit.points, fit.tube.law
    screens = np.zeros(p.count) if p.screen_v is None else p.screen_v
    held = sorted({(float(s), float(g)) for s, g in zip(screens, p.grid_v, strict=True)}, reverse=True)
    shown = held[:: max(1, -(-len(held) // MOST_CURVES))]
    plate = np.linspace(0.0, float(p.plate_v.max()), 160)
    drawn: list[Artist] = []
    axes.set(xlim=(0.0, 1.03 * float(p.plate_v.max())), ylim=(0.0, 1.12e3 * float(p.plate_a.max())))
    for place, (screen, grid) in enumerate(shown):
        options: dict[str, Any] = ink.stroke(place).options()
        columns = [plate, np.full(plate.size, grid)]
        if p.screen_v is not None:
            columns.insert(1, np.full(plate.size, screen))
        current = law.evaluate(np.stack(columns, axis=-1))[0][:, 0]
        drawn += axes.plot(plate, 1e3 * current, **options)
        here = (screens == screen) & (p.grid_v == grid)
        axes.plot(p.plate_v[here], 1e3 * p.plate_a[here], color=options["color"], linestyle="none",
                  marker=MARKS[place % len(MARKS)], markersize=4.0, markerfacecolor=ink.PAPER)  # fmt: skip
        words = f"{grid:g} V" + (f", screen {screen:g}" if len({s for s, _ in held}) > 1 else "")
        _name(axes, plate, 1e3 * current, words.replace("-", "−"))
    return drawn


def _name(axes: Axes, plate: Array, current: Array, words: str) -> None:
    """The grid voltage where the curve leaves the paper."""
    top = axes.get_ylim()[1]
    inside = np.flatnonzero(current <= top)
    if inside.size:
        last = int(inside[-1])
        up = last < plate.size - 1
        side: dict[str, Any] = {"xytext": (7, 0), "ha": "left", "va": "center"}
        above: dict[str, Any] = {"xytext": (0, 3), "ha": "center", "va": "bottom"}
        axes.annotate(words, (plate[last], current[last]), textcoords="offset points", fontsize=7.5,
                      annotation_clip=False, **(above if up else side))  # fmt: skip


def _differences(axes: Axes, fit: TubeFit) -> list[Artist]:
    axes.axhline(0.0, color=ink.IRON, linewidth=0.8)
    artists: list[Artist] = []
    for place, (words, error) in enumerate((("plate", fit.error_a), ("screen", fit.screen_error_a))):
        if error is not None:
            artists += axes.plot(fit.points.plate_v, 1e3 * error, linestyle="none", marker=MARKS[place],
                               markersize=4.5, color=ink.stroke(place).ink, markerfacecolor=ink.PAPER,
                               label=words)  # fmt: skip
    if len(artists) > 1:
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    return artists
