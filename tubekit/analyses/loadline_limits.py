"""What gives first along a load line, and the class a tube works in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tubekit.analyses.loadline_result import DriveLimits
from tubekit.analyses.plate_stage import PlateStage, Walk

Array = npt.NDArray[np.float64]

NEARLY_OFF = 0.01
"""A tube that carries less than this part of its greatest current is cut off; common practice, no source."""
CLASS_A, CLASS_B = 0.125, 0.14
"""Least current over idle for class A of a pair, idle over peak up to which it is class B: so drawn
that the letters are those which makers print (`data/handbook/power_tube_operation.csv`)."""
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


def class_letter(currents: Array, idle: float, positive: bool, *, pair: bool) -> str:
    """Class at a drive, from one tube's plate current over the cycle, (T, S): letter, then 1 or 2.

    A: it never comes near cut-off (`CLASS_A` of idle at least); B: it idles near cut-off (`CLASS_B` of its
    peak at most); AB between. C conducts for less than half of the cycle. A single tube that feeds a load is
    A, or it would not follow; 2 is for a grid that goes positive.
    """
    conducts = float(np.mean(currents[0] > NEARLY_OFF * currents[0].max()))
    least, most = float(currents[0].min()), float(currents[0].max())
    if conducts < 0.45:
        letter = "C"
    elif not pair or least >= CLASS_A * idle:
        letter = "A"
    else:
        letter = "B" if idle <= CLASS_B * most else "AB"
    return letter + ("2" if positive else "1")
