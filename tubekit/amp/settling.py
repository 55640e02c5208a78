"""Parts whose value depends on their own current: thermistors and swinging chokes.

A thermistor follows R(T) = R25·exp(B·(1/T - 1/298 K)) and loses heat in proportion to its rise,
I²R = δ·(T - 298 K). Its two points, cold and at rated current, fix B and δ once the body's temperature
at rated current is taken as 200 °C (common practice, no source). Source: the B equation of makers'
thermistor notes (from memory).

A swinging choke follows a straight line on log-log paper between its two points, flat below the lighter
current; it is the incremental inductance at the mean current (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.fields import Value
from tubekit.amp.heater_wiring import heater_string
from tubekit.amp.parts import Choke, Thermistor, Tube
from tubekit.amp.parts.part import HEAT
from tubekit.analyses.mains import MainsState

Array = np.ndarray

COLD_K, HOT_K = 298.0, 473.0
AGREED = 1e-3
"""Values are settled once none moves by more than this share."""


def self_setting(amp: Amp, *, heaters: bool = True) -> tuple[Thermistor | Choke | Tube, ...]:
    """The parts of an amp whose value depends on their current: of tubes those in a series string."""
    strung = {part.designator for part in heater_string(amp.parts)} if heaters else set()
    return tuple(
        part
        for part in amp.parts.values()
        if part.condition == "fitted"
        and (
            isinstance(part, Thermistor)
            or (isinstance(part, Choke) and part.swing is not None)
            or (isinstance(part, Tube) and part.designator in strung)
        )
    )


def swing(choke: Choke, amps: Value) -> Array:
    """Inductance [H] at a direct current [A].

    Examples
    --------
    >>> choke = Choke(designator="L1", ends=("a", "b"), henries=5.0, ohms=90.0, amps=0.15,
    ...               swing=(20.0, 0.015))
    >>> swing(choke, np.array([0.001, 0.015, 0.15])).round(2).tolist()
    [20.0, 20.0, 5.0]
    """
    assert choke.swing is not None  # the amp's check saw to both
    assert choke.amps is not None
    light, at = choke.swing
    power = np.log(light / np.asarray(choke.henries)) / np.log(np.asarray(choke.amps) / at)
    return np.asarray(light * (np.maximum(np.abs(amps), at) / at) ** -power)


def thermistor_law(part: Thermistor) -> tuple[Array, Array]:
    """B [K] and the dissipation factor δ [W/K]."""
    b = np.log(np.asarray(part.ohms) / part.hot) / (1.0 / COLD_K - 1.0 / HOT_K)
    return np.asarray(b), np.asarray(part.amps) ** 2 * part.hot / (HOT_K - COLD_K)


def thermistor_ohms(part: Thermistor, kelvin: Value) -> Array:
    """Resistance at a body temperature [Ω]."""
    b, _ = thermistor_law(part)
    return np.asarray(part.ohms * np.exp(b * (1.0 / np.asarray(kelvin) - 1.0 / COLD_K)))


def warm_ohms(part: Thermistor, amps: Value) -> Array:
    """Resistance at a steady effective current [Ω]: where heating and cooling balance.

    Examples
    --------
    >>> part = Thermistor(designator="RT1", ends=("a", "b"), ohms=10.0, hot=0.2, amps=2.0)
    >>> warm_ohms(part, np.array([0.0, 2.0])).round(3).tolist()
    [10.0, 0.2]
    """
    _, loss = thermistor_law(part)
    low = np.full(np.broadcast(np.asarray(amps), loss).shape, COLD_K)
    high = np.full(low.shape, 3 * HOT_K)
    for _ in range(50):  # heating falls and cooling rises with temperature: one crossing
        middle = 0.5 * (low + high)
        heats = np.square(amps) * thermistor_ohms(part, middle) > loss * (middle - COLD_K)
        low, high = np.where(heats, middle, low), np.where(heats, high, middle)
    return thermistor_ohms(part, 0.5 * (low + high))


def settle(parts: tuple[Thermistor | Choke | Tube, ...], state: MainsState) -> dict[str, Value]:
    """Values of these parts in a steady state, (N,) each; of a heater volts over rated volts."""
    found: dict[str, Value] = {}
    for part in parts:
        if isinstance(part, Tube):
            volts = state.ripple_rms(part.heater[0], part.heater[-1])
            found[f"{part.designator}.{HEAT}"] = volts / part.heater_rating()[0]
            continue
        if isinstance(part, Choke):
            found[part.designator] = swing(part, state.winding_mean(part.designator))
        else:
            found[part.designator] = warm_ohms(part, resistor_rms(state, part))
    return found


def resistor_rms(state: MainsState, part: Thermistor) -> Array:
    """Effective current through a thermistor [A], (N,)."""
    wired = next(one for one in state.circuit.parts if one.name == part.designator)
    volts = np.hypot(state.mean(part.a, part.b), state.ripple_rms(part.a, part.b))
    return np.asarray(volts / np.asarray(wired.ohms))  # type: ignore[union-attr]


def agree(old: Mapping[str, Value], new: Mapping[str, Value]) -> bool:
    """Whether no value moved by more than `AGREED`."""
    return all(name in old and np.allclose(new[name], old[name], rtol=AGREED) for name in new)
