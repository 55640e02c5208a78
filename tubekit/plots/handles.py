"""What a hand finds on a figure, as plain data: what can be moved, along which track, and what has a name.

A view offers `handles()` and `traces()`, both in data coordinates of its `axes`. Whoever shows the figure
knows where the finger is and which setting a track moves; nothing here knows of either.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from tubekit.units import show

Array = npt.NDArray[np.float64]
Point = tuple[float, float]
REACH_PX, CLEARLY_PX = 14.0, 2.0
"""A curve that near to the finger is the one that is meant; a fingertip covers more than a pointer does."""


@dataclass(frozen=True, eq=False)
class Track:
    """Where a handle can go, and what the setting `key` is there.

    With `times` the values are multiples of what the setting is now, and 1 is where the handle lies.
    """

    key: str
    x: Array
    y: Array
    values: Array
    times: bool = False

    def value_at(self, axes: Axes, point: Point) -> float:
        """The value of the place on the track nearest to a point [px of the figure]."""
        near, place, share = nearest(axes, self.x, self.y, point)
        assert np.isfinite(near)
        return float(self.values[place] + share * (self.values[place + 1] - self.values[place]))

    def sense(self, across: bool) -> int:
        """1 where the value grows to the right (`across`) or upwards, else -1."""
        way = self.x if across and np.ptp(self.x) > 0.0 else self.y
        way = way if np.ptp(way) > 0.0 else self.x
        return -1 if (way[-1] - way[0]) * (self.values[-1] - self.values[0]) < 0.0 else 1


@dataclass(frozen=True, eq=False)
class Handle:
    """A place that can be taken hold of; the first track is the one that runs across where there are two."""

    name: str
    axes: int
    at: Point
    tracks: tuple[Track, ...]


@dataclass(frozen=True, eq=False)
class Trace:
    """A line or bar with its name; `units` of both axes, where a place on it has a value of its own."""

    words: str
    axes: int
    x: Array
    y: Array
    units: tuple[str, str] | None = None

    @classmethod
    def of(cls, words: str, axes: int, line: Line2D, units: tuple[str, str]) -> Trace:
        """A line as it is drawn."""
        x, y = (np.asarray(each, dtype=float) for each in line.get_data())
        return cls(words, axes, x, y, units)


def nearest(axes: Axes, x: Array, y: Array, point: Point) -> tuple[float, int, float]:
    """Distance [px] of a line from a point, the stretch of the line that is nearest and the share along it.

    Examples
    --------
    >>> from tubekit.plots import ink
    >>> axes = ink.paper(1, 1).add_axes((0, 0, 1, 1))
    >>> distance, place, share = nearest(axes, np.array([0.0, 1.0]), np.array([0.0, 0.0]), (25.0, 10.0))
    >>> round(distance, 3), place, round(share, 3)
    (10.0, 0, 0.25)
    """
    with np.errstate(all="ignore"):
        seen = axes.transData.transform(np.column_stack([x, y]))
        start, way = seen[:-1], np.diff(seen, axis=0)
        along = ((np.asarray(point) - start) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12)
        share = np.clip(along, 0.0, 1.0)
        far = np.hypot(*(start + share[:, None] * way - point).T)
    if not np.isfinite(far).any():
        return np.inf, 0, 0.0
    place = int(np.nanargmin(far))
    return float(far[place]), place, float(share[place])


def named_at(axes: Sequence[Axes], traces: Iterable[Trace], point: Point, reach: float = REACH_PX) -> str:
    """What lies under a finger [px of the figure], in words with its values there; '' where nothing does."""
    found = ""
    for trace in traces:
        own = axes[trace.axes]
        if len(trace.x) < 2 or not own.bbox.padded(reach).contains(*point):
            continue
        far, place, share = nearest(own, trace.x, trace.y, point)
        if far < reach:
            reach, found = far - CLEARLY_PX, trace.words  # of two lines on each other the first is meant
            if trace.units is not None:
                spots = (each[place] + share * (each[place + 1] - each[place]) for each in (trace.x, trace.y))
                said = [_said(spot, unit) for spot, unit in zip(spots, trace.units, strict=True) if unit]
                found += f": {', '.join(said)}"
    return found


def _said(value: float, unit: str) -> str:
    return show(value, unit) if unit == "Hz" else f"{value:.3g} {unit}"


def ends(low: float, high: float, level: float) -> tuple[Array, Array]:
    """A level line from `low` to `high`, as a bar in a row is touched."""
    return np.array([low, high]), np.array([level, level])
