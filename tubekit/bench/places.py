"""From the place and the words of a reading to a probe of the amp."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.circuit.parts import GROUND
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import QUANTITIES, MeterValues, Probe, meter_values
from tubekit.decisions.reading import Reading, Readings
from tubekit.errors import Note, ReadingError, SolveError, near_matches

WORDS: Mapping[str, str] = {q.words.lower(): code for code, q in QUANTITIES.items()} | {
    "dc": "dc_v", "volts dc": "dc_v", "ac": "ac_rms_v", "volts ac": "ac_rms_v", "ripple": "ripple_pp_v",
    "ohms": "ohms", "signal rms": "signal_rms_v", "dc current": "dc_a", **{code: code for code in QUANTITIES},
}  # fmt: skip
TERMINALS = ("cathode", "plate", "screen", "grid")
SHORT = {
    "k": "cathode", "p": "plate", "a": "plate", "s": "screen", "g2": "screen", "g": "grid", "g1": "grid",
}  # fmt: skip
"""One letter for an electrode, as 'V3.k'."""
PART_FIELDS = {"ohms": "ohms", "farads": "farads", "emission": "emission"}


def quantity_of(words: object, where: str, part: str) -> str:
    """The quantity that words of a list mean.

    Raises
    ------
    ReadingError : none of the quantities (near matches listed).
    """
    text = " ".join(str(words).split()).lower()
    if text in WORDS:
        return WORDS[text]
    lines = [q.words for q in QUANTITIES.values()]
    raise ReadingError(
        f"unknown quantity '{str(words)[:40]}'", where=where, part=part,
        fix=f"Write one of {', '.join(lines)}", near=near_matches(text, lines),
    )  # fmt: skip


def plainly(place: str, words: str) -> tuple[str, str]:
    """Place and quantity as lists have them, from those of an answer: it says 'plate current' of a tube.

    Examples
    --------
    >>> plainly("V6", "plate current"), plainly("V6 screen", "current"), plainly("B1", "DC volts")
    (('V6 plate', 'current'), ('V6 screen', 'current'), ('B1', 'DC volts'))
    """
    terminal, _, what = " ".join(words.split()).lower().partition(" ")
    if what != "current" or terminal not in TERMINALS:
        return place, words
    named = place.lower().endswith(terminal) or "." in place
    return place if named else f"{place} {terminal}", what


def part_measured(amp: Amp, place: str, code: str) -> bool:
    """Whether this is a part by itself (a lead lifted, out of its socket), not a place in the circuit."""
    return place in amp.parts and code in PART_FIELDS


def electrodes(amp: Amp) -> dict[str, str]:
    """'V1a plate' to its node, for every section of every tube.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> electrodes(load_amp("teasel"))["V1a plate"]
    'p1a'
    """
    return {
        f"{section.name} {terminal}": str(node)
        for section in amp.topology.sections
        for terminal in ("plate", "screen", "grid", "cathode")
        if (node := getattr(section, terminal)) not in (None, GROUND)
    }  # fmt: skip


def electrode(words: str) -> str:
    """An electrode as `electrodes` names it, however it was typed.

    Examples
    --------
    >>> electrode("v1A Plate"), electrode("V3.k"), electrode("V3 g2")
    ('V1a plate', 'V3 cathode', 'V3 screen')
    """
    name, _, terminal = words.replace(".", " ").partition(" ")
    terminal = terminal.strip().lower()
    return f"{name[:1].upper()}{name[1:].lower()} {SHORT.get(terminal, terminal)}"


def probe_of(amp: Amp, place: str, code: str, where: str, part: str) -> Probe:
    """The probe at a place: a node, 'B1 to B2', a test point, a part (across its two ends), 'V3.k', a tube.

    Raises
    ------
    ReadingError : no such node, part or tube (near matches listed).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> amp = load_amp("teasel")
    >>> print(probe_of(amp, "TP13", "dc_v", "", ""), "|", probe_of(amp, "V3 screen", "dc_a", "", ""))
    DC volts, B1 to B2 | screen current of V3
    """
    if code == "dc_a":
        return Probe(code, _electrode(amp, place, where, part))
    ends = _nodes(amp, place)
    for node in ends:
        if node != GROUND and node not in amp.nodes:
            raise ReadingError(
                f"nothing in {amp.title} is called '{node[:40]}'", where=where, part=part,
                fix="Write a point of the schematic, 'B1 to B2', a test point, or a part with two ends",
                near=near_matches(node, (*amp.nodes, *amp.test_points, *amp.parts)),
            )  # fmt: skip
    if ends[0] == ends[1]:
        raise ReadingError(
            f"both leads are on '{ends[0]}'", where=where, part=part, fix="Name two points: 'B1 to B2'"
        )
    return Probe(code, ends)


def _nodes(amp: Amp, place: str) -> tuple[str, str]:
    if place in amp.nodes:
        return place, GROUND
    if place in amp.test_points:
        nodes = amp.test_points[place].nodes
        return nodes[0], nodes[1] if len(nodes) > 1 else GROUND
    result = amp.parts.get(place)
    if isinstance(result, drawn.TwoTerminal):
        return result.a, result.b
    one, to, two = place.partition(" to ")
    known = electrodes(amp)
    ends = [known.get(end) or known.get(electrode(end), end) for end in (one.strip(), two.strip())]
    return ends[0], (ends[1] or GROUND) if to else GROUND


def _electrode(amp: Amp, place: str, where: str, part: str) -> tuple[str, str]:
    words = place.split()
    sections = [section.name for section in amp.topology.sections]
    if words and words[0] not in sections:
        words = electrode(place).split()
    terminal = words[1].lower() if len(words) > 1 else "cathode"
    if words and words[0] in sections and terminal in TERMINALS and len(words) <= 2:
        return words[0], terminal
    raise ReadingError(
        f"'{place[:40]}' is not a tube section whose current you can measure", where=where, part=part,
        fix=f"Write a section ({', '.join(sections)}), then plate, screen or cathode",
        near=near_matches(words[0] if words else "", sections),
    )  # fmt: skip


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
    cathodes = {s.cathode for s in readings.amp.topology.sections}
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
