"""Ratings in which parts are sold, and which of them to ask for (common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.parts import Capacitor, Resistor
from tubekit.amp.supply import SupplyReport
from tubekit.circuit.parts import GROUND

RESISTOR_WATTS = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0, 200.0)
CAPACITOR_VOLTS = (16.0, 25.0, 50.0, 63.0, 100.0, 160.0, 250.0, 350.0, 400.0, 450.0, 500.0, 600.0, 800.0)
POWER_MARGIN, VOLT_MARGIN = 2.0, 1.1
"""A resistor is rated twice its heat, a capacitor a tenth above its highest volts."""
LEAST_WATTS = 0.5
RESISTOR_VOLTS = ((0.5, 350.0), (1.0, 500.0), (2.0, 750.0))
"""Working volts of film resistors by rated watts (usual maker values, from memory)."""


def next_size(wanted: float, sizes: Sequence[float]) -> float:
    """The smallest size not below what is wanted; what is wanted itself beyond the last.

    Examples
    --------
    >>> next_size(430.0, CAPACITOR_VOLTS), next_size(2.1, RESISTOR_WATTS)
    (450.0, 3.0)
    """
    return next((size for size in sizes if size >= wanted), wanted)


def watts_to_buy(part: Resistor, heat: float, volts: float) -> float:
    """Power rating to ask for [W]: twice the heat, enough for the voltage, never below the drawn rating.

    Parameters
    ----------
    part : the resistor as drawn.
    heat, volts : what it turns into heat [W] and what is across it [V].

    Examples
    --------
    >>> screen = Resistor(designator="R26", ends=("B2", "s3"), ohms=470.0, watts=2.0)
    >>> watts_to_buy(screen, 0.02, 3.0), watts_to_buy(screen, 1.2, 24.0)
    (2.0, 3.0)
    """
    drawn = 0.0 if part.watts is None else float(np.max(part.watts))
    size = next_size(max(POWER_MARGIN * heat, LEAST_WATTS, drawn), RESISTOR_WATTS)
    while _film_volts(size) < volts and size < RESISTOR_VOLTS[-1][0]:
        size = next_size(size * 1.01, RESISTOR_WATTS)
    return size


def _film_volts(watts: float) -> float:
    return next((volts for rated, volts in RESISTOR_VOLTS if watts <= rated), RESISTOR_VOLTS[-1][1])


def heat_of(report: AmpReport, part: Resistor, member: int = 0) -> tuple[float, float]:
    """Heat of a resistor at idle [W] and the voltage across it, ripple included [V RMS]."""
    state = report.solved.state
    volts = np.hypot(state.mean(part.a, part.b), state.ripple_rms(part.a, part.b))
    now = report.amp.parts[part.designator]
    assert isinstance(now, Resistor)
    across = float(np.broadcast_to(volts, (report.amp.batch or 1,))[member])
    ohms = float(np.broadcast_to(np.asarray(now.ohms), (report.amp.batch or 1,))[member])
    return across**2 / ohms, across


def volts_to_buy(report: SupplyReport, part: Capacitor, member: int = 0) -> tuple[float, float, bool]:
    """Voltage rating to ask for [V], the highest voltage met [V], and whether that is with the tubes cold.

    The rating is a tenth above the highest voltage, tubes cold included, and never below the drawn one.
    """
    state, cold = report.report.solved.state, report.cold
    nodes = set(cold.operating_point.network.index) | {GROUND}
    warm = _highest(state.waveform(part.a, part.b), member)
    before = _highest(cold.waveform(part.a, part.b), member) if {part.a, part.b} <= nodes else 0.0
    most = max(warm, before)
    drawn = 0.0 if part.volts is None else float(np.max(part.volts))
    return next_size(max(VOLT_MARGIN * most, drawn), CAPACITOR_VOLTS), most, before > 1.02 * warm


def _highest(waveform: np.ndarray, member: int) -> float:
    peaks = np.abs(waveform).max(axis=1)
    return float(peaks[member if len(peaks) > 1 else 0])
