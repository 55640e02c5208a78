"""Readings that no amp of this drawing can show, and those that look like a slip of kilo or milli."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from tubekit.amp.parts.tubes import Tube
from tubekit.circuit.parts import GROUND
from tubekit.decisions.parameters import with_fault_ports
from tubekit.decisions.probe import MeterValues, meter_values
from tubekit.decisions.reading import Reading, Readings
from tubekit.errors import Note, ReadingError, SolveError

SLIP = (400.0, 2500.0)
"""A reading this many times off what is expected asks for its prefix."""
FAR_MAINS = 0.25
"""Mains this far from the drawing's, as a fraction, is asked about."""
BEYOND = 4.0
"""No DC reading of a mains amp exceeds its highest voltage this many times."""


def implausible(readings: Readings) -> tuple[Note, ...]:
    """Questions about readings, each with its line.

    Raises
    ------
    ReadingError : a reading that cannot be, whatever the fault.
    """
    if not readings.readings:
        return tuple(_mains(readings))
    try:
        expected, top = _expected(readings)
    except SolveError:
        return ()
    fed = {node for node, sign in readings.amp.topology.fed.items() if sign > 0}
    cathodes = {s.cathode for p in readings.amp.parts.values() if isinstance(p, Tube) for s in p.sections}
    notes = list(_mains(readings))
    for reading, usual in zip(readings.readings, expected, strict=True):
        _possible(readings, reading, float(usual), top, fed | cathodes)
        notes += list(_asked(reading, float(usual)))
    return tuple(notes)


def _mains(readings: Readings) -> Iterator[Note]:
    """The question about a line voltage far from the drawing's."""
    design, read = float(np.max(readings.drawn.mains_rms)), float(np.max(readings.amp.mains_rms))
    if readings.mains_accuracy is not None and abs(read / design - 1.0) > FAR_MAINS:
        text = (
            f"You entered {read:g} V of line voltage; the design is {design:g} V. Is that right? "
            "It is used as entered."
        )
        yield Note("far_mains", "mains", text)


def _expected(readings: Readings) -> tuple[np.ndarray, float]:
    """What each reading would be in a good amp, and the highest voltage of any node, ripple included [V]."""
    circuit = with_fault_ports(readings.amp).circuit
    result: MeterValues = meter_values(
        readings.amp, circuit, [r.probe for r in readings.readings], readings.tone
    )
    volts = [np.abs(result.state.mean(n)) + result.state.ripple_pp(n) for n in result.state.circuit.nodes]
    return np.asarray(result.values[0]), float(np.nanmax(volts))


def _possible(readings: Readings, reading: Reading, usual: float, top: float, positive: set[str]) -> None:
    where = f"line {reading.line}, {reading.probe.place[0]}"
    at: dict[str, Any] = {"where": readings.source, "part": where, "lines": (reading.line,)}
    volts = reading.probe.quantity in ("dc_v", "ac_rms_v", "ripple_pp_v", "ripple_rms_v", "signal_rms_v")
    if volts and abs(reading.value) > BEYOND * top:
        raise ReadingError(
            f"{reading.describe()} is more than this amp has anywhere; {usual:.4g} V is expected. Is it mV?",
            fix="Write the unit the meter showed, like 143 mV", code="too_many_volts", **at,
        )  # fmt: skip
    if reading.probe.quantity == "dc_a" and usual > 0 and reading.value > SLIP[0] * usual:
        raise ReadingError(
            f"{reading.describe()} is too much for this tube; {usual * 1e3:.3g} mA is expected. Is it mA?",
            fix="Write the unit the meter showed, like 34 mA", code="too_many_amps", **at,
        )  # fmt: skip
    one, two = reading.probe.place
    never_negative = reading.probe.quantity == "dc_v" and two == GROUND and one in positive and usual > 1.0
    if never_negative and reading.value < -max(0.5, 0.05 * usual):
        raise ReadingError(
            f"{reading.describe()} is negative; {usual:.4g} V is expected, and no fault makes it negative",
            fix="If the leads were swapped, leave out the minus sign", code="negative", **at,
        )  # fmt: skip


def _asked(reading: Reading, usual: float) -> Iterator[Note]:
    """The question about a value a thousand times off; the value is used as it was written."""
    if reading.value == 0 or not np.isfinite(usual) or usual == 0:
        return
    off = abs(reading.value / usual)
    small, large = {"dc_a": ("mA", "A"), "ohms": ("Ω", "kΩ")}.get(reading.probe.quantity, ("mV", "V"))
    if SLIP[0] < off < SLIP[1]:
        slip = f"1000 times the expected value. Is it {small}?"
    elif SLIP[0] < 1.0 / off < SLIP[1]:
        slip = f"a thousandth of the expected value. Is it {large}?"
    else:
        return
    text = f"{reading.probe} {reading.describe()} is about {slip} It is used as entered."
    yield Note("prefix", reading.probe.place[0], text, line=reading.line)
