"""The drawing language: inks, strokes, hatches and paper that every tubekit figure shares.

Four inks for curves, told apart by hue, by lightness (so that gray copies and print keep them apart)
and by stroke; nothing is said by color alone. The tests hold the inks to 3:1 against the paper
(WCAG 2.1, success criterion 1.4.11, from memory) and apart for color-blind readers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from io import BytesIO
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

from matplotlib import rc_context
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text

PAPER = "#ffffff"
IRON = "#10203f"
OXIDE = "#8f2d1a"
VERDIGRIS = "#217c87"
OCHRE = "#bd8312"
FAINT = "#86867f"
HAIR = "#d9d8d2"
DPI = 100


@dataclass(frozen=True)
class Stroke:
    """How one kind of curve is drawn: ink, dash pattern, width [points]."""

    ink: str
    dash: Any = "solid"
    width: float = 1.6

    def options(self) -> dict[str, Any]:
        """As keyword arguments of a line."""
        return {"color": self.ink, "linestyle": self.dash, "linewidth": self.width}


STROKES: tuple[Stroke, ...] = (
    Stroke(IRON, width=1.9),
    Stroke(OXIDE, (0, (6, 2))),
    Stroke(VERDIGRIS, (0, (6, 2, 1, 2))),
    Stroke(OCHRE, (0, (2, 1.5))),
)
"""Curves in order of importance; a fifth curve takes the first stroke again."""

BEFORE = Stroke(FAINT, width=1.0)
"""The amp as it was: faint, behind everything."""


@dataclass(frozen=True)
class Fill:
    """How a bar is filled: face, edge and hatch."""

    face: str
    edge: str
    hatch: str = ""


FILLS = {
    "within": Fill("#c3ccd9", IRON),
    "near": Fill("#f3dca6", "#7a5200", "////"),
    "at limit": Fill("#ecbd7a", "#7a5200", "\\\\\\\\"),
    "exceeded": Fill("#e2a08d", OXIDE, "xxxx"),
}
"""Bar fill by the state of a rating; the word stands beside the bar as well."""

_STYLE: Any = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "axes.titlesize": 9.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 5.0,
    "axes.titlecolor": IRON,
    "axes.edgecolor": IRON,
    "axes.labelcolor": IRON,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": HAIR,
    "grid.linewidth": 0.6,
    "xtick.color": IRON,
    "ytick.color": IRON,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "text.color": IRON,
    "text.parse_math": False,  # a $ that someone typed is a $
    "hatch.linewidth": 0.7,
    "lines.solid_capstyle": "round",
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "savefig.facecolor": PAPER,
}


def style() -> Any:
    """Context in which axes and artists take on the drawing language.

    Examples
    --------
    >>> with style():
    ...     figure = paper(4, 3)
    ...     axes = figure.add_subplot()
    >>> axes.spines["top"].get_visible()
    False
    """
    return rc_context(_STYLE)


def paper(width: float, height: float, dpi: float = DPI) -> Figure:
    """An empty figure [inches] with its own off-screen canvas; no window, nothing kept open."""
    figure = Figure(figsize=(width, height), dpi=dpi, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def stroke(place: int) -> Stroke:
    """Stroke of the curve at that place, counted from 0."""
    return STROKES[place % len(STROKES)]


def spread(figure: Figure, places: Iterable[tuple[float, float, float, float]]) -> tuple[Axes, ...]:
    """Pairs of axes on a figure, each at (left, top, width, height) [px] from its upper left corner."""
    wide, high = figure.get_size_inches() * DPI
    return tuple(
        figure.add_axes((left / wide, 1 - (top + tall) / high, broad / wide, tall / high))
        for left, top, broad, tall in places
    )


def curve(axes: Axes, kind: Stroke, zorder: float = 3, **options: Any) -> Line2D:
    """A line that has no points yet."""
    return axes.plot([], [], **{**kind.options(), "zorder": zorder, **options})[0]


def mark(axes: Axes, shape: str, size: float, color: str = IRON, **options: Any) -> Line2D:
    """A mark without a line, open unless `markerfacecolor` fills it, that has no place yet."""
    look = {"markerfacecolor": PAPER, "linestyle": "none", "zorder": 5, **options}
    return axes.plot([], [], marker=shape, markersize=size, color=color, **look)[0]


def bar(axes: Axes, left: float, low: float, wide: float, high: float) -> Rectangle:
    """A bar, filled as a rating that is kept."""
    made = Rectangle((left, low), wide, high, linewidth=0.8, zorder=3)
    fill(made, "within")
    axes.add_patch(made)
    return made


def fill(bar: Rectangle, state: str) -> None:
    """Fill a bar by the state of its rating."""
    look = FILLS[state]
    bar.set(facecolor=look.face, edgecolor=look.edge, hatch=look.hatch)


def beside(axes: Axes, rows: int, x: float, size: float = 8.5) -> list[Text]:
    """Words still to come beside each row: left of the axes where `x` is below 0, else right of them."""
    look: Any = {"transform": axes.get_yaxis_transform(), "ha": "right" if x < 0.0 else "left"}
    return [axes.text(x, row, "", va="center", fontsize=size, **look) for row in range(rows)]


def decades(axes: Axes, span: tuple[float, float], ticks: Mapping[Any, str]) -> None:
    """A logarithmic scale across, with these ticks and no others."""
    axes.set_xscale("log")
    axes.set_xticks(list(ticks), list(ticks.values()))
    axes.set_xticks([], minor=True)
    axes.set_xlim(span)  # a tick beyond the scale would have widened it


_INKS: WeakKeyDictionary[Artist, Any] = WeakKeyDictionary()


def fade(artists: Iterable[Artist], faded: bool) -> None:
    """Gray out what belongs to an earlier setting, or give it its own ink again."""
    for artist in artists:
        if isinstance(artist, Rectangle):
            artist.set_alpha(0.25 if faded else None)
        elif isinstance(artist, Line2D | Text):
            if faded:
                _INKS.setdefault(artist, artist.get_color())
                artist.set_color(FAINT)
            elif artist in _INKS:
                artist.set_color(_INKS.pop(artist))


def shown(make: Any, size: tuple[float, float], now: Any, before: Any = None) -> tuple[Figure, Any]:
    """A figure of that size [px] and the view on it, which shows a result and an earlier one behind it."""
    with style():
        figure = paper(size[0] / DPI, size[1] / DPI)
        view = make(figure, now)
        view.show(now, before)
    return figure, view


def sheet(
    wide: float,
    high: float,
    count: int,
    left: float,
    right: float,
    room: tuple[float, float] = (0.32, 0.42),
) -> tuple[Figure, Axes]:
    """A figure [inches] with one pair of axes for `count` rows; `room` above and below them [inches]."""
    figure = paper(wide, high)
    axes = figure.add_axes((left, room[1] / high, right - left, 1 - sum(room) / high))
    axes.set_ylim(count - 0.4, -0.6)
    bare(axes)
    return figure, axes


def bare(axes: Axes) -> None:
    """Take grid and left spine away: rows named by words need neither."""
    axes.grid(visible=False)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)


PRINT_DPI = 144


class Drawing(NamedTuple):
    """A finished figure; a notebook shows it as a picture, with words for whoever cannot see it.

    Unpacks as `figure, axes, lines`.
    """

    figure: Figure
    axes: tuple[Axes, ...]
    lines: tuple[Artist, ...]

    @property
    def words(self) -> str:
        """Description of what the figure shows, in a sentence."""
        return str(self.figure.get_label())

    def png(self, dpi: float = PRINT_DPI) -> bytes:
        """The figure as a PNG file.

        Parameters
        ----------
        dpi
            Dots per inch.

        Returns
        -------
        bytes
            The file.
        """
        file = BytesIO()
        # No software entry: the same figure is then the same file whatever library version drew it.
        about = {"Software": None, "Description": self.words}
        self.figure.savefig(file, format="png", dpi=dpi, metadata=about)
        return file.getvalue()

    def svg(self) -> str:
        """The figure as an SVG file, text kept as text."""
        file = BytesIO()
        with rc_context({"svg.fonttype": "none", "svg.hashsalt": "tubekit"}):
            self.figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
        return file.getvalue().decode()

    def __repr__(self) -> str:
        return f"<Drawing: {self.words}>"

    def _repr_mimebundle_(self, **_: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        width, height = self.figure.get_size_inches() * self.figure.dpi
        shown = {"width": round(float(width)), "height": round(float(height)), "alt": self.words}
        return {"image/png": self.png(), "text/plain": repr(self)}, {"image/png": shown}
