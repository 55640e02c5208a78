"""A figure drawn off-screen into a widget, quickly: only what moves is drawn again; a hand finds its handles.

Of a move's cost, letters were the most and the PNG file came next. So words that move are set by
Pillow in the same typeface (a twentieth of the time), and the file has a fixed palette of the inks
and their blends with the paper.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import anywidget
import ipywidgets as widgets
import numpy as np
import numpy.typing as npt
import traitlets
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont
from matplotlib.lines import Line2D
from matplotlib.text import Text
from PIL import Image, ImageDraw, ImageFont

from tubekit.plots import ink
from tubekit.plots.handles import Handle, Point, Trace, Track, named_at

R = TypeVar("R")
R_contra = TypeVar("R_contra", contravariant=True)
WIDTH, HEIGHT = 634, 560
SHADES, APART = 12, 9
SIDES = {"left": "l", "center": "m", "right": "r"}
HEIGHTS = {"center": "m", "top": "a", "baseline": "s", "bottom": "d"}
POINTS_PER_INCH = 72.0
PRINT_DPI = 200
SEND_S = 1e-4
"""Pause in which the kernel's sending thread gets its turn: else it waits until the words are done."""


class View(Protocol[R_contra]):
    """Axes whose scales stay, and the artists on them that follow a result."""

    @property
    def moving(self) -> Sequence[Artist]:
        """Everything that `show` changes, the lowest first."""

    def show(self, now: R_contra, before: R_contra | None = None) -> None:
        """Put another result on the same scales, an earlier one faint behind it."""

    def fade(self, faded: bool) -> None:
        """Gray the curves out, or ink them again."""


@dataclass(frozen=True)
class Reach:
    """A hand wants a setting elsewhere: at `value`, at `value` times what it is (`times`), or steps away."""

    key: str
    value: float = 0.0
    times: bool = False
    steps: int = 0
    gesture: str = ""


class FigureWidget(anywidget.AnyWidget, Generic[R]):
    """One view on paper of its own, whose `moving` artists change, and whose handles a hand moves.

    `refresh` lays the moving artists over the kept background; `redraw` draws everything and keeps
    a new background, which is needed only when axes or titles change. What the hand does comes as `hand`
    (figure.js); a touch is answered in `said`, a zoom by new limits of the axes under it.

    Parameters
    ----------
    make : puts the axes on a figure, scales as `first` needs them.
    first, before : the result that is shown first, and an earlier one faint behind it.
    size : width and height [px].
    """

    view: Any
    figure: Figure
    _esm = Path(__file__).with_name("figure.js").read_text(encoding="utf-8")
    value = traitlets.Bytes().tag(sync=True)
    alt = traitlets.Unicode().tag(sync=True)
    handles: Any = traitlets.List().tag(sync=True)
    said = traitlets.Dict().tag(sync=True)
    zoomed = traitlets.Bool().tag(sync=True)
    wide = traitlets.Int().tag(sync=True)
    sharp = traitlets.Float(1.0).tag(sync=True)
    """Pixels of the picture to one of `size`: the screen's own."""
    hand = traitlets.Dict().tag(sync=True)

    def __init__(
        self, make: Callable[[Figure, R], View[R]], first: R, before: R | None = None,
        size: tuple[int, int] = (WIDTH, HEIGHT),
    ) -> None:  # fmt: skip
        with ink.style():
            self.figure = ink.paper(size[0] / ink.DPI, size[1] / ink.DPI)
            self.view = make(self.figure, first)
            self.view.show(first, before)
            self.above = self.figure.text(1.0 - 6.0 / size[0], 1.0 - 8.0 / size[1], "", ha="right", va="top")
            self.moving = (*self.view.moving, self.above)
            self.canvas = FigureCanvasAgg(self.figure)
            across = widgets.Layout(width="100%", max_width=f"{size[0]}px", height="auto")
            super().__init__(layout=across, wide=size[0], alt=getattr(self.view, "in_words", ""))
            self.add_class("tubekit-picture")
            for artist in self.moving:
                artist.set_animated(True)
            self.redraw()
        self._shown: tuple[R, R | None] = (first, before)
        self._grips: dict[str, Handle] = {}
        self._home: dict[int, tuple[Point, Point]] = {}
        self._done: dict[str, float] = {}
        self._moves: Callable[..., object] = lambda *_: None
        self.observe(lambda change: self._sharpen(change["new"]), "sharp")
        self.observe(lambda change: self._touched(change["new"]), "hand")

    def show(self, now: R, before: R | None = None) -> None:
        """Another result; where a view has `row_names` and these change, the background is drawn again."""
        named = getattr(self.view, "row_names", None)
        self._shown = (now, before)
        self.view.show(now, before)
        self.alt = getattr(self.view, "in_words", self.alt)
        self.view.fade(False)
        if getattr(self.view, "row_names", None) == named:
            self.refresh()
        else:
            self.redraw()

    def say_above(self, words: str) -> None:
        """Words in the upper right corner of the picture that is drawn next."""
        self.above.set_text(words)

    # ---- the hand

    def offer(self, words: Callable[[str], str], moves: Callable[..., object]) -> None:
        """Show the handles of what can be moved now: those whose setting has `words`, not ''.

        `moves` takes every `Reach` of one move of the hand at once.
        """
        self._moves = moves
        found = [(each, _tracks(each, words)) for each in self._of_view("handles")]
        self._grips = {
            each.name: Handle(each.name, each.axes, each.at, tracks) for each, tracks in found if tracks
        }
        wide, high = self.figure.bbox.size
        shown = []
        for each in self._grips.values():
            axes = self.view.axes[each.axes]
            box, at = axes.bbox, axes.transData.transform(each.at)
            x, y = np.clip(at, box.min, box.max)  # what left the scale is still held at its edge
            shown.append({
                "name": each.name, "words": ", ".join(words(track.key) for track in each.tracks),
                "at": [round(float(x / wide), 5), round(1.0 - float(y / high), 5)],
                "now": float(f"{each.at[0]:.4g}"),
            })  # fmt: skip
        self.handles = shown

    def _of_view(self, what: str) -> Sequence[Any]:
        offered = getattr(self.view, what, None)
        return () if offered is None else tuple(offered())

    def _touched(self, hand: dict[str, Any]) -> None:
        """Whatever the hand did."""
        act, grip = hand.get("act"), self._grips.get(hand.get("name", ""))
        if act == "touch":
            traces: Sequence[Trace] = self._of_view("traces")
            self.said = {"words": named_at(self.view.axes, traces, self._point(hand["at"])), "at": hand["at"]}
        elif act == "whole":
            self._look_at(dict(self._home))
        elif act == "look":
            self._look(hand)
        elif act == "drag" and grip is not None:
            axes, point = self.view.axes[grip.axes], self._point(hand["at"])
            values = ((track, track.value_at(axes, point)) for track in grip.tracks)
            self._moves(*(Reach(one.key, value, one.times, gesture=hand["gesture"]) for one, value in values))
        elif act == "step" and grip is not None:
            for way, track in (("across", grip.tracks[0]), ("up", grip.tracks[-1])):
                by = round(self._since(f"{grip.name} {way}", hand[way]))
                if by:
                    by *= track.sense(way == "across")
                    self._moves(Reach(track.key, steps=by, gesture=hand["gesture"]))

    def _since(self, what: str, total: float) -> float:
        """What was added to a total since it came last."""
        was, self._done[what] = self._done.get(what, 0.0), total
        return total - was

    def _point(self, at: Sequence[float]) -> Point:
        """A share of the picture as pixels of the figure, which count from below."""
        wide, high = self.figure.bbox.size
        return at[0] * wide, (1.0 - at[1]) * high

    def _look(self, hand: dict[str, Any]) -> None:
        """Zoom about a place, or move what is enlarged; no further out than the whole."""
        by, *shift = (self._since(what, hand[what]) for what in ("zoom", "across", "up"))
        can = sorted({each.axes for each in self._of_view("traces") if each.units})
        point = None if hand["at"] is None else self._point(hand["at"])
        under = [k for k in can if point is None or self.view.axes[k].bbox.contains(*point)]
        if not under:
            return
        axes, factor = self.view.axes[under[0]], math.exp(-by)
        box, (wide, high) = axes.bbox, self.figure.bbox.size
        x, y = point or (box.x0 + 0.5 * box.width, box.y0 + 0.5 * box.height)
        left, bottom = (
            x - factor * (x - box.x0) - shift[0] * wide,
            y - factor * (y - box.y0) + shift[1] * high,
        )
        corners = [(left, bottom), (left + factor * box.width, bottom + factor * box.height)]
        home = self._home.setdefault(under[0], (axes.get_xlim(), axes.get_ylim()))
        even = axes.transScale  # where a decade is as long as the next
        whole = even.transform(np.transpose(home))
        wanted = even.transform(axes.transData.inverted().transform(corners))
        seen = np.transpose([_within(*wanted[:, k], *whole[:, k]) for k in range(2)])
        (left, bottom), (right, top) = (tuple(map(float, each)) for each in even.inverted().transform(seen))
        inside = np.ptp(seen, axis=0).round(9).tolist() != np.ptp(whole, axis=0).round(9).tolist()
        self._look_at({under[0]: ((left, right), (bottom, top)) if inside else home})

    def _look_at(self, limits: dict[int, tuple[Point, Point]]) -> None:
        for place, (across, up) in limits.items():
            self.view.axes[place].set(xlim=across, ylim=up)
            if (across, up) == self._home[place]:
                del self._home[place]
        self.zoomed = bool(self._home)
        self.said = {}
        self.view.show(*self._shown)
        self.redraw()

    def _sharpen(self, sharp: float) -> None:
        """Draw as fine as the screen is."""
        self.figure.set_dpi(ink.DPI * sharp)
        self.canvas = FigureCanvasAgg(self.figure)
        self.redraw()

    # ---- the picture

    def gray_out(self) -> None:
        """What is seen belongs to an earlier setting."""
        self.view.fade(True)
        self.refresh()

    def redraw(self) -> None:
        """Draw background and moving artists."""
        self.canvas.draw()
        self._background = self.canvas.copy_from_bbox(self.figure.bbox)
        self.refresh()

    def refresh(self) -> None:
        """Draw the moving artists over the kept background and send the picture."""
        self.canvas.restore_region(self._background)
        words = [artist for artist in self.moving if _is_plain(artist)]
        for artist in self.moving:
            if not _is_plain(artist) and not _is_empty(artist):
                self.figure.draw_artist(artist)
        pixels = self.canvas.buffer_rgba()
        high, wide, _ = pixels.shape
        # converted in C: a slice of the array would be copied pixel by pixel
        picture = Image.frombuffer("RGBA", (wide, high), pixels, "raw", "RGBA", 0, 1).convert("RGB")
        pen = ImageDraw.Draw(picture)
        for text in words:
            _letter(pen, text, self.figure.dpi, picture.height)
        self._picture = picture
        self.value = self.png()
        time.sleep(SEND_S)

    def pixels(self) -> npt.NDArray[np.uint8]:
        """What is seen, as (height, width, 3) bytes."""
        return np.asarray(self._picture)

    def png(self) -> bytes:
        """What is seen, as a PNG file; weakly compressed, since it goes no further than the browser."""
        file = BytesIO()
        flat = self._picture.quantize(palette=_palette(), dither=Image.Dither.NONE)
        flat.save(file, format="png", compress_level=1)
        return file.getvalue()

    def print_png(self, dpi: float = PRINT_DPI) -> bytes:
        """The figure as a PNG file to keep or to print, finer than the one on the screen."""
        file = BytesIO()
        try:
            for artist in self.moving:
                artist.set_animated(False)
            self.figure.savefig(file, format="png", dpi=dpi, metadata={"Software": None})
        finally:
            for artist in self.moving:
                artist.set_animated(True)
        return file.getvalue()


def _tracks(handle: Handle, words: Callable[[str], str]) -> tuple[Track, ...]:
    """The tracks of a handle that lead to a setting now."""
    return tuple(track for track in handle.tracks if words(track.key))


def _within(low: float, high: float, first: float, last: float) -> Point:
    """An interval as it is asked for, moved and cut to lie within the whole one.

    Examples
    --------
    >>> _within(-2.0, 3.0, 0.0, 10.0), _within(8.0, 11.0, 0.0, 10.0), _within(-9.0, 90.0, 0.0, 10.0)
    ((0.0, 5.0), (7.0, 10.0), (0.0, 10.0))
    """
    least, most = min(first, last), max(first, last)
    size = min(abs(high - low), most - least)
    start = min(max(min(low, high), least), most - size)
    return (start, start + size) if first < last else (start + size, start)


def _is_plain(artist: Artist) -> bool:
    """Words in one line, level, without a frame: those Pillow sets as matplotlib would."""
    return (
        isinstance(artist, Text)
        and artist.get_bbox_patch() is None
        and artist.get_rotation() == 0.0
        and "\n" not in artist.get_text()
    )


def _is_empty(artist: Artist) -> bool:
    """A line without points."""
    return isinstance(artist, Line2D) and np.size(artist.get_xdata()) == 0


def _letter(pen: Any, text: Any, dpi: float, height: int) -> None:
    if not text.get_visible() or not text.get_text():
        return
    x, y = text.get_transform().transform(text.get_position())
    size = text.get_fontsize() * dpi / POINTS_PER_INCH
    pen.text(
        (float(x), height - float(y)),
        text.get_text(),
        fill=tuple(round(255 * part) for part in to_rgb(text.get_color())),
        font=_typeface(tuple(text.get_fontfamily()), str(text.get_fontweight()), round(size, 2)),
        anchor=SIDES[text.get_ha()] + HEIGHTS[text.get_va()],
    )


@cache
def _typeface(family: tuple[str, ...], weight: str, size: float) -> Any:
    path = findfont(f"{family[0]}:{'bold' if weight == 'bold' else 'regular'}")
    return ImageFont.truetype(path, size, layout_engine=ImageFont.Layout.BASIC)


@cache
def _palette() -> Image.Image:
    """Every ink on paper, and every edge on its fill, in steps; 256 at most."""
    kept: list[npt.NDArray[np.int_]] = []
    for color in _blends():
        # Pillow looks colors up coarsely: one too close to the paper would tint it.
        if all(np.abs(color - other).max() >= APART for other in kept):
            kept.append(color)
    image = Image.new("P", (1, 1))
    image.putpalette([int(part) for color in kept[:256] for part in color])
    return image


def _blends() -> Iterator[npt.NDArray[np.int_]]:
    """Whole colors first, then their blends."""
    fills = list(ink.FILLS.values())
    on_paper = [ink.IRON, *(each.ink for each in ink.STROKES), ink.FAINT, *(each.face for each in fills)]
    on_fills = [(over, each.face) for each in fills for over in (each.edge, ink.IRON)]
    pairs = [(over, ink.PAPER) for over in on_paper] + on_fills
    yield from (_blend(color, color, 1.0) for color in (ink.PAPER, ink.HAIR, *on_paper))
    for share in np.linspace(0.0, 1.0, SHADES):
        yield from (_blend(over, under, share) for over, under in pairs)


def _blend(over: str, under: str, share: float) -> npt.NDArray[np.int_]:
    mixed = share * np.asarray(to_rgb(over)) + (1.0 - share) * np.asarray(to_rgb(under))
    return np.round(255 * mixed).astype(int)
