"""Cathodes that warm up after switch-on and cool after switch-off.

Emission rises as 1 - exp(-(t/τ)^k) and falls as exp(-(t/τ)^k), through the two times of
data/handbook/warm_up.csv: common practice, no source. A cathode that is not yet warm is a law whose
current is scaled (as a worn one).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.devices import catalogue
from tubekit.devices.heater import slower
from tubekit.devices.rectifier import SiliconDiode
from tubekit.tables import handbook

POWER_FROM_W = 5.0
"""Plate dissipation from which a tube counts as an output tube [W]; common practice."""
WORDS = "warm-up times are a shop rule of thumb"
TENTH = np.log(np.log(10.0) / np.log(10.0 / 9.0))


def cathode_kind(type_: str) -> str:
    """Line of the warm-up table that a tube type goes by.

    Examples
    --------
    >>> [cathode_kind(name) for name in ("5Y3GT", "5AR4", "silicon", "12AX7", "6L6GC")]
    ['filament', 'indirect rectifier', 'silicon', 'indirect small', 'indirect power']
    """
    tube = catalogue.tube(type_)
    if isinstance(tube.law, SiliconDiode):
        return "silicon"
    if "rectifier" in tube.kind:
        return "filament" if tube.directly_heated else "indirect rectifier"
    return "indirect power" if (tube.ratings.plate_w or 0.0) >= POWER_FROM_W else "indirect small"


@cache
def _shape(kind: str, falling: bool) -> tuple[float, float]:
    """τ [s] and k; (0, 1) for what needs no time."""
    row = handbook("warm_up", cathode=kind)[0]
    names = (
        ("cools_to_90_percent_s", "cools_to_10_percent_s")
        if falling
        else ("to_10_percent_s", "to_90_percent_s")
    )
    early, late = (row.number(name) for name in names)
    if late == 0.0:
        return 0.0, 1.0
    k = float(TENTH / np.log(late / early))
    return float(late / np.log(10.0) ** (1.0 / k)), k


def warmth(kind: str, seconds: float) -> float:
    """Emission after the heater is switched on, 1 is warm.

    Examples
    --------
    >>> [round(warmth("filament", t), 2) for t in (0.0, 0.8, 3.0, 30.0)]
    [0.0, 0.1, 0.9, 1.0]
    """
    tau, k = _shape(kind, False)
    return 1.0 if tau == 0.0 else float(-np.expm1(-((max(seconds, 0.0) / tau) ** k)))


def cooled(kind: str, seconds: float) -> float:
    """Emission after the heater is switched off, 1 is warm.

    Examples
    --------
    >>> [round(cooled("indirect power", t), 2) for t in (0.0, 5.0, 25.0)]
    [1.0, 0.9, 0.1]
    """
    tau, k = _shape(kind, True)
    return 1.0 if tau == 0.0 else float(np.exp(-((max(seconds, 0.0) / tau) ** k)))


def settling_s(amp: Amp, heat: float) -> float:
    """Time the slowest cathode takes to settle at a share of its heater voltage [s], rounded up.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> settling_s(load_amp("teasel"), 1.0), settling_s(load_amp("teasel"), 0.25)
    (20.0, 100.0)
    """
    late = [handbook("warm_up", cathode=kind)[0].number("to_90_percent_s") for kind in cathodes(amp).values()]
    return float(10.0 * np.ceil(0.1 * max(late, default=0.0) * slower(heat)))


def cathodes(amp: Amp) -> dict[str, str]:
    """The kind of cathode of every tube section and rectifier plate of an amp, by their names."""
    result: dict[str, str] = {}
    for part in amp.parts.values():
        if isinstance(part, Tube):
            kind = cathode_kind(part.type if isinstance(part.type, str) else part.type[0])
            if isinstance(part, RectifierTube):
                result |= {f"{part.designator}.{k}": kind for k in range(1, len(part.plates) + 1)}
            result |= {section.name: kind for section in part.sections}
    return result


def emission(
    amp: Amp, curve: Callable[[str, float], float], warm_for: float = 0.0
) -> Callable[[str, float], float]:
    """Emission by section and time, for a run: `curve` is `warmth` or `cooled`; `warm_for` [s] is added."""
    kinds = cathodes(amp)
    return lambda name, time: curve(kinds.get(name, "silicon"), time + warm_for)
