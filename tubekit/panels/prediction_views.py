"""What a prediction is drawn on: a scale, a curve by its points, a load line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from tubekit.devices import tube
from tubekit.lessons.question import Answer, Handle, Numbers, Question
from tubekit.lessons.score import plain
from tubekit.panels.figure_widget import WIDTH, FigureWidget
from tubekit.plots import ink

ROW, HEAD, SKETCH = 142, 8, 430
MILLI = 1e3
Array = np.ndarray
Points = list[tuple[float, float]]
FREE: dict[str, Any] = {"linestyle": "none", "clip_on": False}
DOTS: dict[str, Any] = {"marker": "o", "markersize": 9, "color": ink.IRON, "zorder": 6, **FREE}
PRINTED: dict[str, Any] = {
    "marker": "s", "markersize": 8, "markerfacecolor": ink.PAPER, "markeredgecolor": ink.VERDIGRIS,
    "markeredgewidth": 1.8, "zorder": 7, **FREE,
}  # fmt: skip
DASHED: dict[str, Any] = {"color": ink.OXIDE, "linewidth": 1.8, "linestyle": (0, (6, 2)), "zorder": 4}


@dataclass(frozen=True, eq=False)
class Seen:
    """What a picture shows: the prediction so far, and the answer once a prediction was given."""

    guess: Mapping[str, float] = field(default_factory=dict)
    answer: Answer | None = None

    def true(self, key: str) -> float | None:
        """The value calculated, where it may be seen."""
        return self._of(self.answer, key)

    def printed(self, key: str) -> float | None:
        """The value from outside, where there is one and it may be seen."""
        return self._of(self.answer.outside if self.answer else None, key)

    @staticmethod
    def _of(source: Any, key: str) -> float | None:
        value = source.value if source is not None else {}
        return value.get(key) if isinstance(value, Mapping) else None


class PredictionView:
    """Axes with `moving` artists; never out of date, so never gray."""

    moving: Sequence[Artist] = ()

    @property
    def in_words(self) -> str:
        """Title of each of the axes, and the words on it."""
        said: dict[Axes, list[str]] = {}
        for artist in self.moving:
            if isinstance(artist.axes, Axes):
                words = said.setdefault(artist.axes, [artist.axes.get_title(loc="left")])
                words += [artist.get_text()] if isinstance(artist, Text) else []
        return ". ".join(": ".join(filter(None, words)) for words in said.values())

    def fade(self, faded: bool) -> None:
        """Nothing to do."""

    def put(self, artist: Any, points: Points) -> None:
        """Set a line's points."""
        artist.set_data(*columns(points))


class ScaleView(PredictionView):
    """One scale below the other, a pointer on each."""

    def __init__(self, figure: Figure, question: Question) -> None:
        wide, high = figure.get_size_inches() * ink.DPI
        self.rows = [
            _Scale(figure, handle, (38 / wide, 1 - (HEAD + k * ROW - 48) / high, 1 - 76 / wide, 46 / high))
            for k, handle in enumerate(handles_of(question), 1)
        ]
        self.moving = [artist for row in self.rows for artist in row.moving]

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another prediction, and the answer where there is one."""
        for row in self.rows:
            row.show(now)


class _Scale(PredictionView):
    """A scale with its pointer, the band that counts as right and the marks of the answer."""

    def __init__(self, figure: Figure, handle: Handle, place: tuple[float, float, float, float]) -> None:
        self.handle = handle
        axes = figure.add_axes(place)
        axes.set(xlim=(handle.low, handle.high), ylim=(0.0, 1.0), yticks=[])
        axes.set_title(handle.label, pad=22.0)
        axes.grid(visible=False)
        axes.spines["left"].set_visible(False)
        scale_axis(axes.xaxis, axes.set_xscale, handle)
        if handle.low < 0.0 < handle.high:
            axes.axvline(0.0, color=ink.FAINT, linewidth=0.6)
        self.band = axes.axvspan(0.0, 0.0, color=ink.FILLS["within"].face, zorder=1)
        self.true = line(axes, color=ink.OXIDE, linewidth=2.2, linestyle=(0, (4, 1.5)), zorder=4)
        self.needle = line(axes, color=ink.IRON, linewidth=2.6, zorder=5)
        self.tip = line(axes, marker="v", markersize=11, color=ink.IRON, zorder=6, clip_on=False)
        self.square = line(axes, **{**PRINTED, "clip_on": True})
        beside: dict[str, Any] = {"transform": axes.transAxes, "va": "center"}
        self.value = axes.text(
            1.0, 1.62, "", ha="right", fontsize=10.5, fontweight="bold", color=ink.IRON, **beside
        )
        self.legend = axes.text(0.0, -0.85, "", ha="left", color=ink.OXIDE, fontsize=8.5, **beside)
        self.moving = [self.band, self.true, self.needle, self.tip, self.square, self.value, self.legend]

    def show(self, now: Seen) -> None:
        """Pointer, and the marks of the answer."""
        handle, guess, true = self.handle, now.guess.get(self.handle.key), now.true(self.handle.key)
        printed = None if true is None else now.printed(handle.key)
        self.put(self.needle, [] if guess is None else [(guess, 0.0), (guess, 0.9)])
        self.put(self.tip, [] if guess is None else [(guess, 0.95)])
        self.value.set_text("no prediction yet" if guess is None else plain(guess, handle.unit))
        self.put(self.true, [] if true is None else [(true, 0.0), (true, 1.0)])
        self.put(self.square, [] if printed is None else [(printed, 0.45)])
        low, high = handle.within.ends(handle.low if true is None else true)
        low, high = max(low, handle.low), min(high, handle.high)
        self.band.set_bounds(low, 0.0, high - low, 1.0)
        self.band.set_visible(true is not None)
        words = "" if true is None else f"dashed: calculated, {plain(true, handle.unit)}"
        words += "" if printed is None else f"; square: other source, {plain(printed, handle.unit)}"
        self.legend.set_text(f"{words}; shaded: counts as right" if words else "")


class CurveView(PredictionView):
    """Handles are points of one curve; options: `x_label`, `y_label`, `x_log`, `names` at the points."""

    def __init__(self, figure: Figure, question: Question) -> None:
        self.handles = handles_of(question)
        options = question.picture.options
        self.x_log, first = bool(options.get("x_log")), self.handles[0]
        self.x = np.array([each.at for each in self.handles])
        axes = figure.add_axes((0.1, 0.16, 0.86, 0.72))
        axes.set_title(str(options.get("y_label", "")))
        axes.set_xlabel(str(options.get("x_label", "")))
        low, high = options.get("x_range", (self.x.min(), self.x.max()))
        axes.set(xlim=(low, high), ylim=(first.low, first.high))
        scale_axis(axes.yaxis, axes.set_yscale, first)
        if self.x_log:
            axes.set_xscale("log")
            axes.xaxis.set_major_locator(LogLocator(10.0, subs=(1.0, 2.0, 5.0), numticks=20))
            axes.xaxis.set_major_formatter(
                FuncFormatter(lambda value, _: f"{value / 1e3:g}k" if value >= 1e3 else f"{value:g}")
            )
        if names := options.get("names"):
            axes.set_xticks(self.x, list(names))
        self.true, self.sketch = line(axes, **DASHED), line(axes, color=ink.IRON, linewidth=1.9, zorder=5)
        self.open = line(axes, **{**DOTS, "color": ink.FAINT, "markerfacecolor": ink.PAPER})
        self.dots, self.squares = line(axes, **DOTS), line(axes, **PRINTED)
        self.legend = _legend(axes, -0.19)
        self.moving = [self.true, self.sketch, self.open, self.dots, self.squares, self.legend]

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another sketch, and the answer where there is one."""
        placed = [(h.at, now.guess[h.key]) for h in self.handles if h.key in now.guess]
        printed = [(h.at, value) for h in self.handles if (value := now.printed(h.key)) is not None]
        known = [(h.at, value) for h in self.handles if (value := now.true(h.key)) is not None]
        self.put(self.dots, placed)
        self.put(self.open, [(h.at, h.low) for h in self.handles if h.key not in now.guess])
        self.sketch.set_data(*self._through(placed))
        self.put(self.squares, printed)
        curve = now.answer.curve if now.answer is not None else None
        self.true.set_data(*(self._through(known) if curve is None else curve))
        words = "" if now.answer is None else "solid: your sketch; dashed: calculated"
        self.legend.set_text(
            words + ("; squares: from a data sheet or other source" if words and printed else "")
        )

    def _through(self, points: Points) -> tuple[Array, Array]:
        """A smooth curve that overshoots nowhere."""
        if len(points) < 2:
            return columns([])
        x, y = columns(sorted(points))
        log = self.handles[0].log
        u, v = (np.log(x) if self.x_log else x), (np.log(y) if log else y)
        fine = np.linspace(u[0], u[-1], 120)
        curve = scipy.interpolate.PchipInterpolator(u, v)(fine)
        return (np.exp(fine) if self.x_log else fine), (np.exp(curve) if log else curve)


class PlateView(PredictionView):
    """A triode's plate curves; options: `tube`, `volts`, `amps` (ends of the axes), `step` of the grid [V].

    With `supply` and `ohms` a line is given, and the handle 'idle' [A] moves a point along it; without, the
    handles 'foot' [V] and 'head' [A] are the ends of the line that is drawn.
    """

    def __init__(self, figure: Figure, question: Question) -> None:
        self.options = options = question.picture.options
        self.given = "supply" in options
        axes = figure.add_axes((0.08, 0.15, 0.86, 0.74))
        axes.set_title("Plate current (mA) vs plate voltage (V)", pad=18.0)
        axes.set(xlim=(0.0, options["volts"]), ylim=(0.0, MILLI * options["amps"]))
        self._family(axes)
        if self.given:
            ends = [0.0, options["supply"]], [MILLI * options["supply"] / options["ohms"], 0.0]
            axes.plot(*ends, color=ink.IRON, linewidth=1.0, zorder=3)
        self.line = line(axes, color=ink.IRON, linewidth=2.2, zorder=5, clip_on=False)
        self.true, self.ends = line(axes, **DASHED), line(axes, **{**DOTS, "markersize": 10})
        wide = {"markerfacecolor": "none", "markeredgewidth": 2.0, "zorder": 7}
        self.ring = ink.mark(axes, "o", 13, ink.OXIDE, **wide)
        self.square, self.legend = line(axes, **{**PRINTED, "zorder": 8}), _legend(axes, -0.14)
        self.moving = [self.true, self.line, self.ends, self.ring, self.square, self.legend]

    def _family(self, axes: Axes) -> None:
        """One curve for each step of the grid, named where it leaves the axes."""
        far, most = float(self.options["volts"]), float(self.options["amps"])
        kind, volts = tube(self.options["tube"]), np.linspace(0.0, far, 161)
        small: dict[str, Any] = {"fontsize": 7.5}
        for k in range(12):
            grid = -k * self.options["step"]
            amps = np.asarray(kind.at(plate=volts, grid=grid).plate_a)
            axes.plot(volts, MILLI * amps, color=ink.FAINT, linewidth=0.8, zorder=2)
            name = f"{grid + 0.0:g} V"
            if amps[-1] > most:
                at = float(np.interp(most, amps, volts))
                axes.text(at, 1.012 * MILLI * most, name, ha="center", va="bottom", **small)
            elif amps[-1] > 0.03 * most:
                axes.text(1.008 * far, MILLI * amps[-1], name, ha="left", va="center", **small)
            else:
                break

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another line or point, and the answer where there is one."""
        if self.given:
            for artist, amps in (
                (self.ends, now.guess.get("idle")),
                (self.ring, now.true("idle")),
                (self.square, now.printed("idle")),
            ):
                self.put(artist, [] if amps is None else [self._on_line(amps)])
        else:
            ends = self._ends(now.guess.get("foot"), now.guess.get("head"))
            self.put(self.ends, ends)
            self.put(self.line, ends if len(ends) == 2 else [])
            self.put(self.true, self._ends(now.true("foot"), now.true("head")))
        words = (
            "solid: your prediction; dashed or ring: calculated; square: from a data sheet or other source"
        )
        self.legend.set_text("" if now.answer is None else words)

    @staticmethod
    def _ends(foot: float | None, head: float | None) -> Points:
        return ([] if foot is None else [(foot, 0.0)]) + ([] if head is None else [(0.0, MILLI * head)])

    def _on_line(self, amps: float) -> tuple[float, float]:
        return self.options["supply"] - amps * self.options["ohms"], MILLI * amps


VIEWS: dict[str, Any] = {"scale": ScaleView, "curve": CurveView, "plate": PlateView}


def line(axes: Axes, **style: Any) -> Any:
    """A line without points."""
    return axes.plot([], [], **style)[0]


def _legend(axes: Axes, at: float) -> Any:
    return axes.text(0.0, at, "", transform=axes.transAxes, ha="left", va="center", color=ink.OXIDE)


def columns(points: Points) -> tuple[Array, Array]:
    """Points as x and y."""
    table = np.array(points, float).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def handles_of(question: Question) -> tuple[Handle, ...]:
    """The handles of a question with numbers."""
    assert isinstance(question.way, Numbers)
    return question.way.handles


def scale_axis(axis: Any, set_scale: Callable[[str], Any], handle: Handle) -> None:
    """Ticks in the handle's own unit."""
    if handle.log:
        set_scale("log")
        subs = (1.0,) if handle.high / handle.low > 500 else (1.0, 2.0, 5.0)
        axis.set_major_locator(LogLocator(10.0, subs=subs, numticks=20))
        axis.set_minor_formatter(NullFormatter())
    else:
        axis.set_major_locator(MaxNLocator(8))
    axis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value, handle.unit)))


def _tick(value: float, unit: str) -> str:
    """'20 mA', '1 kHz'; bare figures for dB and percent, whose unit the readout carries."""
    if unit in ("dB", "%", "×") or value == 0.0:
        return f"{value:g}"
    number, _, tail = plain(value, unit).partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number} {tail}"


def _height(question: Question) -> int:
    return HEAD + ROW * len(handles_of(question)) if question.picture.kind == "scale" else SKETCH


def live_picture(question: Question, seen: Seen) -> FigureWidget[Seen]:
    """The picture of a question, live."""
    made = VIEWS[question.picture.kind]
    return FigureWidget(lambda figure, _: made(figure, question), seen, size=(WIDTH, _height(question)))


def empty_picture(question: Question) -> Figure:
    """The same without a prediction, for paper."""
    with ink.style():
        figure = ink.paper(WIDTH / ink.DPI, _height(question) / ink.DPI)
        VIEWS[question.picture.kind](figure, question).show(Seen())
    figure.set_label(f"Blank, for your prediction: {question.asks}")
    return figure
