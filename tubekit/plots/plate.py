"""Plate curves with load line, path and limit: one tube, or a pair with its composite curves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.text import Text

from tubekit.analyses.loadline_result import LoadLine
from tubekit.plots import ink
from tubekit.plots.cycle import rounded_up
from tubekit.plots.handles import Handle, Trace, Track
from tubekit.units import show

Array = npt.NDArray[np.float64]
CURVES = 12
NOTHING: Array = np.empty(0)
APART = 0.035
"""Labels of curves stand at least this part of the axis apart."""


class PlateView:
    """Scales are those of `first`: its curves, its line and a little more.

    A pair is drawn about the plate voltage at rest, the second tube upside down, as both share one
    winding: the composite curves are the difference of the two.
    """

    def __init__(self, axes: Axes, first: LoadLine, *, room: float = 1.25) -> None:
        self.axes, self.pair = axes, first.composite_a is not None
        top = rounded_up(room * 1e3 * _most(first))
        reach = float(first.curve_plate_v[-1])
        axes.set(xlim=(0.0, reach), ylim=(-top if self.pair else 0.0, top))
        axes.set_title("Plate current (mA) vs plate voltage (V)")
        if self.pair:
            axes.axhline(0.0, color=ink.IRON, linewidth=0.7, zorder=1)
        iron, oxide, verdigris, ochre = ink.STROKES
        self.family = ink.curve(axes, ink.Stroke(ink.FAINT, width=0.8), 2)
        self.composite = ink.curve(axes, verdigris, 2, linewidth=0.8)
        self.limit = ink.curve(axes, ochre)
        self.before = [ink.curve(axes, ink.BEFORE, 4) for _ in range(2)]
        self.line = ink.curve(axes, iron, 5, linewidth=1.0)
        self.supply = ink.curve(axes, ink.Stroke(ink.IRON, (0, (3, 3)), 0.8), 5)
        self.paths = [ink.curve(axes, kind, 6, linewidth=2.2) for kind in (iron, oxide)]
        self.rest = ink.mark(axes, "o", 7, markeredgewidth=1.6, zorder=7)
        self.names = [axes.text(0, 0, "", color=ink.IRON, fontsize=7.5) for _ in range(CURVES)]
        self.watts = axes.text(0, 0, "", color=ink.IRON, fontsize=7.5, ha="left", va="bottom")

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [
            self.family, self.composite, self.limit, *self.before, self.line, self.supply, *self.paths,
            self.rest, *self.names, self.watts,
        ]  # fmt: skip

    def show(self, now: LoadLine, before: LoadLine | None = None) -> None:
        """Another load line on the same scales."""
        self.now, self.was = now, before
        self.family.set_data(*_joined(now.curve_plate_v, 1e3 * now.curve_a))
        seen = self.pair and now.composite_a is not None
        self.composite.set_visible(seen)
        if seen and now.composite_a is not None:
            self.composite.set_data(*_joined(now.curve_plate_v, 1e3 * now.composite_a))
        self.limit.set_data(now.limit_plate_v, 1e3 * now.limit_a)
        self.line.set_data(now.line_plate_v, 1e3 * now.line_a)
        if now.supply_line_plate_v is None or now.supply_line_a is None:
            self.supply.set_data([], [])
        else:
            self.supply.set_data(now.supply_line_plate_v, 1e3 * now.supply_line_a)
        self.rest.set_data([now.plate_v], [1e3 * now.plate_a])
        for lines, each in ((self.before, before), (self.paths, now)):
            drawn = list(paths(each)) if each is not None else []
            for place, line in enumerate(lines):
                x, y = drawn[place] if place < len(drawn) else (NOTHING, NOTHING)
                line.set_data(x, y)
        self._name(now)

    def _name(self, now: LoadLine) -> None:
        """Grid volts where each curve leaves the axes, the rated watts on the limit."""
        (_, right), (bottom, top) = self.axes.get_xlim(), self.axes.get_ylim()
        share, free = top / (top - bottom), list[float]()
        for place, text in enumerate(self.names):
            words = place < len(now.curve_grid_v) and _put(
                text, now.curve_plate_v, 1e3 * now.curve_a[place], right, top, share, free
            )
            text.set_text(f"{now.curve_grid_v[place] + 0.0:.4g} V" if words else "")
        inside = np.flatnonzero(1e3 * now.limit_a <= 0.97 * top) if now.limit_a.size else np.empty(0, int)
        self.watts.set_text(f"{now.plate_w_limit:g} W" if inside.size else "")
        if inside.size:
            at = inside[0]
            self.watts.set_position(
                (float(now.limit_plate_v[at]) + 0.01 * right, 1e3 * float(now.limit_a[at]))
            )

    def handles(self) -> Iterator[Handle]:
        """The idle point along and across the plate curves, the ends of the load line."""
        now = self.now
        yield Handle("idle point", 0, (now.plate_v, 1e3 * now.plate_a), tuple(_idle_tracks(now)))
        if now.supply_line_plate_v is not None and now.supply_line_a is not None:
            amps, volts = 1e3 * float(now.supply_line_a[0]), float(now.supply_line_plate_v[1])
            up, along = np.linspace(0.05, 10.0, 200) * amps, np.array([0.05, 10.0]) * volts
            load = Track("load", np.zeros_like(up), up, amps / up, times=True)
            yield Handle("load line, end at 0 V", 0, (0.0, amps), (load,))
            supply = Track("supply", along, np.zeros(2), along)
            yield Handle("load line, end at 0 mA", 0, (volts, 0.0), (supply,))
            return
        high = 1e3 * float(now.line_a[0])
        rest, times = (0.0 if self.pair else 1e3 * now.plate_a), np.geomspace(0.1, 10.0, 200)
        up, along = rest + (high - rest) / times, now.plate_v + (now.line_plate_v[1] - now.plate_v) * times
        load = Track("load", np.zeros_like(up), up, times, times=True)
        yield Handle("load line, upper end", 0, (0.0, high), (load,))
        if not self.pair:
            load = Track("load", along, np.zeros_like(along), times, times=True)
            yield Handle("load line, lower end", 0, (float(now.line_plate_v[1]), 0.0), (load,))

    def traces(self) -> Iterator[Trace]:
        """What each line is."""
        now, units = self.now, ("V", "mA")
        yield Trace(f"load line, {show(now.load, 'ohm')}", 0, now.line_plate_v, 1e3 * now.line_a, units)
        for each, words in ((now, "path of the signal"), (self.was, "path before the change")):
            yield from (Trace(words, 0, *path, units) for path in (paths(each) if each is not None else ()))
        watts = f"limit of plate dissipation, {now.plate_w_limit:g} W"
        yield Trace(watts, 0, now.limit_plate_v, 1e3 * now.limit_a, units)
        for volts, amps in zip(now.curve_grid_v, now.curve_a, strict=True):
            yield Trace(f"plate curve at {volts + 0.0:.4g} V grid", 0, now.curve_plate_v, 1e3 * amps, units)

    def fade(self, faded: bool) -> None:
        """Gray the curves out, or ink them again."""
        ink.fade((*self.paths, self.line, self.rest, *self.names, self.watts), faded)


def _idle_tracks(now: LoadLine) -> Iterator[Track]:
    """Along the plate curves, and across them: at one plate voltage, or down the line of a plate resistor."""
    grid, volts, amps = now.curve_grid_v, now.curve_plate_v, 1e3 * now.curve_a
    order = np.argsort(grid)
    if now.supply_line_plate_v is None or now.supply_line_a is None:
        own = [float(np.interp(now.grid_v, grid[order], column)) for column in amps[order].T]
        yield Track("plate", volts, np.array(own) * _fit(volts, own, now), volts)
        across = np.array([float(np.interp(now.plate_v, volts, each)) for each in amps])
        x, y = np.full(len(grid), now.plate_v), across
    else:
        line = np.interp(volts, now.supply_line_plate_v, 1e3 * now.supply_line_a)
        x = np.array([volts[int(np.argmax(each >= line))] for each in amps])
        y = np.interp(x, now.supply_line_plate_v, 1e3 * now.supply_line_a)
    fine = np.unique(np.append(np.linspace(grid.min(), grid.max(), 121), now.grid_v))
    x, y = (np.interp(fine, grid[order], each[order]) for each in (x, y))
    k = int(np.argmin(np.abs(fine - now.grid_v)))
    x, y = x + (now.plate_v - x[k]), y + (1e3 * now.plate_a - y[k])
    yield Track("grid", x, y, fine)
    carries = (fine < 0.0) & (y > 0.0)
    ohms = fine[carries] / y[carries] / (now.grid_v / (1e3 * now.plate_a))
    yield Track("cathode", x[carries], y[carries], ohms, times=True)


def _fit(volts: Array, amps: list[float], now: LoadLine) -> float:
    """What brings a curve between two drawn ones through the idle point: curves do not lie evenly."""
    return 1e3 * now.plate_a / max(1e-9, float(np.interp(now.plate_v, volts, amps)))


def paths(line: LoadLine) -> Iterator[tuple[Array, Array]]:
    """Closed path (V, mA) of each tube; of a pair the second one about the rest, upside down."""
    for tube, (volts, amps) in enumerate(zip(line.path_plate_v, line.path_a, strict=True)):
        x = volts if tube == 0 else 2.0 * line.plate_v - volts
        y = 1e3 * amps * (1.0 if tube == 0 else -1.0)
        yield np.append(x, x[0]), np.append(y, y[0])


def _most(line: LoadLine) -> float:
    """The largest current that should be seen [A]."""
    most = max(float(line.path_a.max()), 1.5 * line.plate_a)
    at_limit = 1.2 * line.plate_w_limit / line.plate_v
    return max(most, at_limit) if at_limit < 2.0 * most else most  # NaN where no rating is known


def _joined(volts: Array, amps: Array) -> tuple[Array, Array]:
    """All curves as one line with gaps: one artist is drawn faster than many."""
    gap = np.full((len(amps), 1), np.nan)
    x = np.broadcast_to(volts, amps.shape)
    return np.hstack((x, gap)).ravel(), np.hstack((amps, gap)).ravel()


def _put(
    text: Text, volts: Array, amps: Array, right: float, top: float, share: float, free: list[float]
) -> bool:
    """Place a curve's name; `share` of the axis lies above zero. False where another name stands there."""
    inside = np.flatnonzero((volts <= right * (1 + 1e-9)) & (amps <= top))
    if not inside.size:
        return False
    last = int(inside[-1])
    at_side = last == len(volts) - 1 or volts[last + 1] > right * (1 + 1e-9)
    spot = share * amps[last] / top if at_side else 1.0 + (right - volts[last]) / right
    if any(abs(spot - other) < (APART if at_side else 2.2 * APART) for other in free):
        return False
    free.append(float(spot))
    text.set_position((1.008 * right, float(amps[last])) if at_side else (float(volts[last]), 1.008 * top))
    text.set(ha="left" if at_side else "center", va="center" if at_side else "bottom")
    return True
