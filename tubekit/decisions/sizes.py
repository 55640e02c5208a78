"""Ratings in which parts are sold (common practice)."""

from __future__ import annotations

from collections.abc import Sequence

RESISTOR_WATTS = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0, 200.0)
CAPACITOR_VOLTS = (16.0, 25.0, 50.0, 63.0, 100.0, 160.0, 250.0, 350.0, 400.0, 450.0, 500.0, 600.0, 800.0)


def next_size(wanted: float, sizes: Sequence[float]) -> float:
    """The smallest size not below what is wanted; what is wanted itself beyond the last.

    Examples
    --------
    >>> next_size(430.0, CAPACITOR_VOLTS), next_size(2.1, RESISTOR_WATTS)
    (450.0, 3.0)
    """
    return next((size for size in sizes if size >= wanted), wanted)
