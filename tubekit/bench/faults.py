"""What can be wrong with one part: every single fault of an amp, as values of one circuit structure.

An open part is a huge value, a short a tiny one, a leaky capacitor a resistor beside it. Weights say how
often a fault is met relative to others: common practice, no source; they matter only where readings do
not decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.connectors import UNUSED
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.bench.fault import GONE, OPEN_OHMS, SHORT_OHMS, Fault, of_value, times, to_value
from tubekit.bench.wound_faults import WOUND, is_silicon
from tubekit.decisions.instrument import GAS, LEAK, NO_LEAK, Knob
from tubekit.series import nearest
from tubekit.units import mark, show

DIGIT_FAR = 0.3
"""Misread digits that change less than this (as a logarithm) are drift by another name."""


def single_faults(amp: Amp) -> tuple[Fault, ...]:
    """Every single fault of an amp's parts that is known here.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> words = {fault.words for fault in single_faults(load_amp("teasel"))}
    >>> {"R14 open", "C11 leaky", "V3 gassy", "V1a dead", "T1 high_voltage half 1 open"} <= words
    True
    """
    found: list[Fault] = []
    for part in amp.parts.values():
        maker = _MAKERS.get(type(part))
        if maker is not None and part.condition == "fitted":
            found += maker(part, amp)
    return tuple(found)


def _resistor(part: drawn.Resistor, _amp: Amp) -> Iterator[Fault]:
    name, knob, ohms = part.designator, Knob(part.designator, "ohms"), float(np.max(part.ohms))
    up, down = (1.4, 1.8, 2.5, 4.0), (0.75, 0.55, 0.35)
    yield Fault(name, "open", (to_value(knob, OPEN_OHMS, ohms),), weight=3.0)
    yield Fault(name, "shorted", (to_value(knob, SHORT_OHMS, ohms),), weight=0.2)
    yield Fault(name, "drifted up", times(knob, *up), of_value(*up), weight=4.0)
    yield Fault(name, "drifted down", times(knob, *down), of_value(*down), weight=0.7)
    yield from _wrong_value(name, knob)
    for other in _misread_digit(ohms):
        words = f"a digit band misread, {mark(other, 'ohm')} fitted"
        yield Fault(name, words, times(knob, other / ohms), weight=0.1)


def _misread_digit(ohms: float) -> Iterator[float]:
    """Preferred values whose bands differ in one digit by a neighboring color, far enough off to matter.

    Examples
    --------
    >>> [round(value) for value in _misread_digit(12e3)]
    [22000]
    """
    power = 10.0 ** np.floor(np.log10(ohms) - 1.0 + 1e-9)
    digits = round(ohms / power)
    for other in (digits - 10, digits + 10, digits - 1, digits + 1):
        value = other * power
        if other >= 10 and abs(np.log(other / digits)) > DIGIT_FAR and nearest(value, "E24") == value:
            yield float(value)


def _wrong_value(name: str, knob: Knob) -> Iterator[Fault]:
    """Another multiplier band, or a decimal point in the wrong place."""
    for factor, words in ((10.0, "ten times its value fitted"), (0.1, "a tenth of its value fitted")):
        yield Fault(name, words, times(knob, factor), weight=0.15)


def _capacitor(part: drawn.Capacitor, _amp: Amp) -> Iterator[Fault]:
    name, farads, leak = (
        part.designator,
        Knob(part.designator, "farads"),
        Knob(part.designator + LEAK, "ohms"),
    )
    electrolytic = part.style == "electrolytic"
    low_voltage = part.volts is not None and float(np.max(part.volts)) < 100.0
    grades = (1e5, 2e4, 4e3) if electrolytic else (5e7, 1e7, 2e6, 3e5, 4e4)
    if electrolytic and low_voltage:
        grades = (2e4, 3e3, 500.0)
    yield Fault(
        name, "leaky", tuple(to_value(leak, ohms, NO_LEAK) for ohms in grades),
        tuple(f"leak of {show(ohms, 'ohm')}" for ohms in grades), weight=5.0 if part.style != "mica" else 0.5,
    )  # fmt: skip
    yield Fault(name, "shorted", (to_value(leak, SHORT_OHMS, NO_LEAK),), weight=1.5)
    yield Fault(name, "open", times(farads, GONE), weight=1.5)
    if electrolytic:
        yield Fault(name, "dried out", times(farads, 0.4, 0.15), of_value(0.4, 0.15), weight=6.0)
    else:
        yield from _wrong_value(name, farads)


def _potentiometer(part: drawn.Potentiometer, _amp: Amp) -> Iterator[Fault]:
    name = part.designator
    top, bottom = Knob(f"{name}.top", "ohms"), Knob(f"{name}.bottom", "ohms")
    far = OPEN_OHMS / float(np.max(part.ohms))
    has_top, has_bottom = part.top != part.wiper, part.bottom != part.wiper
    if has_top:
        yield Fault(name, "top end open", times(top, far), weight=0.5)
    if has_bottom:
        yield Fault(name, "bottom end open", times(bottom, far), weight=0.5)
    if has_top and has_bottom:
        yield Fault(name, "wiper open", ({top: (far, 0.0), bottom: (far, 0.0)},), weight=1.5)


def _tube(part: Tube, _amp: Amp) -> Iterator[Fault]:
    sections = [section.name for section in part.sections]
    power = any(section.screen for section in part.sections)
    worn = (0.65, 0.45, 0.25)
    yield Fault(
        part.designator, "weak",
        tuple({Knob(name, "perveance"): (factor, 0.0) for name in sections} for factor in worn),
        tuple(f"{factor:.0%} emission" for factor in worn), weight=6.0,
    )  # fmt: skip
    dead = {name: {Knob(name, "perveance"): (GONE, 0.0)} for name in sections}
    whole = {knob: value for each in dead.values() for knob, value in each.items()}
    yield Fault(part.designator, "dead (heater open)", (whole,), weight=2.0)
    amps = (2e-6, 6e-6, 2e-5) if power else (5e-7, 2e-6)
    for name in sections:
        if len(sections) > 1:
            yield Fault(name, "dead", (dead[name],), weight=0.5)
        yield Fault(
            name, "gassy", tuple({Knob(name + GAS, "amps"): (1.0, i)} for i in amps),
            tuple(f"grid current {i * 1e6:g} µA" for i in amps), weight=2.0 if power else 0.3,
        )  # fmt: skip
    yield from _wrong_pins(part)


def _wrong_pins(part: Tube) -> Iterator[Fault]:
    for section in part.sections:
        pairs = [("plate", "grid"), ("grid", "cathode"), ("plate", "cathode")]
        if section.screen is not None:
            pairs += [("plate", "screen"), ("screen", "grid")]
        for one, two in pairs:
            if getattr(section, one) != getattr(section, two):
                swapped = {"section": section.name, "swap": (one, two)}
                yield Fault(section.name, f"{one} and {two} swapped", weight=0.05, rewired=swapped)


def _rectifier(part: RectifierTube, _amp: Amp) -> Iterator[Fault]:
    name = part.designator
    if is_silicon(part):
        for k in range(1, len(part.plates) + 1 if len(part.plates) > 1 else 1):
            yield Fault(name, f"plate {k} open", weight=0.7, rewired={"rectifier": name, "plate": k})
        return
    plates = [Knob(f"{name}.{k}", "perveance") for k in range(1, len(part.plates) + 1)]
    worn = (0.6, 0.35, 0.15)
    grades = tuple(dict.fromkeys(plates, (factor, 0.0)) for factor in worn)
    yield Fault(name, "weak", grades, tuple(f"{factor:.0%} emission" for factor in worn), weight=5.0)
    yield Fault(name, "dead (heater open)", (dict.fromkeys(plates, (GONE, 0.0)),), weight=1.5)
    for k, plate in enumerate(plates, 1):
        if len(plates) > 1:
            yield Fault(name, f"plate {k} dead", ({plate: (GONE, 0.0)},), weight=0.7)


def _diode(part: drawn.Diode, _amp: Amp) -> Iterator[Fault]:
    # an exponential law never opens by its parameters: the part leaves the circuit instead
    yield Fault(part.designator, "open", weight=1.0, rewired={"open": part.designator})


def _loudspeaker(part: drawn.Loudspeaker, _amp: Amp) -> Iterator[Fault]:
    knob = Knob(part.designator, "ohms" if part.resistance is None else "copper0")
    yield Fault(part.designator, "voice coil open", times(knob, OPEN_OHMS), weight=0.7)


def _jack(part: drawn.Jack, _amp: Amp) -> Iterator[Fault]:
    if part.direction != "input" or part.tip_switch is None:
        return
    if part.plugged:
        rewired = {"jack": part.designator, "closed": True}
        yield Fault(part.designator, "switch contact does not open", weight=0.5, rewired=rewired)
    else:
        rewired = {"jack": part.designator, "closed": False}
        yield Fault(part.designator, "switch contact does not close", weight=1.0, rewired=rewired)


def _contact(part: drawn.Switch | drawn.Fuse | drawn.Wire, _amp: Amp) -> Iterator[Fault]:
    if isinstance(part, drawn.Switch) and part.position == "open":
        return
    words = {"switch": "contact does not close", "fuse": "blown"}.get(part.kind, "broken")
    weight = {"switch": 1.0, "fuse": 3.0}.get(part.kind, 0.5)
    yield Fault(part.designator, words, weight=weight, rewired={"open": part.designator})


def _connector(part: drawn.Connector, _amp: Amp) -> Iterator[Fault]:
    strapped = {pin for strap in part.straps for pin in strap}
    for pin, (plug, socket) in enumerate(zip(part.plug, part.socket, strict=True), 1):
        if pin in strapped or (part.inserted and UNUSED not in (plug, socket)):
            rewired = {"connector": part.designator, "pin": pin}
            yield Fault(part.designator, f"pin {pin} does not touch", weight=0.4, rewired=rewired)


_MAKERS: dict[type, Callable[..., Iterator[Fault]]] = {
    drawn.Resistor: _resistor,
    drawn.Capacitor: _capacitor,
    drawn.Potentiometer: _potentiometer,
    Tube: _tube,
    RectifierTube: _rectifier,
    drawn.Diode: _diode,
    **WOUND,
    drawn.Loudspeaker: _loudspeaker,
    drawn.Jack: _jack,
    drawn.Switch: _contact,
    drawn.Fuse: _contact,
    drawn.Wire: _contact,
    drawn.Connector: _connector,
}
