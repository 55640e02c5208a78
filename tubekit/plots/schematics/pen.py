"""The hand that draws: schemdraw elements where the library has them, its segments where it has not.

schemdraw is loaded by the first `Pen`, not before: nothing else of the package needs it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes

from tubekit.plots.schematics.grid import Laid

UNIT = 0.5
"""Drawing units of the library in a step of the grid."""

THIN, PLAIN, THICK = 0.9, 1.2, 1.7
Spot = tuple[float, float]
LIFTED = (math.nan, math.nan)


def at(one: Laid, x: float, y: float) -> Spot:
    """A spot on the board, from one about a symbol's own origin."""
    return one.x + x, one.y + y


class Pen:
    """Draws on axes whose data are steps of the grid divided by two."""

    def __init__(self, axes: Axes, scale: float = 1.0) -> None:
        import schemdraw  # noqa: PLC0415 - half a second that only a drawing needs
        from schemdraw import elements, segments  # noqa: PLC0415

        self.elements: Any = elements
        self.segments: Any = segments
        self.sheet = schemdraw.Drawing(canvas=axes, show=False)
        self.color, self.scale = "#000000", scale
        self._strokes: dict[tuple[str, float], list[Spot]] = {}

    def finish(self) -> None:
        """Put everything on the axes: lines of one ink and width as one path, which draws quickly."""
        for (color, lw), spots in self._strokes.items():
            self._add("", spots, lw, color=color)
        self.sheet.draw(show=False)

    def part(self, name: str, start: Spot, end: Spot, lw: float = PLAIN, **options: Any) -> None:
        """An element of the library between two spots [steps]."""
        made = getattr(self.elements, name)(**options)
        self.sheet.add(
            made.endpoints(_units(start), _units(end)).color(self.color).linewidth(lw * self.scale)
        )

    def lines(self, *paths: Sequence[Spot], lw: float = PLAIN, fill: bool = False) -> None:
        """Broken lines."""
        for path in paths:
            spots = [_units(spot) for spot in path]
            if fill:
                self._add("Poly", spots, lw, fill=self.color)
            else:
                self._strokes.setdefault((self.color, lw), []).extend((*spots, LIFTED))

    def trace(self, one: Laid, *spots: Spot, lw: float = PLAIN, fill: bool = False) -> None:
        """A broken line through spots about the symbol's own origin."""
        self.lines([at(one, *spot) for spot in spots], lw=lw, fill=fill)

    def circle(self, center: Spot, radius: float, lw: float = PLAIN, fill: str | None = None) -> None:
        """A circle; `fill` is a color."""
        self._add("Circle", _units(center), radius * UNIT, lw, fill=fill, zorder=3 if fill else 2)

    def arc(
        self, center: Spot, wide: float, high: float, start: float, end: float, lw: float = PLAIN
    ) -> None:
        """Part of an ellipse, from one angle to another [degrees]."""
        self._add("Arc", _units(center), wide * UNIT, high * UNIT, lw, theta1=start, theta2=end)

    def _add(self, kind: str, *place: Any, **look: Any) -> None:
        """A segment of the library: where it is, the last number its width of line."""
        *where, lw = place
        segment = getattr(self.segments, f"Segment{kind}")
        made = self.elements.Element()
        made.segments.append(segment(*where, **{"color": self.color, **look, "lw": lw * self.scale}))
        self.sheet.add(made.at((0, 0)).theta(0))


def _units(spot: Spot) -> Spot:
    return spot[0] * UNIT, spot[1] * UNIT
