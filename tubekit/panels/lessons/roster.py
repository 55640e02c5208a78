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
            "Everything after R21 is dead: screens, phase inverter, first tubes. B1 is too high, since "
            "only the bleeder and two starved tubes draw from it."
        ),
    ),
    Entry(
        "R22 open",
        "No sound, but a little hiss from the speaker at switch-on.",
        "B2 is present, B3 and B4 are not: the feed to B3 is open.",
    ),
    Entry("R23 open", "No sound, but the tubes glow.", "B3 is present, B4 is not: the feed to B4 is open."),
    Entry(
        "C14 dried out",
        "It hums, and the hum has grown over the months.",
        "The ripple at the reservoir is several times what it should be, and B+ sags.",
        1,
    ),
    Entry(
        "C16 leaky",
        "Weak and dull.",
        ("B3 is far too low and pulls B2 down, while B1 is normal: something after R22 draws current."),
        2,
    ),
    Entry(
        "V5 weak",
        "It used to be loud; now it sounds tired.",
        "Every B+ node is low by the same share, and no tube draws too much: the source of B+ is weak.",
        2,
    ),
    Entry(
        "T1 high_voltage half 1 open",
        "Not as loud, and a deeper hum.",
        ("B+ is low and ripple is far too high: one half of the winding delivers nothing."),
    ),
    Entry(
        "R14 open",
        "No sound, no hum.",
        ("The cathodes have risen until the pair is cut off. No current flows, and B+ is high."),
    ),
    Entry(
        "C13 shorted",
        "Loud at first, then a burnt smell.",
        ("No bias: the cathodes read zero, the pair draws far too much and pulls B+ down."),
    ),
    Entry(
        "V3 dead (heater open)",
        "Half as loud, and it distorts.",
        "The shared cathode is low: one tube does all the work, and B+ is high.",
    ),
    Entry(
        "V4 weak",
        "Thin sound and some hum.",
        "The cathode is slightly low. Compare the two tubes' currents to find the weak one.",
        2,
    ),
    Entry(
        "C11 leaky",
        "Distorts after some minutes.",
        "A grid that should read zero reads several volts: g3 is positive, so V3 draws more.",
        2,
    ),
    Entry(
        "C12 leaky",
        "Distorts after some minutes.",
        "A grid that should read zero reads several volts: g4 is positive, so V4 draws more.",
        2,
    ),
    Entry("R19 open", "Half as loud.", "s3 has no voltage. Without its screen, V3 draws almost no current."),
    Entry(
        "C10 leaky",
        "Distorts at any level.",
        ("The phase inverter's grid is too high, so its cathode is too high and its plate too low."),
        3,
    ),
    Entry(
        "R13 open",
        "Half as loud, and harsh.",
        "The phase inverter's plate has no supply, so it is close to its cathode voltage.",
    ),
    Entry(
        "R9 open",
        "No sound; the volume control does nothing.",
        "p2a reads zero: its plate resistor is open.",
    ),
    Entry(
        "R8 open",
        "Almost no sound.",
        "V2a is cut off: its plate is at B3, its cathode far too high.",
    ),
    Entry(
        "V2a dead",
        "Almost no sound.",
        (
            "V2a draws no current: its plate is at B3, and its cathode reads zero. (With an open "
            "cathode resistor it would read high.)"
        ),
    ),
    Entry("R7 open", "Hardly any sound.", "p1b reads zero: its plate resistor is open."),
    Entry(
        "R5 open",
        "No sound, but touching the volume control makes it hum.",
        "p1a reads zero: its plate resistor is open.",
    ),
    Entry(
        "R4 open",
        "Almost no sound.",
        "V1a is cut off: its plate is at B4, its cathode far too high.",
    ),
    Entry(
        "C1 shorted",
        "Distorted and quiet.",
        "V1a has no bias: its cathode reads zero, and its plate is far too low.",
    ),
    Entry(
        "C2 leaky",
        "The volume control is scratchy, and turning it changes the tone.",
        ("DC on the volume control raises the grid of V1b, so its cathode is too high."),
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
