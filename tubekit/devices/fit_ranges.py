"""Where the parameters of a law may lie in a fit, and where those of their kind usually do.

The bounds are what a law of the kind can mean. What is usual comes from the tubes of the catalogue whose
rows pin the parameter down; it decides only what the rows leave open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode

GridLaw = Triode | Pentode


@dataclass(frozen=True)
class Range:
    """Start and bounds of one parameter; `width` is how far it usually lies from `start`.

    A parameter with `factor` is fitted by its logarithm and `width` is that of the logarithm. What is
    usual of one with `over` is its ratio to the parameter of that name.
    """

    start: float
    low: float
    high: float
    width: float | None = None
    factor: bool = True
    over: str = ""

    def inward(self, value: float) -> float:
        """The value as it is fitted."""
        return float(np.log(value)) if self.factor else value


_GRID = {
    "grid_perveance": Range(6e-4, 1e-5, 1e-2, 0.7),
    "grid_offset": Range(0.0, -1.0, 1.0, 0.3, factor=False),
    "grid_softness": Range(0.16, 0.02, 1.0, 0.3),
}
_DRIVE = {
    "perveance": Range(1.5e-3, 1e-6, 1e-1),
    "exponent": Range(1.4, 1.05, 1.9, 0.1),
    "softness": Range(0.1, 0.01, 4.0, 0.5),
}

RANGES: Mapping[type[GridLaw], Mapping[str, Range]] = {
    Triode: _DRIVE
    | {
        "mu": Range(50.0, 2.0, 150.0),
        "exponent": Range(1.42, 1.05, 1.9, 0.08),
        "offset": Range(0.35, -6.0, 6.0, 0.4, factor=False),
        "unevenness": Range(0.15, 0.01, 0.8, 0.4),
    }
    | _GRID,
    Pentode: _DRIVE
    | {
        "mu_screen": Range(10.0, 3.0, 60.0),
        "mu_plate": Range(28.0, 20.0, 2e4, 0.7, over="mu_screen"),
        "offset": Range(0.0, -6.0, 6.0, 1.2, factor=False),
        "unevenness": Range(0.18, 0.01, 0.8, 0.5),
        "share": Range(0.13, 0.01, 1.5, 0.7),
        "share_drive": Range(0.2, 0.03, 2.0, 0.8),
        "share_fall": Range(0.8, 0.05, 3.0, 0.5, factor=False),
        "knee": Range(1.2, 0.1, 10.0, 0.6),
        "knee_sharpness": Range(4.5, 1.0, 12.0, 0.5),
    }
    | _GRID,
}


def usual_of(kind: type[GridLaw]) -> dict[str, float]:
    """What is usual of every parameter of a law of a kind."""
    ranges = RANGES[kind]
    return {name: r.start * (ranges[r.over].start if r.over else 1.0) for name, r in ranges.items()}


USUAL: Mapping[str, Mapping[str, float]] = {"beam tetrode": {"share_drive": 0.8}}
"""What is usual of a kind of tube where it differs: behind aligned grids the screen stands in the shade."""
