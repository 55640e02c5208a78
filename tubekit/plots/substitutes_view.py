"""What could stand in for a part: every candidate a row, what it moves in columns beside each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from tubekit.decisions.substitutes import GAIN_DB, Substitute, Substitutes
from tubekit.plots import ink
from tubekit.plots.cycle import rounded_up
from tubekit.plots.ink import Drawing

ROWS = 16
ROW, ABOVE, BELOW = 28, 52, 62
NAMES, GAP, EDGE, WIDTH = 132, 14, 12, 634
FULL = 150.0
FURTHEST = 50.0
MARKS = {True: ("o", ink.IRON), False: ("x", ink.OXIDE)}
HINT = "●  OK    ×  no    |  present value    gray: allowed    ▸  off scale"


@dataclass(frozen=True, eq=False)
class SubstitutesState:
    """What is drawn: the list, and which of its candidates is looked at ('' for none)."""

    found: Substitutes
    chosen: str = ""

    @property
    def rows(self) -> tuple[Substitute, ...]:
        """As many as there is room for, the best first."""
        return self.found.candidates[:ROWS]


@dataclass(frozen=True)
class _Scale:
    """One column: title, figure of a candidate, ends, where it stands now, what is allowed."""

    title: str
    of: Callable[[Substitute], float]
    low: float
    high: float
    now: float | None
    allowed: tuple[float, float] | None = None
    is_log: bool = False


def _scales(substitutes: Substitutes) -> list[_Scale]:
    rows = substitutes.candidates[:ROWS]
    far = min(FURTHEST, rounded_up(1.1 * max([5.5, *(one.off_percent for one in rows)])))
    volts = [float(substitutes.before.rails[0].dc_v), *(one.b_plus_v for one in rows)]
    room = max(0.08 * (max(volts) - min(volts)), 0.01 * max(volts))
    ripple = max([1.5, *(max(one.ripple_ratio, 1.0 / one.ripple_ratio) for one in rows)])
    gain = rounded_up(1.1 * max([4.0, *(abs(one.gain_db) for one in rows)]))
    return [
        _Scale("voltage\nchange, %", lambda one: one.moves_percent, -far, far, 0.0),
        _Scale(f"{substitutes.before.rails[0].node}, V", lambda one: one.b_plus_v,
               min(volts) - room, max(volts) + room, volts[0]),
        _Scale("ripple,\n× present", lambda one: one.ripple_ratio, 0.9 / ripple, 1.1 * ripple, 1.0,
               is_log=True),
        _Scale("gain,\ndB", lambda one: one.gain_db, -gain, gain, 0.0, (-GAIN_DB, GAIN_DB)),
        _Scale("% of\nrating", lambda one: one.used_percent, 0.0, FULL, None, (0.0, 100.0)),
    ]  # fmt: skip


class SubstitutesView:
    """Rows and columns with scales as `first` needs them."""

    def __init__(self, figure: Figure, first: SubstitutesState) -> None:
        wide, high = figure.get_size_inches() * ink.DPI
        self.scales, self.count = _scales(first.found), len(first.rows)
        broad = (wide - NAMES - EDGE - GAP * (len(self.scales) - 1)) / len(self.scales)
        lefts = [NAMES + k * (broad + GAP) for k in range(len(self.scales))]
        self.axes = ink.spread(figure, [(left, ABOVE, broad, high - ABOVE - BELOW) for left in lefts])
        self.bands: list[Rectangle] = []
        self.dots: list[dict[bool, Line2D]] = []
        self.beyond: list[dict[str, Line2D]] = []
        self.stands: list[Line2D] = []
        for axes, scale in zip(self.axes, self.scales, strict=True):
            self._column(axes, scale)
        self.tolerance = self._allowed(self.axes[0], (0.0, 0.0))
        figure.text(EDGE / wide, 12 / high, HINT, fontsize=7.5, va="baseline")
        across = self.axes[0].get_yaxis_transform()
        edge: dict[str, Any] = {"transform": across, "va": "center"}
        left, middle = (-(NAMES - at) / broad for at in (EDGE, 76))
        self.names = [self.axes[0].text(left, row, "", **edge) for row in range(self.count)]
        self.words = [self.axes[0].text(middle, row, "", **edge) for row in range(self.count)]

    def _column(self, axes: Axes, scale: _Scale) -> None:
        axes.set_title(scale.title, fontsize=8.0)
        axes.set(ylim=(self.count - 0.4, -0.6), yticks=[])
        ends = (scale.low, scale.high)
        if scale.is_log:
            ink.decades(axes, ends, {each: f"{each:g}" for each in _round_ratios(*ends)})
        else:
            axes.xaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 2.5, 5, 10]))
            axes.set_xlim(ends)
        axes.tick_params(axis="x", labelsize=7.5)
        ink.bare(axes)
        for row in range(self.count):
            axes.axhline(row, color=ink.HAIR, linewidth=0.6, zorder=0.5)
        if scale.allowed is not None:
            self._allowed(axes, scale.allowed)
        if scale.now is not None:
            self.stands.append(axes.axvline(scale.now, color=ink.IRON, linewidth=0.8, zorder=2))
        band = Rectangle((scale.low, 0), scale.high - scale.low, 0.9, facecolor="none", edgecolor=ink.IRON,
                         linewidth=1.1, zorder=3)  # fmt: skip
        axes.add_patch(band)
        self.bands.append(band)
        self.dots.append({keeps: _marks(axes, shape, color) for keeps, (shape, color) in MARKS.items()})
        self.beyond.append({side: _marks(axes, side, ink.OXIDE) for side in "<>"})

    @staticmethod
    def _allowed(axes: Axes, ends: tuple[float, float]) -> Rectangle:
        patch = Rectangle(
            (ends[0], -1.0), ends[1] - ends[0], 1e3, facecolor=ink.HAIR, edgecolor="none", zorder=0.2,
        )  # fmt: skip
        axes.add_patch(patch)
        return patch

    @property
    def moving(self) -> Sequence[Artist]:
        """Everything that `show` changes, the lowest first."""
        columns = zip(self.bands, self.dots, self.beyond, strict=True)
        drawn = [each for band, dots, beyond in columns for each in (*dots.values(), *beyond.values(), band)]
        return [self.tolerance, self.stands[0], *drawn, *self.names, *self.words]

    def show(self, now: SubstitutesState, before: SubstitutesState | None = None) -> None:  # noqa: ARG002 - 'now' stands in each column
        """Another tolerance, another candidate looked at."""
        rows, percent = now.rows[: self.count], now.found.tolerance_percent
        self.tolerance.set_bounds(-percent, -1.0, 2.0 * percent, 1e3)
        for place, (name, word) in enumerate(zip(self.names, self.words, strict=True)):
            one = rows[place] if place < len(rows) else None
            name.set_text("" if one is None else one.name)
            word.set_text("" if one is None else "OK" if one.keeps else "no")
            name.set_fontweight("bold" if one is not None and one.name == now.chosen else "normal")
        chosen = next((k for k, one in enumerate(rows) if one.name == now.chosen), None)
        for scale, band, dots, beyond in zip(self.scales, self.bands, self.dots, self.beyond, strict=True):
            band.set_visible(chosen is not None)
            band.set_y((chosen or 0) - 0.45)
            _place(scale, rows, dots, beyond)

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        dots = (line for each in self.dots for line in each.values())
        ink.fade((*dots, *self.names, *self.words), faded)


def _marks(axes: Axes, shape: str, color: str) -> Line2D:
    return axes.plot(
        [], [], shape, color=color, markersize=6.0, markeredgewidth=1.6, zorder=4, clip_on=False
    )[0]


def _place(scale: _Scale, rows: Sequence[Substitute], dots: Any, beyond: Any) -> None:
    places: dict[Any, list[tuple[float, int]]] = {key: [] for key in (*dots, *beyond)}
    for row, one in enumerate(rows):
        value = scale.of(one)
        if math.isfinite(value):
            side: Any = ">" if value > scale.high else "<" if value < scale.low else one.keeps
            places[side].append((min(max(value, scale.low), scale.high), row))
    for key, line in (*dots.items(), *beyond.items()):
        line.set_data([x for x, _ in places[key]], [y for _, y in places[key]])


def _round_ratios(low: float, high: float) -> list[float]:
    """One, and round ratios near the ends."""
    steps = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
    inner = [step for step in steps if low <= step <= high]
    return inner if len(inner) <= 3 else [inner[0], 1.0, inner[-1]]


def height(substitutes: Substitutes) -> int:
    """Height of the figure for a list [px]."""
    return ABOVE + BELOW + ROW * max(4, min(ROWS, len(substitutes.candidates)))


def substitutes(result: Substitutes, chosen: str = "") -> Drawing:
    """Every candidate a row, what it moves in columns: voltages, B+, ripple, gain, the rating most used.

    Parameters
    ----------
    result
        What `tubekit.substitutes` gave.
    chosen
        Name of a candidate to frame.

    Returns
    -------
    Drawing
        Figure, axes (one per column), lines (per column: acceptable, not acceptable).

    Examples
    --------
    >>> from tubekit import load_amp, plots, substitutes
    >>> figure, axes, lines = plots.substitutes(substitutes(load_amp("teasel"), "C14"))
    >>> len(axes)
    5
    """
    state = SubstitutesState(result, chosen)
    figure, view = ink.shown(SubstitutesView, (WIDTH, height(result)), state)
    lines = [f"{one.name} {'OK' if one.keeps else 'no'}" for one in result.candidates[:ROWS]]
    figure.set_label(f"{result.headline()}. {'; '.join(lines)}")
    return Drawing(figure, view.axes, tuple(line for dots in view.dots for line in dots.values()))
