"""What cathodes give at a low heater voltage.

The emission left follows Richardson's law of an oxide cathode (1050 K, 1.1 eV, temperature by the 0.4th power
of the heater voltage), with ten times the current in reserve at full heat: from memory, so take steps below
half of the mains as a picture.
"""

from __future__ import annotations

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.solve import types_of
from tubekit.devices import catalogue

CATHODE_K, WORK_FUNCTION_K, RESERVE = 1050.0, 12_760.0, 10.0
LEAST = 1e-4
"""Emission that stands for a cold cathode."""
EMISSION = (
    "Below full heat the cathodes' emission is from memory: there take B+ as a picture, within a fifth."
)


def emission_at(heater_share: float) -> float:
    """Emission left at a share of the rated heater voltage, 1 where the reserve covers it.

    Examples
    --------
    >>> [round(emission_at(share), 3) for share in (1.0, 0.75, 0.5, 0.25)]
    [1.0, 1.0, 0.118, 0.0]
    """
    if heater_share >= 1.0:
        return 1.0
    hot = max(heater_share, 1e-3) ** 0.4
    exponent = WORK_FUNCTION_K / CATHODE_K * (1.0 - 1.0 / hot)
    return float(np.clip(RESERVE * hot**2 * np.exp(exponent), LEAST, 1.0))


def at_heat(amp: Amp, mains: float) -> tuple[Amp, float]:
    """The amp at a mains voltage, with the emission its heaters then leave."""
    share = mains / amp.design_mains_rms
    left = emission_at(share)
    changes: dict[str, object] = {
        f"{name}.emission": max(left, LEAST) for name, part in amp.parts.items()
        if isinstance(part, Tube) and part.heater and catalogue.tube(types_of(part)[0]).heater_volts
    }  # fmt: skip
    return amp.changed(changes if left < 1.0 else {}), share
