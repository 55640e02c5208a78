"""What could be fitted in the place of a part: its candidates, and what to ask for when buying one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport
from tubekit.amp.parts import Capacitor, Part, Resistor, SeleniumRectifier, Tube
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.supply import SupplyReport
from tubekit.circuit.parts import GROUND
from tubekit.devices import catalogue
from tubekit.devices.rectifier import SiliconDiode
from tubekit.devices.tube_record import Tube as TubeType
from tubekit.errors import TubekitError
from tubekit.result_fields import Array
from tubekit.series import series_values
from tubekit.units import mark, show

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
