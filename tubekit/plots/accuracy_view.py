"""Every figure from outside: how much of its limit the difference takes up."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist

from tubekit.plots import ink
from tubekit.plots.ink import Drawing
from tubekit.textbook.accuracy import Accuracy

WIDEST = 3.0
"""Limits at which the axis ends; what is farther off is drawn there."""


def accuracy(page: Accuracy) -> Drawing:
    """Draw each difference in units of its limit, one line for each kind of figure.

    Parameters
    ----------
    page
        The answer of `tubekit.textbook.accuracy.accuracy`.

    Returns
    -------
    Drawing
        Figure, axes, lines (of each kind: met, missed).

    Examples
    --------
    >>> from tubekit import plots
    >>> from tubekit.textbook.accuracy import accuracy
    >>> figure, axes, lines = plots.accuracy(accuracy())
    >>> len(lines) // 2
    6
    """
    kinds = list(dict.fromkeys(check.about for check in page.checks))
    lines: list[Artist] = []
    with ink.style():
        figure, axes = ink.sheet(7.6, 0.8 + 0.42 * len(kinds), len(kinds), 0.24, 0.97, (0.3, 0.42))
        axes.set_xlim(-WIDEST - 0.1, WIDEST + 0.1)
        axes.set_yticks(range(len(kinds)), kinds)
        axes.axvspan(-1.0, 1.0, color=ink.FAINT, alpha=0.25, linewidth=0.0, zorder=0)
        for row, kind in enumerate(kinds):
            of = [check for check in page.checks if check.about == kind]
            share = np.clip([check.difference / check.limit for check in of], -WIDEST, WIDEST)
            met = np.array([check.met for check in of])
            height_in_row = row + 0.5 * (np.arange(len(of)) / len(of) - 0.5)
            for chosen, mark in ((met, "o"), (~met, "x")):
                lines += axes.plot(share[chosen], height_in_row[chosen], mark, markersize=3.0, color=ink.IRON,
                                   markerfacecolor=ink.PAPER, clip_on=False)  # fmt: skip
        axes.set_title("Difference in units of its limit: circles are met, crosses missed (3: or more)")
        axes.set_xlabel("calculated minus expected, 1 = the limit", loc="left")
    figure.set_label(f"Differences between calculated and expected figures. {page.headline()}")
    return Drawing(figure, (axes,), tuple(lines))
