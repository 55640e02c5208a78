"""What a prediction is drawn on: the scale of a value; `sight_plate` and `sight_curve` for sketches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from tubekit.panels.lessons.question import Answer, Handle, Numbers, Outside, Question
from tubekit.panels.lessons.score import plain
from tubekit.panels.live import WIDTH, LiveFigure
from tubekit.plots import ink

ROW, HEAD = 142, 8
SKETCH = 430
GUESS, TRUE, PRINT = "your prediction", "calculated", "from outside"


@dataclass(frozen=True, eq=False)
class Seen:
    """What a picture shows: the prediction as far as it stands, and the answer once it was earned."""

    guess: Mapping[str, float] = field(default_factory=dict)
    answer: Answer | None = None

    def true(self, key: str) -> float | None:
        """The value calculated, where it may be seen."""
        value = self.answer.value if self.answer else {}
        return value.get(key) if isinstance(value, Mapping) else None

    def printed(self, key: str) -> float | None:
        """The value from outside, where there is one and it may be seen."""
        outside: Outside | None = self.answer.outside if self.answer else None
        value = outside.value if outside else {}
        return value.get(key) if isinstance(value, Mapping) else None


class ScaleView:
    """One scale below the other, a pointer on each."""

    def __init__(self, figure: Figure, question: Question) -> None:
        assert isinstance(question.way, Numbers)
        handles = question.way.handles
        wide, high = figure.get_size_inches() * ink.DPI
        self.rows = [
            _Row(figure, handle, (38 / wide, 1 - (HEAD + k * ROW - 48) / high, 1 - 76 / wide, 46 / high))
            for k, handle in enumerate(handles, 1)
        ]  # fmt: skip

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        return [artist for row in self.rows for artist in row.moving]

    def show(self, now: Seen, before: Seen | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Another prediction, and the answer where there is one."""
        for row in self.rows:
            row.show(now)

    def fade(self, faded: bool) -> None:
        """A prediction is never out of date."""


class _Row:
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
        self.needle = axes.plot([], [], color=ink.IRON, linewidth=2.6, zorder=5)[0]
        self.tip = axes.plot([], [], marker="v", markersize=11, color=ink.IRON, zorder=6, clip_on=False)[0]
        self.true = axes.plot([], [], color=ink.OXIDE, linewidth=2.2, linestyle=(0, (4, 1.5)), zorder=4)[0]
        self.printed = axes.plot(
            [], [], marker="s", markersize=8, markerfacecolor=ink.PAPER, markeredgecolor=ink.VERDIGRIS,
            markeredgewidth=1.8, linestyle="none", zorder=7,
        )[0]  # fmt: skip
        self.said = axes.text(1.0, 1.62, "", transform=axes.transAxes, ha="right", va="center", fontsize=10.5,
                              fontweight="bold", color=ink.IRON)  # fmt: skip
        self.told = axes.text(
            0.0, -0.85, "", transform=axes.transAxes, ha="left", va="center", color=ink.OXIDE, fontsize=8.5
        )

    @property
    def moving(self) -> list[Artist]:
        return [self.band, self.true, self.needle, self.tip, self.printed, self.said, self.told]

    def show(self, now: Seen) -> None:
        guess, true, printed = now.guess.get(self.handle.key), now.true(self.handle.key), None
        if true is not None:
            printed = now.printed(self.handle.key)
        self.needle.set_data([] if guess is None else [guess, guess], [] if guess is None else [0.0, 0.9])
        self.tip.set_data([] if guess is None else [guess], [] if guess is None else [0.95])
        self.said.set_text("no prediction yet" if guess is None else plain(guess, self.handle.unit))
        self.true.set_data([] if true is None else [true, true], [] if true is None else [0.0, 1.0])
        self.printed.set_data([] if printed is None else [printed], [] if printed is None else [0.45])
        low, high = self.handle.within.ends(self.handle.low if true is None else true)
        low, high = max(low, self.handle.low), min(high, self.handle.high)
        self.band.set_bounds(low, 0.0, high - low, 1.0)
        self.band.set_visible(true is not None)
        self.told.set_text("" if true is None else self._legend(true, printed))

    def _legend(self, true: float, printed: float | None) -> str:
        words = f"dashed: calculated, {plain(true, self.handle.unit)}"
        beside = "" if printed is None else f"; square: from outside, {plain(printed, self.handle.unit)}"
        return f"{words}{beside}; shaded: counts as right"


def scale_axis(axis: Any, set_scale: Callable[[str], Any], handle: Handle) -> None:
    """Ticks in the handle's own unit."""
    if handle.log:
        set_scale("log")
        axis.set_major_locator(LogLocator(10.0, subs=(1.0, 2.0, 5.0), numticks=20))
        axis.set_minor_formatter(NullFormatter())
        decades = handle.high / handle.low
        if decades > 500:
            axis.set_major_locator(LogLocator(10.0, numticks=20))
    else:
        axis.set_major_locator(MaxNLocator(8))
    axis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value, handle)))


def _tick(value: float, handle: Handle) -> str:
    """'20 mA', '1 kHz'; bare figures for dB and per cent, whose unit the readout carries."""
    if handle.unit in ("dB", "%", "×"):
        return f"{value:g}"
    if value == 0.0:
        return "0"
    return plain(value, handle.unit) if abs(value) >= 1e12 else _short(value, handle.unit)


def _short(value: float, unit: str) -> str:
    number, _, tail = plain(value, unit).partition(" ")
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {tail}"


def live(question: Question, seen: Seen, views: Mapping[str, Any]) -> LiveFigure[Seen]:
    """The picture of a question, live."""
    assert isinstance(question.way, Numbers)
    kind = question.picture.kind
    height = HEAD + ROW * len(question.way.handles) if kind == "scale" else SKETCH
    return LiveFigure(lambda figure, _: views[kind](figure, question), seen, height=height)


def still(question: Question, views: Mapping[str, Any]) -> Figure:
    """The same without a prediction, for paper."""
    assert isinstance(question.way, Numbers)
    kind = question.picture.kind
    height = HEAD + ROW * len(question.way.handles) if kind == "scale" else SKETCH
    with ink.style():
        figure = ink.paper(WIDTH / ink.DPI, height / ink.DPI)
        views[kind](figure, question).show(Seen())
    return figure
