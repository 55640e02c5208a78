"""Whether a part goes where the change puts it: base, pins, heater, rectifier limits."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.clipping import RATED_THD
from tubekit.amp.headroom import headroom
from tubekit.amp.parts import Loudspeaker
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.decisions.rating import Finding
from tubekit.devices import catalogue
from tubekit.devices.tube_record import HEATER_TAP, Tube as TubeType, pins_of
from tubekit.errors import TubekitError
from tubekit.units import show

CATALOGUE = "tube catalog"


def check_fit(before: AmpReport, after: AmpReport) -> tuple[Finding, ...]:
    """Check the changed tubes of `after` against their sockets and heater windings."""
    findings: list[Finding] = []
    for name, part in after.amp.parts.items():
        if not isinstance(part, Tube):
            continue
        old = before.amp.parts.get(name)
        drawn = old.types[0] if isinstance(old, Tube) else part.types[0]
        for each in dict.fromkeys(part.types):
            if each != drawn:
                findings += _tube(name, part, catalogue.tube(drawn), catalogue.tube(each))
    return (*findings, *_extrapolated(before, after), *_speakers(before, after))


def _speakers(before: AmpReport, after: AmpReport) -> Iterator[Finding]:
    """A loudspeaker of another nominal impedance on the tap of the old one: load line and power."""
    for name, new in after.amp.parts.items():
        old = before.amp.parts.get(name)
        if not isinstance(new, Loudspeaker) or not isinstance(old, Loudspeaker) or after.amp.batch:
            continue
        ratio = float(np.ravel(np.asarray(new.ohms) / np.asarray(old.ohms))[0])
        if ratio == 1.0:
            continue
        text = (
            f"{name}: {show(new.ohms, 'ohm')} on the tap for {show(old.ohms, 'ohm')}: the output tubes "
            f"see {100 * ratio:.0f} % of the load, {STEEPER if ratio < 1 else FLATTER}"
            f"{_power_words(before, after)}"
        )
        yield Finding("note", name, text, "impedance ratio of a transformer", "speaker_load")


STEEPER = "a steeper load line: more current and plate dissipation under drive"
FLATTER = "a flatter load line: more voltage swing at the plates, more screen current under drive"


def _power_words(before: AmpReport, after: AmpReport) -> str:
    """Output at rated distortion before and after; '' where an amp cannot be driven."""
    try:
        was, now = (headroom(one.amp).rated_w for one in (before, after))
    except TubekitError:
        return ""
    if not np.isfinite([was, now]).all():
        return ""
    return f". Output at {RATED_THD:g} % distortion: {show(was, 'W')} before, {show(now, 'W')} after"


def _extrapolated(before: AmpReport, after: AmpReport) -> Iterator[Finding]:
    """Tubes that the change takes out of the range their law was fitted in."""
    was = {t.section: (t.types, bool(t.outside)) for t in before.solved.tubes}
    for t in after.solved.tubes:
        if t.outside and was.get(t.section) != (t.types, True):
            text = f"beyond the published curves, so these values are estimates: {', '.join(t.outside)}"
            yield Finding("note", t.section, f"{t.section}: {text}", "published curves", "law_range")


def socket_findings(name: str, old: TubeType, new: TubeType) -> Iterator[Finding]:
    """Check base, pins and heater of one type in the socket `name`, wired for another."""
    yield from _socket(name, old, new)
    yield from _heater(name, old, new)


def _tube(name: str, part: Tube, old: TubeType, new: TubeType) -> Iterator[Finding]:
    yield from socket_findings(name, old, new)
    if isinstance(part, RectifierTube):
        yield from _rectifier(name, old, new)


def _socket(name: str, old: TubeType, new: TubeType) -> Iterator[Finding]:
    if new.base != old.base:
        text = f"the {new.type} has a {new.base} base and does not fit the {old.base} socket"
        yield _finding(name, "stop", "base", text)
        return
    moved = [
        f"{terminal} on {_pin(new.pins[terminal])} (was {_pin(old.pins[terminal])})"
        for terminal in new.moved_pins(old)
    ]
    if moved:
        yield _finding(name, "stop", "pins", f"the {new.type} has a different pinout: {', '.join(moved)}")

    yield from _added(name, old, new)


def _added(name: str, old: TubeType, new: TubeType) -> Iterator[Finding]:
    """What the new type has on pins that the old one leaves free, where a socket may hold a tie point."""
    for terminal in new.added_pins(old):
        if terminal not in ADDED:
            continue
        weight, words = ADDED[terminal]
        to, pin = _pin(new.pins.get("cathode", "")) or "the cathode pin", _pin(new.pins[terminal])
        text = words.format(new=new.type, pin=pin, to=to, tie=TIE_POINT.format(old=old.type))
        yield _finding(name, weight, terminal, text)


ADDED = {
    "suppressor": ("stop", "the suppressor grid (G3) of the {new} is on {pin}: connect it to {to}. {tie}"),
    "shell": (
        "note",
        "the metal shell of the {new} is on {pin}: check what is on that pin of the socket. {tie}",
    ),
    "shield": ("note", "the shield of the {new} is on {pin}: ground that pin. {tie}"),
    "internal": (
        "note",
        "the {new} has an internal connection on {pin}: connect nothing to that pin of the socket. {tie}",
    ),
}
TIE_POINT = "The {old} leaves that pin free, so it may be a tie point: first move anything soldered to it"
"""Terminals that a change can add: how grave, and what to do; socket practice from memory."""


def _pin(value: int | str | tuple[int, ...]) -> str:
    """'pin 1', 'pins 2/7' or 'the top cap'; blank for none."""
    pins = [str(pin) for pin in pins_of(value) if pin != ""]
    if pins == ["top cap"]:
        return "the top cap"
    return f"pin{'s' if len(pins) > 1 else ''} {'/'.join(pins)}" if pins else ""


def _heater(name: str, old: TubeType, new: TubeType) -> Iterator[Finding]:
    if not new.heater_amps or not new.heater_volts:
        if old.heater_amps:
            text = f"the {new.type} has no heater: B+ is there at once, before the tubes draw current"
            yield _finding(name, "note", "no_heater", text)
        return
    if not old.heater_amps or not old.heater_volts:
        return
    tapped = [HEATER_TAP in one.pins for one in (old, new)]
    same = old.pins.get("heater") == new.pins.get("heater")
    if tapped[0] != tapped[1] and old.base == new.base and same:
        yield _finding(name, "stop", "heater_tap", TAP_MOVED[tapped[1]].format(old=old.type, new=new.type))
    volts, amps = (show(value, unit) for value, unit in ((new.heater_volts, "V"), (new.heater_amps, "A")))
    if not np.isclose(new.heater_volts, old.heater_volts, rtol=0.03):
        given = show(old.heater_volts, "V")
        yield _finding(
            name, "stop", "heater_v", f"the heater of the {new.type} needs {volts}, the socket gives {given}"
        )
    elif not np.isclose(new.heater_amps, old.heater_amps, rtol=0.02):
        text = f"the {new.type} draws {amps} of heater current ({old.type}: {show(old.heater_amps, 'A')})"
        yield _finding(name, "note", "heater_a", text)


TAP_MOVED = {
    False: "the whole heater of the {new} is between pins 4 and 5. A socket wired for a {old} at 6.3 V has "
    "these two tied together: rewire pins 4, 5 and 9, or the tube stays cold",
    True: "the heater of the {new} needs 12.6 V between pins 4 and 5. A socket wired for a {old} has 6.3 V "
    "there: rewire pins 4, 5 and 9",
}
"""By whether the new type has a tapped heater; noval basings from memory."""


def _rectifier(name: str, old: TubeType, new: TubeType) -> Iterator[Finding]:
    if old.directly_heated is True and new.directly_heated is False:
        yield _finding(name, "note", "warms", f"the {new.type} warms up more slowly, so B+ comes up later")
    if old.directly_heated is False and new.directly_heated is True:
        text = f"the {new.type} conducts before the other tubes are warm, so B+ is higher at first"
        yield _finding(name, "note", "warms", text)


def _finding(part: str, weight: str, code: str, text: str) -> Finding:
    return Finding(weight, part, f"{part}: {text}", CATALOGUE, code)
