"""Hot wires: what heaters and lamps draw away from their rated voltage, and what a cathode then gives.

The current of a hot wire follows I ~ V^0.55, so that its resistance goes as V^0.45; cold it has a fraction of
its hot resistance. Both are rules of lamp makers, taken for tube heaters too (common practice, no source). A
check from outside is in the tests: with resistance as T^1.2 and radiated heat as T^4 to T^5 (textbook
physics, from memory) it goes as V^0.39 to V^0.46.

The emission left follows Richardson's law of an oxide cathode (1050 K, 1.1 eV, temperature by the 0.4th power
of the heater voltage), with ten times the current in reserve at full heat: from memory, so take figures below
half of the rated voltage as a picture.
"""

from __future__ import annotations

import numpy as np

FloatArray = np.ndarray
Value = float | FloatArray

POWER = 0.45
COLD_LAMP, COLD_HEATER = 1.0 / 12.0, 1.0 / 6.0
"""Cold over hot resistance of a lamp (from memory: 1/10 to 1/15) and of a tube heater (common practice)."""
CATHODE_K, WORK_FUNCTION_K, RESERVE = 1050.0, 12_760.0, 10.0
HEAT_POWER = 0.4
"""Temperature goes as this power of the heater voltage (from memory)."""
COLD = 0.1
"""A heater with less than this share of its voltage leaves its cathode cold; common practice, no source."""
LEAST = 1e-4
"""Emission that stands for a cold cathode."""
EMISSION = "Below full heat the emission of the cathodes is from memory: take B+ there as within a fifth."


def resistance(share: Value, cold: float = COLD_HEATER) -> Value:
    """Resistance of a hot wire, settled, over that at its rated voltage; `share` is volts over rated volts.

    Examples
    --------
    >>> [round(float(resistance(share)), 3) for share in (1.0, 0.5, 0.0)]
    [1.0, 0.732, 0.167]
    """
    result = np.maximum(np.power(np.maximum(share, 0.0), POWER), cold)
    return float(result) if result.ndim == 0 else result


def emission(share: Value) -> Value:
    """Emission left at a share of the rated heater voltage, 1 where the reserve covers it.

    Examples
    --------
    >>> [round(float(emission(share)), 3) for share in (1.1, 1.0, 0.75, 0.5, 0.25)]
    [1.0, 1.0, 1.0, 0.118, 0.0]
    """
    hot = np.maximum(share, 1e-3) ** HEAT_POWER
    exponent = WORK_FUNCTION_K / CATHODE_K * (1.0 - 1.0 / hot)
    result = np.clip(RESERVE * hot**2 * np.exp(np.minimum(exponent, 0.0)), LEAST, 1.0)
    return float(result) if result.ndim == 0 else result


def slower(share: float) -> float:
    """How much longer a heater takes to settle at a share of its voltage: heat radiated goes as T^4.

    Examples
    --------
    >>> round(slower(1.0), 2), round(slower(0.25), 1)
    (1.0, 5.3)
    """
    return float(share ** (-3.0 * HEAT_POWER))
