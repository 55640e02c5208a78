"""What a hand does where no reading tells two suspects apart: pull a tube, fit a good one, lift a leg.

Common practice, no source; what the meter then shows is calculated.
"""

from __future__ import annotations

from tubekit.amp import Amp
from tubekit.amp.parts import Tube, TwoTerminal
from tubekit.amp.parts.faults import GAS, LEAK, CircuitParameter, Fault
from tubekit.amp.parts.tubes import RectifierTube, heater_string
from tubekit.bench.fault_prediction import predict_readings
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe
from tubekit.errors import TubekitError

POWER_OFF = "Unplug. Discharge the filter caps and check them with a meter."
AGAIN = "power up and read again: normal readings mean"
NIL_V = 0.05
"""A grid this near ground is told as 0 V."""
PULLED_V = 0.5
"""A leak that leaves a grid this far off with its tube pulled is told from grid current [V]."""


def hand_check(amp: Amp, one: tuple[Fault, int], two: tuple[Fault, int]) -> str:
    """What to do to tell two faults apart, each with its grade; '' where they are of one part.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.fault_prediction import fault_named
    >>> amp = load_amp("teasel")
    >>> gas, leak, open_ = (fault_named(amp, words) for words in ("V3 gassy", "C11 leaky", "R14 open"))
    >>> print(hand_check(amp, (gas, 2), (leak, 2)))  # doctest: +ELLIPSIS
    Unplug. Discharge ... Pull V3, power up and read V3 grid (g3) again: 20.7 V if C11 leaky, 0 V if V3 gassy.
    >>> print(hand_check(amp, (leak, 0), (open_, 0)))  # doctest: +ELLIPSIS
    Unplug. Discharge ... Lift one leg of C11, power up and read again: normal readings mean C11 leaky.
    """
    parts = [CircuitParameter(fault.part, "").designator for fault, _ in (one, two)]
    if parts[0] == parts[1]:
        return ""
    for gas, leak in ((one, two), (two, one)):
        pulled = _pulled(amp, gas, leak)
        if pulled:
            return pulled
    for (fault, _), name in zip((one, two), parts, strict=True):
        tube = amp.parts[name]
        if isinstance(tube, Tube):
            good = f"Fit a known good {tube.types[0]} in {name}"
            return f"{POWER_OFF} {good}, {AGAIN} {fault.words}."
    for (fault, _), name in zip((one, two), parts, strict=True):
        if isinstance(amp.parts[name], TwoTerminal):
            if any(knob.part.endswith(LEAK) for grade in fault.grades for knob in grade):
                return f"{POWER_OFF} Lift one leg of {name}, {AGAIN} {fault.words}."
            return f"{POWER_OFF} Lift one leg of {name} and measure it by itself."
    return f"{POWER_OFF} Disconnect {parts[0]} and measure it by itself."


def _pulled(amp: Amp, gas: tuple[Fault, int], leak: tuple[Fault, int]) -> str:
    """The grid read with its tube pulled, where one draws grid current and the other leaks into the grid."""
    knobs = [knob for fault, grade in (gas, leak) for knob in (*fault.grades, {})[grade]]
    if len(knobs) != 2 or not knobs[0].part.endswith(GAS) or not knobs[1].part.endswith(LEAK):
        return ""
    name = knobs[0].designator
    tube = amp.parts[name]
    if not isinstance(tube, Tube) or isinstance(tube, RectifierTube) or tube in heater_string(amp.parts):
        return ""
    section = next(each for each in tube.sections if each.name == gas[0].part)
    probe = Probe("dc_v", (section.grid, GROUND))
    try:
        result = predict_readings(amp.changed({name: "removed"}), leak[0].words, [probe], grade=leak[1])
    except TubekitError:
        return ""
    leaks, good = (0.0 if abs(v) < NIL_V else float(v) for v in (result.faulty[0], result.good[0]))
    if abs(leaks - good) < PULLED_V:
        return ""
    place = amp.topology.place(section.grid)
    expected = f"{probe.format(leaks)} if {leak[0].words}, {probe.format(good)} if {gas[0].words}"
    return f"{POWER_OFF} Pull {name}, power up and read {place} again: {expected}."
