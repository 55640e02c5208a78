"""A figure drawn off-screen into an image widget, quickly: only what moves is drawn again.

Of a move's cost, letters were the most and the PNG file came next. So words that move are set by
Pillow in the same typeface (a twentieth of the time), and the file has a fixed palette of the inks
and their blends with the paper.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from io import BytesIO
from typing import Any, Generic, Protocol, TypeVar

import ipywidgets as widgets
import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont
from matplotlib.lines import Line2D
from matplotlib.text import Text
from PIL import Image, ImageDraw, ImageFont

from tubekit.plots import ink

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


class FigureWidget(widgets.Image, Generic[R]):
    """One view on paper of its own, whose `moving` artists change.

    `refresh` lays the moving artists over the kept background; `redraw` draws everything and keeps
    a new background, which is needed only when axes or titles change.

    Parameters
    ----------
    make : puts the axes on a figure, scales as `first` needs them.
    first, before : the result that is shown first, and an earlier one faint behind it.
    size : width and height [px].
    """

    view: Any
    figure: Figure

    def __init__(
        self, make: Callable[[Figure, R], View[R]], first: R, before: R | None = None,
        size: tuple[int, int] = (WIDTH, HEIGHT),
    ) -> None:  # fmt: skip
        with ink.style():
            self.figure = ink.paper(size[0] / ink.DPI, size[1] / ink.DPI)
            self.view = make(self.figure, first)
            self.view.show(first, before)
            self.moving = tuple(self.view.moving)
            self.canvas = FigureCanvasAgg(self.figure)
            across = widgets.Layout(width="100%", max_width=f"{size[0]}px", height="auto")
            super().__init__(format="png", layout=across)
            self.add_class("tubekit-picture")
            for artist in self.moving:
                artist.set_animated(True)
            self.redraw()

    def show(self, now: R, before: R | None = None) -> None:
        """Another result; where a view has `row_names` and these change, the background is drawn again."""
        named = getattr(self.view, "row_names", None)
        self.view.show(now, before)
        self.view.fade(False)
        if getattr(self.view, "row_names", None) == named:
            self.refresh()
        else:
            self.redraw()

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
