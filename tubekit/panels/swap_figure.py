"""The figure of the part-swap panel: ripple and plate current above, ratings below."""

from __future__ import annotations

from tubekit.decisions import SwapReport
from tubekit.panels.picture import LivePicture
from tubekit.plots import ink
from tubekit.plots.cycle import CycleView, larger
from tubekit.plots.ratings import RatingsView

WIDTH, HEIGHT = 634, 572
RATINGS = 10
HEADROOM = 2.0
"""The scales, fixed when the panel is made, reach to twice what the amp needs as it stands."""


class SwapFigure:
    """Draws swap reports on scales that stay as they are until `rescale`."""

    def __init__(self, first: SwapReport) -> None:
        with ink.style():
            figure = ink.paper(WIDTH / ink.DPI, HEIGHT / ink.DPI)
            axes = [
                figure.add_axes((left / WIDTH, 1 - (top + high) / HEIGHT, wide / WIDTH, high / HEIGHT))
                for left, top, wide, high in ((36, 24, 384, 150), (36, 206, 384, 82), (200, 338, 300, 208))
            ]
            self.cycle = CycleView(axes[:2], larger(first.after, first.before), headroom=HEADROOM)
            self.ratings = RatingsView(
                axes[2], RATINGS, title="How close each part is to its limit (◇ before the change)"
            )
            self._fill(first)
            self.picture = LivePicture(figure, [*self.cycle.moving, *self.ratings.moving])

    def show(self, report: SwapReport) -> None:
        """The curves and bars of another report."""
        named = self.ratings.row_names
        self._fill(report)
        self.fade(False)
        if self.ratings.row_names == named:
            self.picture.refresh()
        else:
            self.picture.redraw()

    def _fill(self, report: SwapReport) -> None:
        self.cycle.show(report.after, report.before)
        self.ratings.show(report.limits_after, report.limits_before)

    def fade(self, faded: bool) -> None:
        """Gray everything out (the last answer stands, but it is not that of the controls), or ink it."""
        self.cycle.fade(faded)
        self.ratings.fade(faded)

    def gray_out(self) -> None:
        """Gray out and show."""
        self.fade(True)
        self.picture.refresh()
