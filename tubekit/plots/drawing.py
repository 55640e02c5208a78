"""What a plot function gives back: figure, axes, lines."""

from __future__ import annotations

from io import BytesIO
from typing import Any, NamedTuple

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

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
        self.figure.savefig(file, format="png", dpi=dpi, metadata={"Software": None})
        return file.getvalue()

    def svg(self) -> str:
        """The figure as an SVG file, text kept as text."""
        from matplotlib import rc_context  # noqa: PLC0415 - only this needs it

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
