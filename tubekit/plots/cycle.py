"""One line cycle: ripple of the rails over the current of each rectifier plate."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.transforms import Affine2D

from tubekit.amp import AmpReport
from tubekit.analyses.mains import MainsState
from tubekit.decisions import SwapReport
from tubekit.plots import ink
from tubekit.plots.handles import Handle, Trace, Track
from tubekit.plots.ink import Drawing
from tubekit.plots.reading import Waveform, current_traces, milliseconds, ripple_traces

HEADROOM = 1.3
Result: TypeAlias = AmpReport | MainsState
BEYOND = "off scale"
LINE = 0.004
"""A curve that leaves the axes by less than this share of them is still seen on their edge."""
LANE = 0.47
"""Share of a lane's height that its full scale takes, up and down."""
LEAST_SCALE = 1e-6
"""No lane shows less than this as its full scale [V]: below it is rounding, not ripple."""
RIPPLE_TITLE = "Ripple over one line cycle, each rail on a scale of its own"
CURRENT_TITLE = "Current of each rectifier plate: mA versus ms"


class Strip:
    """Curves over one cycle on one pair of axes, each with a faint 'before' and words at the side.

    `moving` are the artists that change; `show` gives them new data, the axes stay as they are. With `scales`
    each curve has a lane of its own, which ends at plus and minus its scale.
    """

    def __init__(
        self, axes: Axes, count: int, *, title: str, line: float, scales: Sequence[float] = ()
    ) -> None:
        self.axes, self.samples, self.scales = axes, list[Line2D](), tuple(scales)
        axes.set_title(title)
        self.before = [ink.curve(axes, ink.BEFORE, 2) for _ in range(count)]
        self.after = [ink.curve(axes, ink.stroke(k)) for k in range(count)]
        self.words = [self._key(k, line) for k in range(count)]
        self.were = [self._was(k) for k in range(count if scales else 0)]
        if self.scales:
            self._lanes()
        self.beyond = axes.text(
            0.5, 0.98, "", transform=axes.transAxes, ha="center", va="top", fontweight="bold",
            bbox={"facecolor": ink.PAPER, "edgecolor": ink.OXIDE, "pad": 2.0},
        )  # fmt: skip

    def _lanes(self) -> None:
        """One above the other, the first on top; curves keep their own units."""
        axes, count = self.axes, len(self.scales)
        axes.set_ylim(0.5 - count, 0.5)
        axes.set_yticks([-k for k in range(count)], [""] * count)
        axes.tick_params(left=False)
        for lines in (self.before, self.after):
            for k, (line, scale) in enumerate(zip(lines, self.scales, strict=True)):
                line.set_transform(Affine2D().scale(1.0, LANE / scale).translate(0.0, -k) + axes.transData)

    def _key(self, place: int, line: float) -> Text:
        """Words at the side of the axes, with a sample of the stroke in front."""
        axes, count = self.axes, len(self.scales)
        height = 1.0 - (place + 0.5) / count if count else 0.94 - place * line
        sample = Line2D(
            (1.02, 1.075), (height, height), transform=axes.transAxes, clip_on=False,
            **ink.stroke(place).options(),
        )  # fmt: skip
        axes.add_line(sample)
        self.samples.append(sample)
        return axes.text(1.09, height, "", transform=axes.transAxes, ha="left", va="center", clip_on=False)

    def _was(self, place: int) -> Text:
        """Words below those of a lane: what it was."""
        x, y = self.words[place].get_position()
        return self.axes.text(
            x, y - 0.34 / len(self.scales), "", transform=self.axes.transAxes, va="center", fontsize=7.5
        )

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [*self.before, *self.after, *self.samples, *self.words, *self.were, self.beyond]

    def show(self, times: Any, after: Sequence[Waveform], before: Sequence[Waveform] = ()) -> None:
        """New data in the order of the strokes; what has no curve this time is hidden."""
        for lines, traces in ((self.before, before), (self.after, after)):
            for place, line in enumerate(lines):
                line.set_visible(place < len(traces))
                if place < len(traces):
                    line.set_data(times, traces[place].values)
                    line.set_label(traces[place].name)
        for place, (words, sample) in enumerate(zip(self.words, self.samples, strict=True)):
            words.set_text(after[place].words if place < len(after) else "")
            sample.set_visible(place < len(after))
        for place, was in enumerate(self.were):
            old = before[place].words if place < len(before) else ""
            same = place >= len(after) or old == after[place].words
            was.set_text("" if same else f"before {old.partition('  ')[2]}")
        outside = any(self._outside(place, trace) for place, trace in enumerate(after))
        self.beyond.set_text(BEYOND if outside else "")
        self.beyond.set_visible(outside)

    def _outside(self, place: int, trace: Waveform) -> bool:
        low, high = (-self.scales[place], self.scales[place]) if self.scales else self.axes.get_ylim()
        slack = LINE * (high - low)  # a diode's leakage is a hair below zero
        return bool(trace.values.max() > high + slack or trace.values.min() < low - slack)

    def seen(self, place: int, values: Any) -> Any:
        """Values of the curve at that place as data of the axes."""
        return LANE / self.scales[place] * np.asarray(values) - place if self.scales else np.asarray(values)

    def traces(self, axes: int, units: tuple[str, str]) -> Iterator[Trace]:
        """Each curve that is seen, with its words; then what was before."""
        for lines, more in ((self.after, ""), (self.before, ", before the change")):
            for place, (line, words) in enumerate(zip(lines, self.words, strict=True)):
                if line.get_visible():
                    name = str(line.get_label()) if more else words.get_text()
                    drawn = Trace.of(name + more, axes, line, units)
                    yield replace(drawn, y=self.seen(place, drawn.y))

    def fade(self, faded: bool) -> None:
        """Gray the curves out: they belong to an earlier state of the controls."""
        ink.fade((*self.after, *self.samples, *self.words), faded)


class CycleView:
    """Both strips of an amp, with scales fixed when it is made.

    Parameters
    ----------
    axes : for the ripple, for the plate currents.
    first : the report that sets the scales.
    headroom : how far the scales reach beyond what `first` needs.
    """

    def __init__(
        self, axes: Sequence[Axes], first: Result, nodes: Sequence[str] = (), *,
        headroom: float = HEADROOM, member: int = 0,
    ) -> None:  # fmt: skip
        self.member = member
        ripples, currents = ripple_traces(first, nodes, member), current_traces(first, member)
        self.nodes = tuple(trace.name for trace in ripples)
        swings = (max(float(np.abs(each.values).max()), LEAST_SCALE) for each in ripples)
        scales = [rounded_up(headroom * swing) for swing in swings]
        self.ripple = Strip(axes[0], len(ripples), title=RIPPLE_TITLE, line=0.115, scales=scales)
        self.current = Strip(axes[1], len(currents), title=CURRENT_TITLE, line=0.2)
        top = max((float(t.values.max()) for t in currents), default=1.0)
        axes[1].set_ylim(0.0, rounded_up(headroom * top))
        times = milliseconds(first.solved.state if isinstance(first, AmpReport) else first)
        for each in axes:
            each.set_xlim(0.0, times[-1])
        axes[0].tick_params(labelbottom=False)

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes."""
        return [*self.ripple.moving, *self.current.moving]

    def show(self, after: Result, before: Result | None = None) -> None:
        """Draw another result on the same scales."""
        self.now = after
        times = milliseconds(after.solved.state if isinstance(after, AmpReport) else after)
        nodes = [node for node in self.nodes if _has(after, node)]
        old = () if before is None else ripple_traces(before, nodes, self.member)
        self.ripple.show(times, ripple_traces(after, nodes, self.member), old)
        plates = len(self.current.after)
        old = () if before is None else current_traces(before, self.member)[:plates]
        self.current.show(times, current_traces(after, self.member)[:plates], old)

    def handles(self) -> Iterator[Handle]:
        """The crest of each rail's ripple: pulled down, its filter capacitor grows in proportion."""
        if not isinstance(self.now, AmpReport):
            return
        held = {rail.node: rail.capacitor for rail in self.now.rails}
        for place, line in enumerate(self.ripple.after):
            times, volts = map(np.asarray, line.get_data())
            if not line.get_visible() or line.get_label() not in held or not len(volts):
                continue
            top, node = int(np.argmax(volts)), str(line.get_label())
            times_as_much = np.geomspace(0.1, 10.0, 120)
            y = self.ripple.seen(place, volts[top] / times_as_much)
            x = np.full(len(y), float(times[top]))
            track = Track(held[node], x, y, times_as_much, times=True)
            at = (float(times[top]), float(self.ripple.seen(place, volts[top])))
            yield Handle(f"ripple of {node}", 0, at, (track,))

    def traces(self) -> Iterator[Trace]:
        """Rails, then the rectifier's plates."""
        yield from self.ripple.traces(0, ("ms", ""))
        yield from self.current.traces(1, ("ms", "mA"))

    def fade(self, faded: bool) -> None:
        """Gray the curves out, or ink them again."""
        self.ripple.fade(faded)
        self.current.fade(faded)


def ripple(
    result: SwapReport | AmpReport | MainsState, *, nodes: Sequence[str] = (), member: int = 0
) -> Drawing:
    """Ripple of the rails, each on a scale of its own, over plate current [mA], one line cycle.

    Parameters
    ----------
    result
        A swap (before faint, after in ink), one amp, or a bare mains state.
    nodes
        Nodes to show; of an amp, the four rails with most ripple when not given.
    member
        Which member of a batch.

    Returns
    -------
    Drawing
        Figure, axes (ripple, current), lines (rails first, then plates; 'after' only).

    Examples
    --------
    >>> from tubekit import load_amp, plots, swap
    >>> figure, axes, lines = plots.ripple(swap(load_amp("teasel"), {"C14": "40u"}))
    >>> [line.get_label() for line in lines][:2]
    ['B1', 'B2']
    """
    after = result.after if isinstance(result, SwapReport) else result
    before = result.before if isinstance(result, SwapReport) else None
    with ink.style():
        figure = ink.paper(7.6, 4.2)
        axes = figure.subplots(2, 1, height_ratios=(3, 2))
        figure.subplots_adjust(left=0.075, right=0.70, top=0.93, bottom=0.11, hspace=0.28)
        view = CycleView(axes, larger(after, before, nodes, member), nodes, member=member)
        view.show(after, before)
    words = [text.get_text() for text in (*view.ripple.words, *view.current.words)]
    figure.set_label(f"Ripple and plate current over one line cycle: {'; '.join(w for w in words if w)}")
    return Drawing(figure, tuple(axes), (*view.ripple.after, *view.current.after))


def larger(after: Result, before: Result | None, nodes: Sequence[str] = (), member: int = 0) -> Result:
    """Whichever of the two has more ripple and so needs the larger scale."""
    if before is None:
        return after
    now, old = (max(np.ptp(t.values) for t in ripple_traces(each, nodes, member)) for each in (after, before))
    return after if now >= old else before


def _has(result: Result, node: str) -> bool:
    """A node goes when the last part at it is taken out."""
    circuit = result.solved.state.circuit if isinstance(result, AmpReport) else result.circuit
    return node in circuit.nodes


def rounded_up(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten.

    Examples
    --------
    >>> rounded_up(7.9), rounded_up(0.11), rounded_up(160.0)
    (8.0, 0.15, 200.0)
    """
    if not value > 0.0 or not math.isfinite(value):
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    step = next((m for m in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if m * power >= value * (1 - 1e-9)), 10)
    return float(f"{step * power:.6g}")
