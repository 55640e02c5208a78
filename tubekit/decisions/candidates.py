"""What could be fitted in the place of a part: its candidates, and what to ask for when buying one."""

from __future__ import annotations

from typing import Any

import numpy as np

from tubekit.amp.parts import Capacitor, Choke, Part, Resistor, Tube
from tubekit.amp.parts.tubes import facts
from tubekit.amp.supply import SupplyReport
from tubekit.decisions.limits import limits
from tubekit.decisions.sizes import CAPACITOR_VOLTS, RESISTOR_WATTS, next_size
from tubekit.devices import catalogue
from tubekit.devices.rectifier import SiliconDiode
from tubekit.errors import TubekitError
from tubekit.series import series_values
from tubekit.units import mark, show

Array = np.ndarray

SPANS = {"F": (0.3, 10.0), "ohm": (0.5, 2.0), "H": (0.5, 2.0)}
"""How far from the drawn value candidates are looked for, as factors; common practice."""
DERATE = 2.0
"""A resistor is rated twice what it turns into heat; common practice, no source."""


def unit_of(part: Part) -> tuple[str, float, str]:
    """Unit, drawn value and the usual series of a part."""
    if isinstance(part, Resistor):
        return "ohm", float(np.asarray(part.ohms)), "E24"
    if isinstance(part, Capacitor):
        return "F", float(np.asarray(part.farads)), "E6"
    assert isinstance(part, Choke)
    return "H", float(np.asarray(part.henries)), "E12"


def values_of(part: Part, series: str | None) -> Array:
    """Members of a series about the drawn value, rising."""
    unit, value, usual = unit_of(part)
    low, high = SPANS[unit]
    return series_values(series or usual, low * value, high * value)


def said_of(part: Part) -> str:
    """The drawn value or type, in words."""
    if isinstance(part, Tube):
        return str(part.type)
    unit, value, _ = unit_of(part)
    return show(value, unit)


def types_like(part: Tube) -> list[str]:
    """Types of the same kind on the same base, the drawn one included."""
    own = facts(str(part.type))
    return [name for name in catalogue.tube_types() if _alike(name, own)]


def _alike(name: str, own: Any) -> bool:
    try:
        other = facts(name)
    except TubekitError:  # a damaged record keeps only itself out
        return False
    return (other.family, other.sections, other.base) == (own.family, own.sections, own.base)


def is_silicon(name: str) -> bool:
    """Whether a type is silicon in a tube's socket."""
    return isinstance(catalogue.tube(name).law, SiliconDiode)


def name_of(part: Part, value: Any) -> str:
    """What a candidate is called: as it is marked."""
    if isinstance(part, Tube) or isinstance(value, str):
        return str(value)
    unit = unit_of(part)[0]
    return mark(float(value), unit) if unit != "H" else show(float(value), unit)


def to_buy(after: SupplyReport, part: Part, k: int) -> str:
    """Rating to ask for."""
    if isinstance(part, Resistor):
        check = next((c for c in limits(after.report) if c.part == part.designator and c.unit == "W"), None)
        state = after.report.solved.state
        volts = np.hypot(state.mean(part.a, part.b), state.ripple_rms(part.a, part.b))
        ohms = np.asarray(after.amp.parts[part.designator].ohms)  # type: ignore[attr-defined]
        watts = (
            float((volts**2 / ohms)[k]) if check is None else float(np.asarray(check.value).reshape(-1)[k])
        )
        return f"{next_size(DERATE * watts, RESISTOR_WATTS):g} W"
    if isinstance(part, Capacitor):
        known = {one.capacitor: one for one in after.filters}.get(part.designator)
        if known is None:
            return ""
        volts = float(np.broadcast_to(np.asarray(known.cold_v), (after.amp.batch or 1,))[k])
        amps = float(np.broadcast_to(np.asarray(known.ripple_a), (after.amp.batch or 1,))[k])
        return f"{next_size(volts, CAPACITOR_VOLTS):g} V, {show(amps, 'A')} ripple"
    return ""
