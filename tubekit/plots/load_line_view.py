"""A load line whole: plate curves with line and path, harmonics, plate voltage over one cycle."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from tubekit.analyses.loadline_result import LoadLine
from tubekit.plots import ink
from tubekit.plots.bars import BarsView
from tubekit.plots.cycle import rounded_up
from tubekit.plots.handles import Handle, Trace
from tubekit.plots.ink import Drawing
from tubekit.plots.plate import PlateView

ORDERS = range(2, 9)
WIDTH, HEIGHT = 634, 560
PLACES = ((44, 34, 540, 348), (44, 428, 264, 110), (364, 428, 254, 110))


class LoadLineView:
    """Three pairs of axes on one figure; scales as `first` needs them."""

    def __init__(self, figure: Figure, first: LoadLine) -> None:
        self.axes = ink.spread(figure, PLACES)
        self.plate = PlateView(self.axes[0], first)
        top = rounded_up(1.5 * max(2.0, *shares(first)))
        self.harmonics = BarsView(
            self.axes[1], [str(order) for order in ORDERS], top,
            title="Harmonics, % of the fundamental",
            words=lambda share: f"{share:.1f}" if share >= 0.05 else "0",
        )  # fmt: skip
        self._cycle(first)

    def _cycle(self, first: LoadLine) -> None:
        axes = self.axes[2]
        axes.set_title("Plate voltage (V) over one cycle")
        axes.set(xlim=(0.0, 360.0), ylim=self.axes[0].get_xlim(), xticks=[0, 90, 180, 270, 360])
        axes.axhline(first.plate_v, color=ink.FAINT, linewidth=0.6, zorder=1)
        self.before, self.swing = ink.curve(axes, ink.BEFORE, 2), ink.curve(axes, ink.stroke(0))

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [*self.plate.moving, *self.harmonics.moving, self.before, self.swing]

    def show(self, now: LoadLine, before: LoadLine | None = None) -> None:
        """Another load line on the same scales; of the earlier one its path stays faint."""
        self.plate.show(now, before)
        self.harmonics.show(shares(now), None if before is None else shares(before))
        for line, each in ((self.before, before), (self.swing, now)):
            if each is not None:
                volts = each.path_plate_v[0]
                line.set_data(np.linspace(0.0, 360.0, volts.size + 1), np.append(volts, volts[0]))

    def handles(self) -> Iterator[Handle]:
        """Idle point and ends of the load line."""
        return self.plate.handles()

    def traces(self) -> Iterator[Trace]:
        """Curves, harmonics, the cycle."""
        yield from self.plate.traces()
        yield from self.harmonics.traces(1, "harmonic {}: {} %")
        for line, words in ((self.swing, "plate voltage"), (self.before, "plate voltage before")):
            yield Trace.of(words, 2, line, ("°", "V"))

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        self.plate.fade(faded)
        self.harmonics.fade(faded)
        ink.fade([self.swing], faded)


def shares(line: LoadLine) -> list[float]:
    """Harmonics 2 to 8 [% of the fundamental]."""
    return [100.0 * float(line.harmonics_v[order] / line.harmonics_v[1]) for order in ORDERS]


def load_line(result: LoadLine, before: LoadLine | None = None) -> Drawing:
    """Plate curves with load line, path, rest and limit; harmonics [%] and plate voltage [V] below.

    Parameters
    ----------
    result
        Of `tubekit.load_line`. A pair is drawn about the plate voltage at rest, its second tube upside down,
        with the composite curves of both.
    before
        An earlier one, its path faint behind.

    Returns
    -------
    Drawing
        Figure, axes (curves, harmonics, cycle), lines (path of each tube, load line).

    Examples
    --------
    >>> from tubekit import plots
    >>> from tubekit.analyses.loadline import load_line
    >>> drawing = plots.load_line(load_line("6V6GT", plate=250, screen=250, grid=-12.5, load=5000))
    >>> len(drawing.axes)
    3
    """
    figure, view = ink.shown(LoadLineView, (WIDTH, HEIGHT), result, before)
    figure.set_label(f"Plate curves and load line of a {result.headline()}")
    used = view.plate.paths[: len(result.path_a)]
    return Drawing(figure, view.axes, (*used, view.plate.line))
