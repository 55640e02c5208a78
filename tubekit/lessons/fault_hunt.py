"""Lesson 10: an amp with one fault of `data/lessons/10.toml`, readings taken on it, and what they leave."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from tubekit.amp import load_amp
from tubekit.amp.parts.faults import Change, CircuitParameter
from tubekit.amp.settings import apply_settings
from tubekit.bench.faults import single_faults
from tubekit.circuit.parts import GROUND
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import QUANTITIES, Probe, meter_values
from tubekit.lessons.lesson import words_of

Array = np.ndarray
RAILS = ("B1", "B2", "B3", "B4")
ELECTRODES = (
    "p1a", "k1a", "p1b", "k1b", "p2a", "k2a", "p2b", "k2b", "s3", "s4", "g3", "g4", "k34"
)  # fmt: skip
NUMBER, AMP, CASES, TRIES = "10", "teasel", 5, 2
METER_OHMS = 10e6
BAND, NIL_V = 0.12, 0.3
"""A reading that differs by less than this part, or these volts, from what a fault would show fits it."""
SPREAD = 0.015
"""How far the parts of this amp and the meter differ from the calculation."""


@dataclass(frozen=True)
class HuntFault:
    """A fault by its words in the fault book and grade; what the customer says, and why it shows there."""

    words: str
    says: str
    why: str
    grade: int = 0


FAULTS = tuple(HuntFault(**each) for each in words_of(NUMBER)["fault"])


def _probes() -> tuple[Probe, ...]:
    nodes = (*RAILS, *ELECTRODES)
    volts = [Probe("dc_v", (node, GROUND)) for node in nodes]
    ripple = [Probe("ripple_pp_v", (node, GROUND)) for node in ("B1", "B2")]
    amps = [Probe("dc_a", (tube, "cathode")) for tube in ("V3", "V4")]
    parts = {"R14": ("k34", GROUND), "R5": ("B4", "p1a"), "R9": ("B3", "p2a")}
    return (*volts, *ripple, *amps, *(Probe("ohms", ends) for ends in parts.values()))


PROBES = _probes()


@dataclass(eq=False)
class Case:
    """One amp on the bench: which fault it has is known to the program only until one is named."""

    variant: int
    hidden: int
    taken: dict[int, float] = field(default_factory=dict)
    hints: int = 0
    told: list[str] = field(default_factory=list)
    guesses: list[int] = field(default_factory=list)
    cleared: list[str] = field(default_factory=list)

    @property
    def spent(self) -> float:
        """Effort of the readings so far."""
        return sum(cost(PROBES[place]) for place in self.taken)

    @property
    def right(self) -> bool:
        """Whether the fault was named."""
        return self.hidden in self.guesses

    @property
    def closed(self) -> bool:
        """Whether it was named, or every try is used."""
        return self.right or len(self.guesses) == TRIES

    def name(self, fault: int) -> bool:
        """Name a fault; a wrong one is answered by the reading that clears it, taken if it was not yet."""
        self.guesses.append(fault)
        if not self.right:
            self.cleared.append(self._clears(fault))
        return self.right

    def _clears(self, fault: int) -> str:
        """The reading that the named fault fits least; the cheapest telling one where all taken fit."""
        would = predictions()[1 + fault]
        place = max(self.taken, key=lambda k: misfit(self.taken[k], would[k], k), default=None)
        new = place is None or misfit(self.taken[place], would[place], place) <= 1.0
        if new:
            place = max(
                range(len(PROBES)), key=lambda k: misfit(self.reading(k), would[k], k) / cost(PROBES[k])
            )
            self.taken.setdefault(place, self.reading(place))
        assert place is not None
        words = words_of(NUMBER)["cleared_new" if new else "cleared"]
        probe, amp = PROBES[place], load_amp(AMP)
        return str(words).format(
            fault=FAULTS[fault].words, probe=probe.words(amp), would=probe.format(float(would[place])),
            read=probe.format(self.taken[place]), cost=cost(probe),
        )  # fmt: skip

    def reading(self, place: int) -> float:
        """What the meter shows there, the same each time."""
        drawn = random.Random(f"{self.hidden}/{self.variant}/{place}")  # noqa: S311
        return float(predictions()[1 + self.hidden, place]) * (1.0 + SPREAD * drawn.uniform(-1.0, 1.0))


def case_of(place: int, variant: int) -> Case:
    """The amp of a case; no fault comes again before half of them have."""
    order = random.Random("lesson 10").sample(range(len(FAULTS)), len(FAULTS))  # noqa: S311
    return Case(variant, order[(place + CASES * variant) % len(FAULTS)])


def cost(probe: Probe) -> float:
    """Effort of a reading, DC volts being 1."""
    return QUANTITIES[probe.quantity].effort


@cache
def predictions() -> Array:
    """What a meter shows at PROBES: first the amp as drawn, then each of FAULTS; (1 + N, M)."""
    amp = load_amp(AMP)
    known = {fault.words: fault for fault in single_faults(amp)}
    changes = [known[each.words].grades[each.grade] for each in FAULTS]
    circuit = apply_settings(with_fault_ports(amp).circuit, _settings([{}, *changes]))
    return meter_values(amp, circuit, PROBES).loaded(np.full(len(PROBES), METER_OHMS))


def _settings(changes: Sequence[Change]) -> dict[CircuitParameter, tuple[Array, Array]]:
    result: dict[CircuitParameter, tuple[Array, Array]] = {}
    for row, change in enumerate(changes):
        for parameter, (factor, addend) in change.items():
            both = result.setdefault(parameter, (np.ones(len(changes)), np.zeros(len(changes))))
            both[0][row], both[1][row] = factor, addend
    return result


def misfit(reading: float, predicted: Array, place: int) -> Array:
    """How far predictions are from a reading at a place, over what still fits."""
    least = NIL_V if PROBES[place].quantity == "dc_v" else 10 * QUANTITIES[PROBES[place].quantity].least
    room = BAND * np.maximum(np.abs(predicted), abs(reading)) + least
    return np.asarray(np.abs(predicted - reading) / room)


def fits(reading: float, predicted: Array, place: int) -> Array:
    """Which predictions a reading at a place fits."""
    return misfit(reading, predicted, place) <= 1.0


def still_possible(readings: dict[int, float]) -> list[int]:
    """Places in FAULTS of the faults that fit every reading."""
    predicted = predictions()[1:]
    good = np.ones(len(predicted), bool)
    for place, value in readings.items():
        good &= fits(value, predicted[:, place], place)
    return [int(k) for k in np.flatnonzero(good)]


def next_best(readings: dict[int, float]) -> int | None:
    """The reading that leaves the fewest faults on average, for its effort; None where none helps."""
    left = still_possible(readings)
    predicted = predictions()[1:]
    best, most = None, 0.0
    for place in range(len(PROBES)):
        if place in readings:
            continue
        kept = [int(fits(predicted[k, place], predicted[left, place], place).sum()) for k in left]
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
