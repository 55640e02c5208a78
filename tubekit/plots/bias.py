"""Cathode bias: the tube's line crossed by the resistor's, the gain with its shelf, shares of ratings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tubekit.plots import ink
from tubekit.plots.bars import BarsView
from tubekit.plots.cycle import rounded_up
from tubekit.plots.handles import Handle, Trace, Track
from tubekit.plots.ink import Drawing
from tubekit.textbook.bias_stage import LIMITS, BiasStage
from tubekit.units import show

WIDTH, HEIGHT = 634, 560
PLACES = ((44, 28, 564, 260), (44, 340, 290, 188), (386, 340, 232, 188))
HERTZ = {1: "1", 10: "10", 100: "100", 1e3: "1k", 1e4: "10k"}
SPAN_DB = 15.0


class BiasView:
    """Three pairs of axes on one figure; scales as `first` needs them."""

    def __init__(self, figure: Figure, first: BiasStage) -> None:
        self.axes = ink.spread(figure, PLACES)
        self._crossing(first)
        self._response(first)
        names = [name.replace("dissipation", "watts").replace(" ", "\n") for name, _ in LIMITS]
        self.shares = BarsView(
            self.axes[2], names, 150.0, title="Rating used, %",
            limit=100.0, words=lambda share: "no rating" if np.isnan(share) else f"{share:.0f}",
        )  # fmt: skip
        self.axes[2].axhline(100.0, color=ink.IRON, linewidth=1.3, zorder=4)
        self.axes[2].tick_params(axis="x", labelsize=7.5)

    def _crossing(self, first: BiasStage) -> None:
        axes = self.axes[0]
        axes.set_title("Cathode mA versus cathode volts: tube and resistor")
        amps = first.tubes * (first.plate_a + first.screen_a)
        axes.set(xlim=(0.0, rounded_up(2.0 * first.bias_v)), ylim=(0.0, rounded_up(2.2e3 * amps)))
        self.before = [ink.curve(axes, ink.BEFORE, 2) for _ in range(2)]
        self.tube, self.resistor = (ink.curve(axes, ink.stroke(k)) for k in range(2))
        self.rest = ink.mark(axes, "o", 7, markeredgewidth=1.6)
        self.label = axes.text(0, 0, "", ha="left", va="center")

    def _response(self, first: BiasStage) -> None:
        axes = self.axes[1]
        axes.set_title("Gain (dB) versus frequency (Hz)")
        top = 5.0 * np.ceil((20.0 * np.log10(first.gain_bypassed) + 4.0) / 5.0)
        axes.set_ylim(top - SPAN_DB - 5.0, top)
        ink.decades(axes, (first.hertz[0], first.hertz[-1]), HERTZ)
        self.gain_before, self.gain = ink.curve(axes, ink.BEFORE, 2), ink.curve(axes, ink.stroke(0))
        self.corners = ink.mark(axes, "d", 6, zorder=4)

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [
            *self.before, self.tube, self.resistor, self.rest, self.label, self.gain_before, self.gain,
            self.corners, *self.shares.moving,
        ]  # fmt: skip

    def show(self, now: BiasStage, before: BiasStage | None = None) -> None:
        """Another stage on the same scales."""
        self.now = now
        _cross(self.tube, self.resistor, now)
        if before is not None:
            _cross(self.before[0], self.before[1], before)
            self.gain_before.set_data(before.hertz, 20.0 * np.log10(before.gain))
        at = (now.bias_v, 1e3 * now.bias_v / now.cathode)
        self.rest.set_data([at[0]], [at[1]])
        right = self.axes[0].get_xlim()[1]
        self.label.set_position((min(at[0] + 0.03 * right, 0.8 * right), at[1]))
        self.label.set_text(f"{at[0]:.3g} V, {at[1]:.3g} mA")
        self.gain.set_data(now.hertz, 20.0 * np.log10(now.gain))
        corners = [f for f in (*now.shelf_hz, now.coupling_hz) if np.isfinite(f)]
        levels = np.interp(np.log(corners), np.log(now.hertz), 20.0 * np.log10(now.gain)) if corners else []
        self.corners.set_data(corners, levels)
        old = None if before is None else [100.0 * share for share in before.shares]
        self.shares.show([100.0 * share for share in now.shares], old)

    def handles(self) -> Iterator[Handle]:
        """The idle point along the tube's line; the corners of bypass and coupling capacitor."""
        now = self.now
        carries = (now.cathode_line_v > 0.0) & (now.cathode_line_a > 0.0)
        volts, amps = now.cathode_line_v[carries], now.cathode_line_a[carries]
        track = Track("cathode", volts, 1e3 * amps, volts / amps / now.cathode, times=True)
        yield Handle("idle point", 0, (now.bias_v, 1e3 * now.bias_v / now.cathode), (track,))
        level = 20.0 * np.log10(now.gain)
        for key, hertz in (("bypass", now.shelf_hz[1]), ("coupling", now.coupling_hz)):
            if np.isfinite(hertz):
                at = (float(hertz), float(np.interp(np.log(hertz), np.log(now.hertz), level)))
                track = Track(key, now.hertz, np.full(len(now.hertz), at[1]), hertz / now.hertz, times=True)
                yield Handle(f"corner of the {key}", 1, at, (track,))

    def traces(self) -> Iterator[Trace]:
        """The two lines, the gain, the ratings."""
        words = (
            "cathode resistor before",
            "tube before",
            f"cathode resistor, {show(self.now.cathode, 'ohm')}",
            "tube",
        )
        lines = (self.before[1], self.before[0], self.resistor, self.tube)
        for line, said in zip(lines[::-1], words[::-1], strict=True):
            yield Trace.of(said, 0, line, ("V", "mA"))
        for line, said in ((self.gain, "gain"), (self.gain_before, "gain before")):
            yield Trace.of(said, 1, line, ("Hz", "dB"))
        yield from self.shares.traces(2)

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        ink.fade((self.tube, self.resistor, self.gain, self.rest, self.corners, self.label), faded)
        self.shares.fade(faded)


def _cross(tube: Line2D, resistor: Line2D, stage: BiasStage) -> None:
    tube.set_data(stage.cathode_line_v, 1e3 * stage.cathode_line_a)
    ends = np.array([0.0, 10.0 * stage.bias_v])
    resistor.set_data(ends, 1e3 * ends / stage.cathode)


def cathode_bias(result: BiasStage, before: BiasStage | None = None) -> Drawing:
    """The tube's line crossed by its resistor's; gain [dB] with the shelf's corners; used share of ratings.

    Parameters
    ----------
    result
        The stage to show.
    before
        The stage before a change, faint.

    Returns
    -------
    Drawing
        Figure, axes (crossing, gain, ratings), lines (tube, resistor, gain).

    Examples
    --------
    >>> from tubekit import plots
    >>> from tubekit.textbook.bias_stage import bias_stage
    >>> stage = bias_stage("12AX7", supply=250, load=100e3, cathode=1500, bypass_f=25e-6)
    >>> len(plots.cathode_bias(stage).lines)
    3
    """
    figure, view = ink.shown(BiasView, (WIDTH, HEIGHT), result, before)
    figure.set_label(f"Cathode bias of a {result.headline()}")
    return Drawing(figure, view.axes, (view.tube, view.resistor, view.gain))
