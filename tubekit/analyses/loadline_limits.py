"""What gives first along a load line, and the class a tube works in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tubekit.analyses.loadline_result import DriveLimits
from tubekit.analyses.plate_stage import PlateStage, Walk

Array = npt.NDArray[np.float64]

NEARLY_OFF = 0.01
"""A tube that carries less than this part of its greatest current is cut off; common practice, no source."""
GRID_SHARE = 3e-4
"""Grid current counts from this part of the cathode current: 0.3 µA in 1 mA, the onset of the maker's table
of resistance-coupled ECC83 stages (data/handbook/rc_coupled.csv)."""
FLAT = 0.5
"""The knee counts where the gain has fallen to this part of the gain at rest; common practice, no source."""


def limits_walk(stage: PlateStage, peak: float) -> Walk:
    """Far enough along the resistive load line for whatever may give."""
    return stage.walk(max(2.5 * abs(stage.grid), 1.2 * peak))


def drive_limits(stage: PlateStage, walk: Walk) -> DriveLimits:
    """Along the resistive load line, both ways from rest, until something gives."""
    signal, up, down = walk.signal, walk.up, walk.down
    rising = stage.law.evaluate(stage.ports(up, signal))[0]
    falling = stage.law.evaluate(stage.ports(-up if stage.pair else down, -signal))[0]
    at_zero_bias = np.interp(-stage.grid, signal, rising[:, 0])
    slope = np.gradient(up, signal)

    def first(over: npt.NDArray[np.bool_]) -> float:
        return float(signal[np.argmax(over)]) if over.any() else float("inf")

    return DriveLimits(
        cut_off=first(falling[:, 0] < NEARLY_OFF * at_zero_bias),
        grid_current=first(rising[:, -1] > GRID_SHARE * rising.sum(axis=1)),
        knee=first(slope < FLAT * slope[0]),
        pair=stage.pair,
    )


def class_letter(currents: Array, positive: bool) -> str:
    """From the part of the cycle for which a tube conducts, and whether its grid goes positive."""
    conducts = float(np.mean(currents[0] > NEARLY_OFF * currents[0].max()))
    letters = ((0.999, "A"), (0.55, "AB"), (0.45, "B"), (-1.0, "C"))
    return next(name for least, name in letters if conducts > least) + ("2" if positive else "1")
