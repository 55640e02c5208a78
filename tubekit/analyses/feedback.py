"""Loop gain: the loop is broken at one end of a named part and measured without unloading anything.

A voltage is put in series at the break and a current into it; from both answers the loop gain follows
exactly, whatever the impedances on either side:

    T = (Tv Ti - 1) / (2 + Tv + Ti)

1 + T is nil at the natural frequencies of the closed loop, and the gain with feedback is that without
it over 1 + T. T counts positive for negative feedback.
Source: R. D. Middlebrook, "Measurement of loop gain in feedback systems", Int. J. Electronics 38
(1975) 485-512; H. Nyquist, Bell Syst. Tech. J. 11 (1932) (both from memory).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.analyses.elimination import respond
from tubekit.analyses.natural_modes import NaturalModes, natural_frequencies
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.part_sensitivity import number, picker
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import Capacitor, Circuit, Resistor, VoltageSource
from tubekit.errors import CircuitError, near_matches
from tubekit.result_fields import Array, evenly
from tubekit.text import Printed, Table, headed, quantity, to_json_value

SPAN_HZ = np.geomspace(0.1, 2e6, 500)
"""Where a loop gain is looked at when no frequencies are given."""
BREAK = "the break"


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where the loop gain passes one (`margin` in degrees) or turns over (`margin` in decibels)."""

    hz: float
    margin: float


@dataclass(frozen=True, eq=False, repr=False)
class LoopGain(Printed):
    """Loop gain of a feedback loop; margins of the first member unless another is asked for."""

    part: str
    title: str
    frequencies_hz: Array = quantity("Hz", "f", "where it was calculated, (K,)")
    gain: Array = quantity("", "T", "loop gain, complex, positive for negative feedback, (N, K)")
    naturals: NaturalModes = field(repr=False, kw_only=True)

    @property
    def stable(self) -> Array:
        """True where the closed loop is stable, by its natural frequencies, (N,)."""
        return self.naturals.stable

    def feedback_db(self, hertz: float = 1000.0) -> Array:
        """How much the feedback lowers the gain, 20 log |1 + T| [dB], (N,)."""
        k = int(np.argmin(np.abs(np.log(self.frequencies_hz / hertz))))
        return np.asarray(20 * np.log10(np.abs(1 + self.gain[:, k])))

    def phase_margins(self, member: int = 0) -> tuple[Crossing, ...]:
        """Degrees left before -180 at every frequency where |T| passes one, lowest frequency first."""
        size, phase = self._log_size(member), self._phase(member)
        return tuple(Crossing(hz, 180.0 - abs(float(at))) for hz, at in self._where(size, np.degrees(phase)))

    def gain_margins(self, member: int = 0) -> tuple[Crossing, ...]:
        """Decibels by which |T| is below one at every frequency where its phase passes 180 degrees."""
        size, phase = self._log_size(member), self._phase(member)
        crossings: list[Crossing] = []
        for turn in (-np.pi, np.pi):
            crossings += [
                Crossing(hz, float(-20 * at / np.log(10))) for hz, at in self._where(phase - turn, size)
            ]
        return tuple(sorted(crossings, key=lambda each: each.hz))

    def _log_size(self, member: int) -> Array:
        return np.asarray(np.log(np.maximum(np.abs(self.gain[member]), 1e-300)))

    def _phase(self, member: int) -> Array:
        """Phase [rad], followed from where the loop gain is largest, so that it starts within half a turn."""
        turned = np.unwrap(np.angle(self.gain[member]))
        top = int(np.argmax(np.abs(self.gain[member])))
        return np.asarray(turned - 2 * np.pi * np.round(turned[top] / (2 * np.pi)))

    def _where(self, level: Array, other: Array) -> list[tuple[float, float]]:
        """Frequency and `other` at each sign change of `level`."""
        logs = np.log(self.frequencies_hz)
        places = np.flatnonzero(np.diff(np.sign(level)) != 0)
        result = []
        for k in places:
            part = level[k] / (level[k] - level[k + 1])
            hz = float(np.exp(logs[k] + part * (logs[k + 1] - logs[k])))
            result.append((hz, float(other[k] + part * (other[k + 1] - other[k]))))
        return result

    def headline(self) -> str:
        """Feedback and stability in one sentence."""
        words = f"{self.title or 'Loop'} at {self.part}"
        if not self.stable[0]:
            return f"{words}: {self.naturals.describe()}"
        middle = f"{self.feedback_db()[0]:.1f} dB of feedback at 1 kHz"
        least = min((each.margin for each in self.phase_margins()), default=None)
        margin = "" if least is None else f", phase margin {least:.0f} degrees"
        return f"{words}: {middle}{margin}, {self.naturals.describe()}"

    def tables(self) -> list[Table]:
        """Margins, then the loop gain over frequency."""
        if not self.stable[0]:  # margins of a loop that has taken off would be read as a response
            return [Table("Stability", headed("finding"), [(self.naturals.describe(),)])]
        rows: list[tuple[str, float, float | None, float | None]] = [
            ("loop gain = 1", each.hz, each.margin, None) for each in self.phase_margins()
        ]
        rows += [("feedback turns positive", each.hz, None, each.margin) for each in self.gain_margins()]
        rows.sort(key=lambda row: row[1])
        heads = headed("at", "frequency [Hz]", "phase margin [°] .0f", "gain margin [dB] .1f")
        some = evenly(len(self.frequencies_hz), 12)
        over = [
            (float(self.frequencies_hz[k]), 20 * self._log_size(0)[k] / np.log(10),
             np.degrees(self._phase(0)[k]))
            for k in some
        ]  # fmt: skip
        under = headed("frequency [Hz]", "loop gain [dB] .1f", "phase [°] .0f")
        return [Table("Margins", heads, rows), Table("Loop gain", under, over)]

    def to_json(self) -> dict[str, Any]:
        """The loop in terms JSON has."""
        return {
            "title": self.title,
            "part": self.part,
            "stable": to_json_value(self.stable),
            "finding": self.naturals.describe(),
            "feedback_db": to_json_value(np.where(self.stable, self.feedback_db(), np.nan)),
            "phase_margins": to_json_value(self.phase_margins() if self.stable[0] else ()),
            "gain_margins": to_json_value(self.gain_margins() if self.stable[0] else ()),
            "frequencies_hz": to_json_value(self.frequencies_hz),
            "loop_gain": to_json_value(self.gain),
        }


@on_one_core
def loop_gain(
    point: OperatingPoint, part: str, frequencies_hz: Array | Sequence[float] | None = None
) -> LoopGain:
    """Loop gain of the loop that closes through a part.

    Parameters
    ----------
    point : idle point of the circuit, its signal source in place.
    part : a resistor or capacitor through which nothing but the loop passes, such as the feedback resistor.
    frequencies_hz : (K,) rising; 0.1 Hz to 2 MHz when not given.

    Raises
    ------
    CircuitError : no such resistor or capacitor.

    Examples
    --------
    >>> from tubekit.analyses.operating_point import operating_point
    >>> from tubekit.circuit.parts import Device
    >>> from tubekit.devices.triode import Triode
    >>> stage = Circuit((VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", 1e5),
    ...     Resistor("R2", "k", "ground", 1500.0), Capacitor("C1", "k", "ground", 1e-3),
    ...     Resistor("R3", "g", "ground", 1e5), Capacitor("C2", "p", "f", 1e-6),
    ...     Resistor("R4", "f", "g", 1e6),
    ...     Device("V1a", Triode(perveance=2e-3, mu=100.0, exponent=1.4), ("p", "g"), "k")))
    >>> loop = loop_gain(operating_point(stage), "R4")
    >>> bool(loop.stable[0]), bool(5 < loop.gain[0, 250].real < 7)
    (True, True)
    """
    wanted = SPAN_HZ if frequencies_hz is None else np.asarray(frequencies_hz, float)
    s = 2j * np.pi * wanted
    known = point.circuit.of(Resistor) + point.circuit.of(Capacitor)
    result = next((each for each in known if each.name == part), None)
    if result is None:
        raise CircuitError(
            "no resistor or capacitor to break the loop at", part=part,
            fix="Name the part that carries the feedback", near=near_matches(part, [p.name for p in known]),
        )  # fmt: skip
    end = result.b if number(point.network, result.b) >= 0 else result.a
    network = assemble(_broken(point.circuit, result, end))
    matrix = linearised(network, list(point.slopes))
    return LoopGain(
        part, point.circuit.title, wanted, _loop(network, matrix, s, end),
        naturals=natural_frequencies(point),
    )  # fmt: skip


def _broken(circuit: Circuit, part: Resistor | Capacitor, end: str) -> Circuit:
    """The circuit with a source of no volts between one end of the part and the node it was on."""
    a, b = (BREAK if node == end else node for node in (part.a, part.b))
    parts = [dataclasses.replace(each, a=a, b=b) if each is part else each for each in circuit.parts]
    return circuit.made_of((*parts, VoltageSource(BREAK, BREAK, end)))


def _loop(network: Network, matrix: Array, s: Array, end: str) -> Array:
    """T, (N, K), from what the broken loop shows on both sides of the break.

    With currents into the loop i1 = y11 v1 + y12 v2 and i2 = y21 v1 + y22 v2, side 1 the part's:
    T = (y21 - y12) / (y11 + y22 + 2 y12), the same as from Tv and Ti. The stronger way is the forward one.
    """
    row = network.unknowns.index(f"I({BREAK})")
    series = np.zeros(len(network.unknowns))
    series[row] = 1.0
    seen = [network.index[BREAK], network.index[end], row]
    at_volt = respond(network, matrix, series, s, seen)
    at_ampere = respond(network, matrix, picker(network, BREAK), s, seen)
    v1, v2, through = (at_volt[..., k] for k in range(3))  # v1 - v2 is one volt
    volts, onward = at_ampere[..., 0], at_ampere[..., 2]
    both1, both2 = (1.0 - onward) / volts, onward / volts  # y11 + y12, y21 + y22
    y12 = through + both1 * v1
    y21 = through - both2 * v2
    y11, y22 = both1 - y12, both2 - y21
    if np.median(np.abs(y21)) < np.median(np.abs(y12)):
        y12, y21 = y21, y12
    return np.asarray((y21 - y12) / (y11 + y22 + 2.0 * y12))
