"""What could be fitted in the place of a part: its candidates, and what to ask for when buying one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts import Capacitor, Part, Resistor, SeleniumRectifier, Tube
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.supply import SupplyReport
from tubekit.decisions.stock_ratings import heat_of, volts_to_buy, watts_to_buy
from tubekit.devices import catalogue
from tubekit.devices.rectifier import SiliconDiode
from tubekit.devices.tube_record import Tube as TubeType
from tubekit.errors import TubekitError
from tubekit.series import series_values
from tubekit.units import mark, show

Array = np.ndarray

SAME = 0.005
"""A value this near the drawn one, as a fraction, is the drawn part."""
SILICON, LEAST_SERIES = "1N4007", 0.1
"""What stands in for a selenium stack, and the least resistance behind it [Ω]: none to speak of."""
LEAST_HEAT_W, LEAST_RIPPLE_A = 1e-2, 1e-3
SPANS = {"F": (0.3, 10.0), "ohm": (0.5, 2.0), "H": (0.5, 2.0)}
"""How far from the drawn value candidates are looked for, as factors; common practice."""


def unit_of(part: Part) -> tuple[str, float, str]:
    """Unit, drawn value and the usual series of a part."""
    assert part.main is not None  # it has a series
    return getattr(part.main.form, "unit", ""), float(getattr(part, part.main.name)), part.preferred


def values_of(part: Part, series: str | None) -> Array:
    """Members of a series about the drawn value, rising; the drawn value itself is none of them."""
    if isinstance(part, SeleniumRectifier):
        whole = part.drop / float(np.max(part.amps))
        return np.array([LEAST_SERIES, *series_values(series or "E6", 0.2 * whole, 3.0 * whole)])
    unit, value, usual = unit_of(part)
    low, high = SPANS[unit]
    result = series_values(series or usual, low * value, high * value)
    return result[np.abs(result / value - 1.0) > SAME]


def changes_of(part: Part, values: Sequence[Any]) -> dict[str, Any]:
    """Changes that put candidates in the place of a part, as a batch."""
    if isinstance(part, SeleniumRectifier):
        return {part.designator: SILICON, f"{part.designator}.series": list(values)}
    return {part.designator: list(values)}


def apart_from(part: Part, after: Amp, k: int) -> float:
    """Distance of a candidate from the drawn value, as a natural logarithm; 0 between types."""
    if not part.preferred or part.main is None:
        return 0.0
    values = np.asarray(getattr(after.parts[part.designator], part.main.name), float).reshape(-1)
    return float(abs(np.log(values[k] / unit_of(part)[1])))


def value_text(part: Part) -> str:
    """The drawn value or type, in words."""
    if isinstance(part, Tube):
        return str(part.type)
    if isinstance(part, SeleniumRectifier):
        return " ".join(part.marking())
    unit, value, _ = unit_of(part)
    return mark(value, unit)


def types_like(part: Tube) -> list[str]:
    """Other types of the same kind: on the same base, or with the same law on another."""
    drawn = catalogue.tube(str(part.type))
    return [name for name in catalogue.tube_types() if name != drawn.type and _alike(name, drawn)]


def _alike(name: str, drawn: TubeType) -> bool:
    own = facts(drawn.type)
    try:
        other, law = facts(name), catalogue.tube(name).law
    except TubekitError:  # a damaged record keeps only itself out
        return False
    if (other.family, other.sections) != (own.family, own.sections):
        return False
    return other.base == own.base or law.parameters() == drawn.law.parameters()


def is_silicon(name: str) -> bool:
    """Whether a type is silicon in a tube's socket."""
    return isinstance(catalogue.tube(name).law, SiliconDiode)


def name_of(part: Part, value: Any) -> str:
    """Name of a candidate, as it is marked."""
    if isinstance(part, SeleniumRectifier):
        return SILICON if value == LEAST_SERIES else f"{SILICON} + {mark(float(value), 'ohm')}"
    if isinstance(part, Tube) or isinstance(value, str):
        return str(value)
    unit = unit_of(part)[0]
    return mark(float(value), unit)


def to_buy(after: SupplyReport, part: Part, k: int) -> str:
    """Rating to ask for, as `order_list` asks for it."""
    if isinstance(part, SeleniumRectifier):
        one = next(r for r in after.report.rectifiers if r.designator == part.designator)
        fitted = after.amp.parts[part.designator]
        rms = np.broadcast_to(np.asarray(one.rms_a), (after.amp.batch or 1,))[k]
        heat = float(rms**2 * np.asarray(getattr(fitted, "series")).reshape(-1)[k])  # noqa: B009
        return f"{show(2.0 * heat, 'W')} or more" if heat > LEAST_HEAT_W else ""
    if isinstance(part, Resistor):
        return f"{watts_to_buy(part, *heat_of(after.report, part, k)):g} W"
    if isinstance(part, Capacitor):
        rating = f"{volts_to_buy(after, part, k)[0]:g} V"
        known = next((one for one in after.filters if one.capacitor == part.designator), None)
        if known is None:
            return rating
        amps = float(np.broadcast_to(np.asarray(known.ripple_a), (after.amp.batch or 1,))[k])
        return (
            f"{rating}, ripple current rating at least {show(amps, 'A', 2)}"
            if amps >= LEAST_RIPPLE_A
            else rating
        )
    return ""
