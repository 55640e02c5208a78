"""The faults of the last lesson: what the customer said, what it does, and where it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from tubekit.amp import load_amp
from tubekit.amp.parts.faults import Change
from tubekit.amp.parts.variables import Knob
from tubekit.bench.faults import single_faults
from tubekit.circuit.parts import GROUND
from tubekit.decisions.instrument import instrumented, turned
from tubekit.decisions.probe import QUANTITIES, Probe, shown

Array = np.ndarray
AMP = "teasel"
METER_OHMS = 10e6
BAND, NIL_V = 0.12, 0.3
"""A reading that differs by less than this part, or these volts, from what a fault would show fits it."""


@dataclass(frozen=True)
class Entry:
    """A fault by its words in the fault book and grade; why it shows where it does."""

    words: str
    said: str
    why: str
    grade: int = 0


ROSTER: tuple[Entry, ...] = (
    Entry(
        "R21 open",
        "No sound at all.",
        (
            "Behind R21 everything is dead: screens, inverter, first tubes. B1 stands "
            "too high, since only the bleeder and two starved tubes draw from it."
        ),
    ),
    Entry(
        "R22 open",
        "No sound, but a little hiss of the loudspeaker at switch-on.",
        "B2 is there, B3 and B4 are not: what feeds B3 is open.",
    ),
    Entry("R23 open", "No sound, the tubes glow.", "B3 is there, B4 is not: what feeds B4 is open."),
    Entry(
        "C14 dried out",
        "It hums, and the hum came over the months.",
        "The ripple at the reservoir is several times what it should be, and B+ sags.",
        1,
    ),
    Entry(
        "C16 leaky",
        "Weak and dull.",
        ("B3 is far down and pulls B2 with it, while B1 stands: something behind R22 draws current."),
        2,
    ),
    Entry(
        "V5 weak",
        "Tired, and it was always loud.",
        "All of B+ is low in step, and no tube draws too much: what feeds it is weak.",
        2,
    ),
    Entry(
        "T1 high_voltage half 1 open",
        "Less loud, and a deeper hum.",
        ("B+ is low and the ripple far too large: one half of the winding feeds nothing."),
    ),
    Entry(
        "R14 open",
        "No sound, no hum.",
        ("The cathodes have risen until the pair is cut off; no current flows, and B+ stands high."),
    ),
    Entry(
        "C13 shorted",
        "Loud at first, then it smells.",
        ("No bias: the cathodes stand at nil, the pair draws far too much and pulls B+ down."),
    ),
    Entry(
        "V3 dead (heater open)",
        "Half as loud, and it distorts.",
        "The common cathode is low: one tube carries the stage alone, and B+ is high.",
    ),
    Entry(
        "V4 weak",
        "Thin, and a bit of hum.",
        "The cathode is somewhat low; the two tubes' currents tell which one.",
        2,
    ),
    Entry(
        "C11 leaky",
        "Distorts after some minutes.",
        "A grid that should stand at nil stands at volts: g3 comes up, V3 draws more.",
        2,
    ),
    Entry(
        "C12 leaky",
        "Distorts after some minutes.",
        "A grid that should stand at nil stands at volts: g4 comes up, V4 draws more.",
        2,
    ),
    Entry("R19 open", "Half as loud.", "s3 has no voltage: without its screen V3 passes next to nothing."),
    Entry(
        "C10 leaky",
        "Distorts at any level.",
        ("The inverter's grid is lifted: its cathode stands too high, its plate too low."),
        3,
    ),
    Entry(
        "R13 open",
        "Half as loud, and harsh.",
        "The inverter's plate has no feed: its plate stands near its cathode.",
    ),
    Entry(
        "R9 open",
        "No sound; the volume control does nothing.",
        "p2a stands at nil: its plate resistor is open.",
    ),
    Entry(
        "R8 open",
        "No sound to speak of.",
        "V2a is cut off: its plate stands at B3, its cathode far too high.",
    ),
    Entry(
        "V2a dead",
        "No sound to speak of.",
        (
            "V2a passes nothing: its plate stands at B3, and its cathode at nil. (With "
            "an open resistor the cathode would be high.)"
        ),
    ),
    Entry("R7 open", "Hardly any sound.", "p1b stands at nil: its plate resistor is open."),
    Entry(
        "R5 open",
        "No sound; a finger on the volume control hums.",
        "p1a stands at nil: its plate resistor is open.",
    ),
    Entry(
        "R4 open",
        "No sound to speak of.",
        "V1a is cut off: its plate stands at B4, its cathode far too high.",
    ),
    Entry(
        "C1 shorted",
        "Distorts, hardly loud.",
        "V1a has no bias: its cathode stands at nil, its plate far too low.",
    ),
    Entry(
        "C2 leaky",
        "The volume control scratches, and the tone changes with it.",
        ("Direct voltage at the volume control lifts the grid of V1b: its cathode stands too high."),
        3,
    ),
)


def _probes() -> tuple[Probe, ...]:
    nodes = (
        "B1",
        "B2",
        "B3",
        "B4",
        "p1a",
        "k1a",
        "p1b",
        "k1b",
        "p2a",
        "k2a",
        "p2b",
        "k2b",
        "s3",
        "s4",
        "g3",
        "g4",
        "k34",
    )
    volts = [Probe("dc_v", (node, GROUND)) for node in nodes]
    ripple = [Probe("ripple_pp_v", (node, GROUND)) for node in ("B1", "B2")]
    amps = [Probe("dc_a", (tube, "cathode")) for tube in ("V3", "V4")]
    parts = {"R14": ("k34", GROUND), "R5": ("B4", "p1a"), "R9": ("B3", "p2a")}
    return (*volts, *ripple, *amps, *(Probe("ohms", ends) for ends in parts.values()))


PROBES = _probes()


def cost(probe: Probe) -> float:
    """Effort of a reading, DC volts being 1."""
    return QUANTITIES[probe.quantity].effort


@cache
def predictions() -> Array:
    """What a meter shows at PROBES: first the amp as drawn, then each fault of ROSTER; (1 + N, M)."""
    amp = load_amp(AMP)
    known = {fault.words: fault for fault in single_faults(amp)}
    changes = [known[entry.words].grades[entry.grade] for entry in ROSTER]
    circuit = turned(instrumented(amp).circuit, _settings([{}, *changes]))
    return shown(amp, circuit, PROBES).loaded(np.full(len(PROBES), METER_OHMS))


def _settings(changes: Sequence[Change]) -> dict[Knob, tuple[Array, Array]]:
    found: dict[Knob, tuple[Array, Array]] = {}
    for row, change in enumerate(changes):
        for knob, (factor, addend) in change.items():
            both = found.setdefault(knob, (np.ones(len(changes)), np.zeros(len(changes))))
            both[0][row], both[1][row] = factor, addend
    return found


def fits(reading: float, told: Array, place: int) -> Array:
    """Which predictions a reading at a place fits."""
    least = NIL_V if PROBES[place].quantity == "dc_v" else 10 * QUANTITIES[PROBES[place].quantity].least
    return np.asarray(np.abs(told - reading) <= BAND * np.maximum(np.abs(told), abs(reading)) + least)


def still_possible(readings: dict[int, float]) -> list[int]:
    """Places in ROSTER of the faults that fit every reading."""
    told = predictions()[1:]
    good = np.ones(len(told), bool)
    for place, value in readings.items():
        good &= fits(value, told[:, place], place)
    return [int(k) for k in np.flatnonzero(good)]


def next_best(readings: dict[int, float]) -> int | None:
    """The reading that leaves the fewest faults on average, for its effort; None where none helps."""
    left = still_possible(readings)
    told = predictions()[1:]
    best, most = None, 0.0
    for place in range(len(PROBES)):
        if place in readings:
            continue
        kept = [int(fits(told[k, place], told[left, place], place).sum()) for k in left]
        gain = (len(left) - float(np.mean(kept))) / cost(PROBES[place]) if left else 0.0
        if gain > most + 1e-9:
            best, most = place, gain
    return best


def par(fault: int) -> float:
    """Effort of the readings that lead to a fault when the best is taken each time."""
    readings: dict[int, float] = {}
    spent = 0.0
    while len(still_possible(readings)) > 1 and (place := next_best(readings)) is not None:
        readings[place] = float(predictions()[1 + fault, place])
        spent += cost(PROBES[place])
    return spent
