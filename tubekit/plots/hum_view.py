"""Hum at the output: a bar for each source, hum by frequency, the null of the hum balance."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tubekit.amp.hum import Hum
from tubekit.amp.hum_balance import HumBalance
from tubekit.decisions.hum_remedies import HumReport
from tubekit.plots import ink
from tubekit.plots.handles import Handle, Trace, Track, ends
from tubekit.plots.ink import Drawing
from tubekit.units import show

ROWS = 7
SAYS = {"rail": "ripple of {}", "bias": "bias supply, {}", "heater": "heaters", "mains": "line at {}"}


@dataclass(frozen=True)
class Source:
    """One source in the list: what it makes by all its ways [V rms], and its largest way alone."""

    name: str
    volts: float
    alone: float
    through: str
    decibels: float


def sources(hum: Hum, member: int = 0) -> tuple[Source, ...]:
    """Sources, the largest first.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.amp.hum import hum
    >>> [each.name for each in sources(hum(load_amp("teasel")))][:2]
    ['heaters', 'ripple of B1']
    """
    rows = []
    for (kind, node), phasors in hum.together().items():
        ways = [w for w in hum.sources if w.kind == kind and (kind == "heater" or w.node == node)]
        largest = max(ways, key=lambda each: float(each.rms[member]))
        volts = np.sqrt((np.abs(phasors) ** 2).sum(axis=1))
        rows.append(
            Source(
                SAYS.get(kind, "{}").format(node), float(volts[member]), float(largest.rms[member]),
                largest.part, float(hum.db(volts)[member]),
            )
        )  # fmt: skip
    return tuple(sorted(rows, key=lambda row: -row.volts))


@dataclass(frozen=True, eq=False)
class HumState:
    """What is drawn: hum as it stands and, where the amp has a balance control, the turn of it."""

    hum: Hum
    balance: HumBalance | None = None
    position: float = 0.5


def with_the_whole(hum: Hum) -> tuple[Source, ...]:
    """The whole, then the sources."""
    total = hum.total_rms
    whole = Source("total hum", float(total[0]), 0.0, "", float(hum.db(total)[0]))
    return (whole, *sources(hum)[:ROWS])


Array = npt.NDArray[np.float64]

WIDTH, HEIGHT = 634, 560
DECADES = 6
THIN: dict[str, Any] = {"markeredgewidth": 1.2}
SPECTRUM = 8


class HumView:
    """Sources above; hum by frequency and the balance below. Scales as `first` needs them."""

    def __init__(self, figure: Figure, first: HumState) -> None:
        has_balance = first.balance is not None
        below = [(44, 424, 250, 104), (350, 424, 264, 104)] if has_balance else [(44, 424, 570, 104)]
        self.axes = ink.spread(figure, [(124, 34, 250, 328), *below])
        self._sources(self.axes[0], first.hum)
        self._spectrum(self.axes[1], first.hum)
        self._balance(self.axes[2] if has_balance else None, first)

    def _sources(self, axes: Axes, first: Hum) -> None:
        top = max((max(each.alone, each.volts) for each in sources(first)), default=1e-3)
        end = math.ceil(math.log10(2.0 * top))
        self.floor = 10.0 ** (end - DECADES)
        axes.set_title("Hum by source, 0 dB = 1 W (| largest path)")
        axes.set(ylim=(ROWS + 0.6, -0.7), yticks=[])
        ticks = [10.0**k for k in range(end - DECADES, end + 1, 2)]
        ink.decades(axes, (self.floor, 10.0**end), {each: show(each, "V", 1) for each in ticks})
        ink.bare(axes)
        axes.axhline(0.55, color=ink.IRON, linewidth=0.7)
        self.bars = [ink.bar(axes, self.floor, row - 0.28, 0.0, 0.56) for row in range(ROWS + 1)]
        self.alone = [ink.mark(axes, "|", 13.0, ink.OXIDE, **THIN) for _ in self.bars]
        self.marks = [ink.mark(axes, "d", 4.5, **THIN) for _ in self.bars]
        self.names, self.words = (ink.beside(axes, ROWS + 1, *each) for each in ((-0.02,), (1.02, 8.0)))

    def _spectrum(self, axes: Axes, first: Hum) -> None:
        axes.set_title("By frequency, dB relative to 1 W")
        rates = first.frequencies_hz[:SPECTRUM]
        loudest = float(np.nanmax(first.db(np.abs(first.total[0]))))
        top = 10.0 * math.ceil(0.1 * (loudest + 12.0))
        self.quiet = top - 80.0
        axes.set(xlim=(-0.6, SPECTRUM - 0.4), ylim=(self.quiet, top))
        axes.set_xticks(range(SPECTRUM), [f"{hz:g}" for hz in rates], fontsize=7.5)
        axes.tick_params(axis="x", length=0)
        axes.grid(visible=False, axis="x")
        self.lines = ink.curve(axes, ink.Stroke(ink.IRON, width=5.0), solid_capstyle="butt")
        self.was = ink.mark(axes, "d", 4.5, **THIN)

    def _balance(self, axes: Axes | None, first: HumState) -> None:
        self.null: list[Artist] = []
        if axes is None or first.balance is None:
            return
        axes.set_title(f"Hum as {first.balance.control} turns [dB, 0 = 1 W]")
        levels = np.concatenate(_turn(first)[1:])
        top = 10.0 * math.ceil(0.1 * float(np.nanmax(levels) + 3.0))
        axes.set(xlim=(0, 100), ylim=(top - 60.0, top), xticks=[0, 25, 50, 75, 100])
        axes.set_xticklabels(["0", "25", "50", "75", "100 %"])
        self.whole, self.heaters = ink.curve(axes, ink.stroke(0)), ink.curve(axes, ink.stroke(1), 2)
        self.here = ink.mark(axes, "o", 7.0, **THIN)
        self.label = axes.text(0.98, 0.97, "", transform=axes.transAxes, ha="right", va="top", fontsize=7.5)
        self.null = [self.heaters, self.whole, self.here, self.label]

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        rows = [*self.bars, *self.alone, *self.marks, *self.names, *self.words]
        return [*rows, self.lines, self.was, *self.null]

    def show(self, now: HumState, before: HumState | None = None) -> None:
        """Other hum on the same scales; diamonds where it was."""
        self.now = now
        old = {} if before is None or before is now else {s.name: s.volts for s in with_the_whole(before.hum)}
        rows = with_the_whole(now.hum)
        for row in range(ROWS + 1):
            self._row(row, rows[row] if row < len(rows) else None, old)
        self._tell_spectrum(now.hum, None if before is None or before is now else before.hum)
        self._tell_null(now)

    def _row(self, row: int, source: Source | None, old: dict[str, float]) -> None:
        if source is None:
            for text in (self.names[row], self.words[row]):
                text.set_text("")
            self.bars[row].set_visible(False)
            for mark in (self.alone[row], self.marks[row]):
                mark.set_data([], [])
            return
        self.bars[row].set_visible(True)
        self.bars[row].set_width(max(0.0, source.volts - self.floor))
        # A way alone that is much larger than the sum: that is what cancels.
        cancels = row > 0 and source.alone > 1.1 * source.volts
        self.alone[row].set_data([source.alone] if cancels else [], [row] if cancels else [])
        was = max(old.get(source.name, source.volts), 1e-12)
        moved = abs(math.log(was / max(source.volts, 1e-12))) > 0.01
        self.marks[row].set_data([was] if moved else [], [row] if moved else [])
        self.names[row].set_text(source.name)
        by = f"  by {source.through}" if source.through else ""
        self.words[row].set_text(f"{show(source.volts, 'V')}  {source.decibels:.0f} dB{by}")
        self.words[row].set_fontweight("bold" if row < 2 else "normal")

    def _tell_spectrum(self, now: Hum, before: Hum | None) -> None:
        level = now.db(np.abs(now.total[0]))[:SPECTRUM]
        xs, ys = [], []
        for k, each in enumerate(level):
            xs += [k, k, np.nan]
            ys += [self.quiet, max(self.quiet, float(each)), np.nan]
        self.lines.set_data(xs, ys)
        was = np.empty(0) if before is None else before.db(np.abs(before.total[0]))[:SPECTRUM]
        self.was.set_data(np.arange(was.size), was)

    def _tell_null(self, now: HumState) -> None:
        if not self.null:
            return
        if now.balance is None:
            for line in (self.whole, self.heaters, self.here):
                line.set_data([], [])
            self.label.set_text("no hum-balance pot")
            return
        travel, whole, heaters = _turn(now)
        self.whole.set_data(travel, whole)
        self.heaters.set_data(travel, heaters)
        self.here.set_data([100 * now.position], [float(now.hum.db(now.hum.total_rms)[0])])
        self.label.set_text(f"least at {100 * now.balance.null:.0f} % (heaters dashed)")

    def handles(self) -> Iterator[Handle]:
        """The hum balance along its curve."""
        now = self.now
        if self.null and now.balance is not None:
            travel = _turn(now)[0]
            at = (100.0 * now.position, float(now.hum.db(now.hum.total_rms)[0]))
            track = Track(
                f"{now.balance.control}.position", travel, np.zeros(len(travel)) + at[1], 0.01 * travel
            )
            yield Handle("hum balance", 2, at, (track,))

    def traces(self) -> Iterator[Trace]:
        """Sources, frequencies, the turn of the balance."""
        for row, (name, words) in enumerate(zip(self.names, self.words, strict=True)):
            if name.get_text():
                end = self.axes[0].get_xlim()[1]
                yield Trace(f"{name.get_text()}: {words.get_text()}", 0, *ends(self.floor, end, row))
        levels = np.asarray(self.lines.get_ydata(), dtype=float)[1::3]
        for place, (hertz, level) in enumerate(zip(self.now.hum.frequencies_hz, levels, strict=False)):
            x, y = np.full(2, float(place)), np.array([self.quiet, level])
            yield Trace(f"{hertz:g} Hz: {level:.0f} dB", 1, x, y)
        if self.null and self.now.balance is not None:
            travel, whole, heaters = _turn(self.now)
            yield Trace("hum", 2, travel, whole, ("% of the turn", "dB"))
            yield Trace("hum of the heaters", 2, travel, heaters, ("% of the turn", "dB"))

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        whole = [self.whole] if self.null else []
        ink.fade((*self.bars, self.lines, *self.names, *self.words, *whole), faded)


def _turn(now: HumState) -> tuple[Array, Array, Array]:
    """Travel [%], whole hum and heater hum [dB]; between the positions solved phasors go straight."""
    balance = now.balance
    assert balance is not None
    fine = np.unique(np.append(np.linspace(0, 1, 101), balance.null))
    levels = []
    for phasors in (balance.hum.total, balance.hum.of_kind("heater")):
        between = np.stack([_interp(fine, balance.positions, each) for each in phasors.T])
        size = np.sqrt((np.abs(between) ** 2).sum(axis=0))
        levels.append(balance.hum.db(np.maximum(size, 1e-15)))
    return 100 * fine, levels[0], levels[1]


def _interp(at: Array, known: Array, values: Array) -> Array:
    return np.asarray(np.interp(at, known, values.real) + 1j * np.interp(at, known, values.imag))


def hum(result: Hum | HumReport, before: Hum | None = None, *, balance: HumBalance | None = None) -> Drawing:
    """Hum at the output [V rms, log scale] by source, by frequency and, with `balance`, over its travel.

    Parameters
    ----------
    result
        Of `tubekit.hum` or `tubekit.hum_report`. A bar is what all ways of a source make together; a red
        stroke beyond it is its largest way alone, which others cancel.
    before
        An earlier one, as diamonds.
    balance
        Of `tubekit.hum_balance`.

    Returns
    -------
    Drawing
        Figure, axes (sources, frequency[, balance]), lines (bars from the whole downwards).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.amp.hum import hum as hum_of
    >>> figure, axes, bars = plots.hum(hum_of(load_amp("teasel")))
    >>> axes[0].get_title(loc="left")
    'Hum by source, 0 dB = 1 W (| largest path)'
    """
    outcome = result.hum if isinstance(result, HumReport) else result
    sight = HumState(outcome, balance, _position(balance))
    figure, view = ink.shown(HumView, (WIDTH, HEIGHT), sight, None if before is None else HumState(before))
    figure.set_label(f"Hum by source. {result.headline()}")
    return Drawing(figure, view.axes, tuple(view.bars))


def _position(balance: HumBalance | None) -> float:
    if balance is None:
        return 0.5
    position: Sequence[float] | float = getattr(balance.amp.parts[balance.control], "position", 0.5)
    return float(np.mean(position))
