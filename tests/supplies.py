"""Small amp files that hold nothing but a power supply, one for each topology; values to compute with."""

from __future__ import annotations

from tubekit.amp import Amp, amp_from_text

HEAD = """
[amp]
title = "supply"
design_mains = "120 V"
mains_frequency = "60 Hz"
[P1]
kind = "mains plug"
line = "line"
neutral = "neutral"
earth = "ground"
[F1]
nodes = ["line", "fused"]
rating = "2 A"
[S1]
kind = "switch"
nodes = ["fused", "live"]
position = "closed"
[T1]
kind = "power transformer"
[T1.primary]
nodes = ["live", "neutral"]
volts = ["120 V"]
resistance = ["4"]
inductance = "6 H"
"""


def winding(name: str, nodes: list[str], volts: float, ohms: float, extra: str = "") -> str:
    count = len(nodes) - 1
    return (
        f"[T1.{name}]\nnodes = {nodes}\nvolts = {[volts] * count}\nresistance = {[ohms] * count}\n{extra}\n"
    )


def diode(number: int, anode: str, cathode: str) -> str:
    return f'[CR{number}]\ntype = "1N4007"\nnodes = ["{anode}", "{cathode}"]\n'


def two(name: str, value: object, a: str, b: str, extra: str = "") -> str:
    return f'[{name}]\nvalue = "{value}"\nnodes = ["{a}", "{b}"]\n{extra}\n'


CENTRE_TAP = winding("high", ["a", "ground", "b"], 325.0, 60.0, 'rating = "100 mA"')
FIVE_VOLTS = winding("filament", ["B1", "f"], 5.0, 0.08)
TUBE = '[V1]\ntype = "5Y3GT"\nplates = ["a", "b"]\ncathode = "B1"\nheater = ["B1", "f"]\n'
RESERVOIR = two("C1", "20u", "B1", "ground", 'style = "electrolytic"\nrating = "475 V"')
FILTER = two("L1", "8", "B1", "B2", 'resistance = "250"\nrating = "120 mA"')
SMOOTHING = two("C2", "20u", "B2", "ground", 'style = "electrolytic"\nrating = "450 V"')
LOAD = two("R1", "5k", "B2", "ground", 'rating = "50 W"')
TAIL = FILTER + SMOOTHING + LOAD
FULL_WAVE = HEAD + CENTRE_TAP + FIVE_VOLTS + TUBE + RESERVOIR + TAIL

BRIDGE = (
    HEAD + winding("high", ["a", "b"], 250.0, 40.0)
    + diode(1, "a", "B1") + diode(2, "b", "B1") + diode(3, "ground", "a") + diode(4, "ground", "b")
    + RESERVOIR + TAIL
)  # fmt: skip
HYBRID_BRIDGE = (
    HEAD + winding("high", ["a", "b"], 250.0, 40.0) + FIVE_VOLTS + TUBE
    + diode(3, "ground", "a") + diode(4, "ground", "b") + RESERVOIR + TAIL
)  # fmt: skip
HALF_WAVE = HEAD + winding("high", ["a", "ground"], 250.0, 40.0) + diode(1, "a", "B1") + RESERVOIR + TAIL
DOUBLER = (
    HEAD + winding("high", ["a", "m"], 125.0, 15.0)
    + diode(1, "a", "B1") + diode(2, "ground", "a")
    + two("C3", "47u", "B1", "m", 'style = "electrolytic"') + two("C4", "47u", "m", "ground") + TAIL
)  # fmt: skip
CASCADE_DOUBLER = (
    HEAD + winding("high", ["a", "ground"], 125.0, 15.0)
    + two("C3", "47u", "a", "x") + diode(1, "x", "B1") + diode(2, "ground", "x") + RESERVOIR + TAIL
)  # fmt: skip
CHOKE_INPUT = HEAD + CENTRE_TAP + FIVE_VOLTS + TUBE + TAIL
BIAS = (
    winding("bias", ["bias_ac", "ground"], 50.0, 20.0)
    + two("R8", "1k", "bias_ac", "bias_in") + diode(9, "bias", "bias_in")
    + two("C9", "50u", "ground", "bias", 'style = "electrolytic"') + two("R9", "47k", "bias", "ground")
)  # fmt: skip

TOPOLOGIES = {
    "full wave": FULL_WAVE,
    "bridge": BRIDGE,
    "hybrid bridge": HYBRID_BRIDGE,
    "half wave": HALF_WAVE,
    "doubler": DOUBLER,
    "cascade doubler": CASCADE_DOUBLER,
    "choke input": CHOKE_INPUT,
    "full wave with bias": FULL_WAVE + BIAS,
}


def supply(text: str, name: str = "supply") -> Amp:
    """The checked amp of one of these texts."""
    return amp_from_text(text, name)


def with_standby(place: str) -> str:
    """The full-wave supply with an open or closed contact S2 in a usual place."""
    contact = '[S2]\nkind = "switch"\nnodes = ["{}", "{}"]\nposition = "closed"\n'
    if place == "center tap":
        text = FULL_WAVE.replace("['a', 'ground', 'b']", "['a', 'tap', 'b']")
        return text + contact.format("tap", "ground")
    if place == "before the reservoir":
        text = FULL_WAVE.replace('cathode = "B1"\nheater = ["B1", "f"]', 'cathode = "K"\nheater = ["K", "f"]')
        return text.replace("['B1', 'f']", "['K', 'f']") + contact.format("K", "B1")
    if place == "after the reservoir":
        return FULL_WAVE.replace('nodes = ["B1", "B2"]', 'nodes = ["B0", "B2"]') + contact.format("B1", "B0")
    if place == "both ends of the winding":
        text = FULL_WAVE.replace('plates = ["a", "b"]', 'plates = ["pa", "pb"]')
        return text + contact.format("a", "pa") + contact.replace("S2", "S3").format("b", "pb")
    raise KeyError(place)


STANDBY_PLACES = ("center tap", "before the reservoir", "after the reservoir", "both ends of the winding")
