"""A supply whole: ripple, plate current and ratings; regulation, switch-on, discharge."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from tubekit.amp import AmpReport
from tubekit.amp.discharge import LIMIT_V, Discharge
from tubekit.amp.readings import RailReading
from tubekit.amp.surge import SwitchOn
from tubekit.analyses.regulation import Regulation
from tubekit.decisions import SwapReport
from tubekit.decisions.rating import RatingCheck
from tubekit.plots import ink
from tubekit.plots.cycle import CycleView, rounded_up
from tubekit.plots.handles import Handle, Trace
from tubekit.plots.ink import Drawing
from tubekit.plots.ratings import RatingsView
from tubekit.plots.reading import of_member
from tubekit.units import show

RATINGS = 10
WIDTH, HEIGHT = 634, 572
SIZE = (7.6, 3.0)
PLACES = ((36, 24, 384, 150), (36, 206, 384, 82), (200, 338, 300, 208))


class SupplyState(NamedTuple):
    """What is drawn of a supply: an amp's report (or the bare state of its supply), and its rating checks."""

    report: Any
    limits: Iterable[RatingCheck]


class SupplyView:
    """Two strips over one line cycle and rows of ratings; scales as `first`, a `SupplyState`, needs them."""

    def __init__(self, figure: Figure, first: Any) -> None:
        self.axes = ink.spread(figure, PLACES)
        self.cycle = CycleView(self.axes[:2], first.report, headroom=2.0)
        self.ratings = RatingsView(
            self.axes[2], RATINGS, title="How much of each rating is used   (◇ before the change)"
        )

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes each time, the lowest first."""
        return [*self.cycle.moving, *self.ratings.moving]

    @property
    def row_names(self) -> tuple[str, ...]:
        """Names of the ratings: where they change the background is drawn again."""
        return self.ratings.row_names

    def show(self, now: Any, before: Any = None) -> None:
        """Another supply on the same scales."""
        self.cycle.show(now.report, before and before.report)
        self.ratings.show(now.limits, before and before.limits)

    def handles(self) -> Iterator[Handle]:
        """Filter capacitors."""
        return self.cycle.handles()

    def traces(self) -> Iterator[Trace]:
        """Rails, plates, ratings."""
        yield from self.cycle.traces()
        yield from self.ratings.traces(2)

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        self.cycle.fade(faded)
        self.ratings.fade(faded)


def regulation(
    curve: Regulation, before: Regulation | None = None, *, drawn_a: float | None = None
) -> Drawing:
    """Mean voltage of a rail [V] over the current drawn from it [mA], its ripple as a band.

    Parameters
    ----------
    curve
        From `tubekit.regulation`.
    before
        Another supply, faint.
    drawn_a
        What the amp draws at idle, as a ring on the curve [A].

    Returns
    -------
    Drawing
        Figure, axes (one), lines (the curve).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.amp.loading import load_regulation
    >>> drawing = plots.regulation(load_regulation(load_amp("teasel"), points=5))
    >>> drawing.words.startswith("Regulation: Ottermere Teasel: B1 gives")
    True
    """
    figure, axes = _sheet(f"{curve.node} (V) versus load current (mA); the shaded part is the ripple")
    low, high = curve.volts - 0.5 * curve.ripple_pp_v, curve.volts + 0.5 * curve.ripple_pp_v
    axes.fill_between(1e3 * curve.amps, low, high, color=ink.HAIR, linewidth=0, zorder=1)
    if before is not None:
        axes.plot(1e3 * before.amps, before.volts, **ink.BEFORE.options(), zorder=2)
    line = axes.plot(1e3 * curve.amps, curve.volts, **ink.stroke(0).options(), zorder=3)[0]
    if drawn_a is not None:
        ring = ink.mark(axes, "o", 7, markeredgewidth=1.6, zorder=4)
        ring.set_data([1e3 * drawn_a], [float(curve.at(drawn_a))])
    axes.set_xlim(0.0, 1e3 * float(curve.amps[-1]))
    figure.set_label(f"Regulation: {curve.headline()}")
    return Drawing(figure, (axes,), (line,))


def switch_on(result: SwitchOn, *, capacitors: Sequence[str] = ()) -> Drawing:
    """Highest voltage at each filter capacitor [V] over the time since switch-on [s], with its rating.

    Parameters
    ----------
    result
        From `switch_on` or `hot_standby`.
    capacitors
        Which; the first four when not given. Ratings are the thin lines in the same stroke.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (one for each capacitor).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.amp.switching import switch_on
    >>> len(plots.switch_on(switch_on(load_amp("teasel"), seconds=3)).lines)
    4
    """
    figure, axes = _sheet("Filter cap voltage (V) versus time since switch-on (s)")
    surges = [each for each in result.surges if not capacitors or each.capacitor in capacitors][:4]
    lines = []
    for place, surge in enumerate(surges):
        part = result.amp.parts[surge.capacitor]
        volts = np.abs(result.run.extremes(*part.nodes)[0])
        lines.append(axes.plot(result.run.time, volts, **ink.stroke(place).options(), zorder=3)[0])
        words = f"{surge.capacitor}  {surge.highest_v:.0f} V at {surge.at_s:.2g} s"
        _key(axes, place, words)
        if np.isfinite(surge.rated_v):
            axes.axhline(surge.rated_v, color=ink.stroke(place).ink, linewidth=0.7, zorder=2)
            _key(axes, place, f"rated {surge.rated_v:.0f} V", below=True, sample=False)
    most = max([each.highest_v for each in surges] + [e.rated_v for e in surges if np.isfinite(e.rated_v)])
    axes.set(xlim=(0.0, float(result.run.time[-1])), ylim=(0.0, rounded_up(1.05 * most)))
    figure.set_label(result.headline())
    return Drawing(figure, (axes,), tuple(lines))


def discharge(result: Discharge, *, case: str = "cold") -> Drawing:
    """Voltage at each filter capacitor [V] over the time since switch-off [s]; the dotted line is at 60 V.

    Parameters
    ----------
    result
        From `tubekit.discharge`.
    case
        'cold' (pulled, or never warm: the slow one) or 'cooling'.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (one for each capacitor).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.amp.discharge import discharge
    >>> drawing = plots.discharge(discharge(load_amp("teasel")))
    >>> "check with a meter" in drawing.words
    True
    """
    figure, axes = _sheet(f"Filter cap voltage (V) versus time since switch-off (s), tubes {case}")
    run = result.cold if case == "cold" else result.cooling
    held = [each for each in result.held if each.case == case][:4]
    lines = []
    for place, each in enumerate(held):
        volts = np.maximum(np.abs(run.volts(each.a, each.b)), 1e-3)
        after = np.maximum(run.time, 1e-2)
        lines.append(axes.plot(after, volts, **ink.stroke(place).options(), zorder=3)[0])
        until = "longer than shown" if np.isinf(each.to_limit_s) else f"{each.to_limit_s:.3g} s"
        _key(axes, place, f"{each.capacitor}  to 60 V in {until}")
        _key(axes, place, f"{each.joules[0]:.2g} J right after switch-off", below=True, sample=False)
    axes.axhline(LIMIT_V, color=ink.IRON, linewidth=1.0, linestyle=(0, (1, 2)), zorder=4)
    ink.decades(axes, (0.1, float(run.time[-1])), {each: f"{each:g}" for each in (0.1, 1, 10, 100, 1000)})
    axes.set_ylim(0.0, None)
    figure.set_label(result.headline())
    return Drawing(figure, (axes,), tuple(lines))


def _sheet(title: str) -> tuple[Figure, Axes]:
    """A figure with one pair of axes and room for words at the right."""
    with ink.style():
        figure = ink.paper(*SIZE)
        axes = figure.add_axes((0.07, 0.11, 0.62, 0.77))
        axes.set_title(title)
    return figure, axes


def _key(axes: Axes, place: int, words: str, *, below: bool = False, sample: bool = True) -> None:
    """Words beside the axes, with a sample of the stroke in front."""
    height = 0.95 - 0.2 * place - (0.085 if below else 0.0)
    with ink.style():
        if sample:
            axes.plot(
                [1.02, 1.07], [height, height], transform=axes.transAxes, clip_on=False,
                **ink.stroke(place).options(),
            )  # fmt: skip
        axes.text(1.085, height, words, transform=axes.transAxes, ha="left", va="center")


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
        self.links = [ink.curve(axes, ink.Stroke(ink.IRON, width=1.0), 2) for _ in range(rows)]
        self.before = [ink.mark(axes, "o", 5.5, ink.FAINT, zorder=3) for _ in range(rows)]
        self.after = [ink.mark(axes, "o", 5.5, markerfacecolor=ink.IRON, zorder=3) for _ in range(rows)]
        self.names, self.words = (ink.beside(axes, rows, x) for x in (-0.02, 1.02))

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
        ink.fade((*self.after, *self.names, *self.words), faded)


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
        figure, axes = ink.sheet(7.6, 0.75 + 0.28 * rows, rows, 0.16, 0.74, (0.32, 0.35))
        axes.grid(visible=True)
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
