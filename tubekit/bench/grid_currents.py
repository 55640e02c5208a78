"""Currents into grids that no good amp has: a coupling capacitor that leaks, or a tube with gas in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.faults import GAS
from tubekit.bench.amp_fit import Fit
from tubekit.bench.fault_table import FaultSolver
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe
from tubekit.text import quantity
from tubekit.units import show

Array = np.ndarray

FED_A = 2e-5
"""How large a current into a grid is that no good amp has [A] (common practice, no source)."""


@dataclass(frozen=True)
class GridCurrent:
    """A current into a grid that no good amp has: a capacitor that leaks, or a tube with gas in it."""

    tube: str
    place: str
    words: str
    capacitors: tuple[str, ...]
    amps: float = quantity("A", "I", "current into the grid")
    volts: float = quantity("V", "V", "the grid to ground with it")
    without: float = quantity("V", "V", "the grid to ground without it")

    @property
    def text(self) -> str:
        """What it may be, and the reading that decides."""
        caps = " or ".join(self.capacitors)
        size = f"{self.place} gets {show(self.amps, 'A', 2)} that no good amp has"
        if not caps:
            return f"{size}: {self.tube} is gassy, replace it."
        stays, falls = (show(x, "V", 2) for x in (self.volts, self.without))
        return (
            f"{size}: {caps} leaks, or {self.tube} is gassy. To decide: unplug, discharge, pull {self.tube}; "
            f"then DC volts at {self.place}: near {stays} it is {caps}, near {falls} it is {self.tube}."
        )


def rare_spread(solver: FaultSolver) -> Array:
    """Spread of each variable where it has a value that no good amp has: currents into grids (V,)."""
    gas = [v.turns[0].parameter.part.endswith(GAS) for v in solver.varied]
    return np.where(gas, FED_A / solver.deviation, 0.0)


def grid_currents(amp: Amp, solver: FaultSolver, result: Fit) -> Iterator[GridCurrent]:
    """The currents into grids that were found, with the reading that tells capacitor from tube."""
    sections = {section.name: section for section in amp.topology.sections}
    for j in np.flatnonzero(result.rare[0]):
        variable = solver.varied[j]
        node = sections[variable.turns[0].parameter.part.removesuffix(GAS)].grid
        probe = Probe("dc_v", (node, GROUND))
        if node == GROUND or probe not in solver.probes:
            continue
        m = solver.probes.index(probe)
        moved, volts = float(result.effects[0, m, j] * result.mean[0, j]), float(result.seen[0, m])
        amps = float(solver.means[j] + solver.deviation[j] * result.mean[0, j])
        fed = tuple(coupled(amp, node))
        yield GridCurrent(
            variable.part, amp.topology.place(node), variable.name, fed, amps, volts, volts - moved
        )


def coupled(amp: Amp, grid: str) -> Iterator[str]:
    """The capacitors that bring a signal to a grid, through a stopper or straight."""
    stoppers = [p for p in amp.parts_at(grid) if isinstance(p, drawn.Resistor) and GROUND not in p.nodes]
    nodes = {grid, *(node for part in stoppers for node in part.nodes)} - {r.node for r in amp.topology.rails}
    for name, part in amp.parts.items():
        if isinstance(part, drawn.Capacitor) and GROUND not in part.nodes and nodes & set(part.nodes):
            yield name
