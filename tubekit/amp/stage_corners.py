"""Corner frequencies of an amp, stretch by stretch: from each grid to the next, and of the whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp.part_words import part_words
from tubekit.amp.signal_order import SignalOrder
from tubekit.amp.signal_view import SignalView
from tubekit.analyses.corners import Corner, Stretch, corners
from tubekit.analyses.elimination import respond
from tubekit.analyses.part_sensitivity import picker
from tubekit.circuit.threads import on_one_core

Array = np.ndarray

CORNER_HZ = np.geomspace(0.5, 2e6, 240)
"""Where corners are looked for."""


@dataclass(frozen=True, eq=False)
class StretchReading:
    """The corners of one stretch of the way: from the grid before (or the jack) to a section's grid."""

    start: str
    stop: str
    low: Corner
    high: Corner


def corner_words(corner: Corner, member: int = 0) -> str:
    """The parts that set a corner, with the per cent it moves for one per cent of each."""
    return ", ".join(f"{part_words(name)} ({move:+.2f})" for name, move in corner.setters(member))


@on_one_core
def whole_stretch(view: SignalView, reference_hz: float) -> StretchReading:
    """Corners from the jack to the output."""
    return _stretch(view, reference_hz, ("jack", view.output.designator), (view.tip, view.out))


@on_one_core
def grid_stretches(view: SignalView, way: SignalOrder, reference_hz: float) -> tuple[StretchReading, ...]:
    """Corners from grid to grid, then from the last grid to the output."""
    return tuple(
        _stretch(view, reference_hz, names, rows)
        for names, rows in _stretches(view, way)
        if not np.array_equal(*rows)
    )


def _stretches(view: SignalView, way: SignalOrder) -> Iterator[tuple[tuple[str, str], tuple[Array, Array]]]:
    grids = {s.name: s.grid for s in way.topology.sections}
    entries = {
        name: (
            f"{name} {'grid' if way.entered[name] == grids[name] else 'cathode'}",
            picker(view.network, way.entered[name]),
        )
        for name in way.order
    }
    for name in way.order:
        start = entries[way.before[name]] if way.before[name] else ("jack", view.tip)
        yield (start[0], entries[name][0]), (start[1], entries[name][1])
    last = [name for name in way.order if name not in way.before.values()]
    for name in last[:1]:
        yield (entries[name][0], view.output.designator), (entries[name][1], view.out)


def _stretch(
    view: SignalView, reference_hz: float, names: tuple[str, str], rows: tuple[Array, Array]
) -> StretchReading:
    bottom, top = rows
    kept = np.flatnonzero(np.abs(bottom) + np.abs(top))
    s = 2j * np.pi * CORNER_HZ
    x = respond(view.network, view.matrix, view.drive, s, kept.tolist())
    of = Stretch(view.network, view.matrix, view.drive, top, bottom)
    low, high = corners(of, CORNER_HZ, (x @ top[kept]) / (x @ bottom[kept]), reference_hz)
    return StretchReading(*names, low, high)
