"""What can kill or burn on this very amp, read from its wiring: said first in every answer about it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

import numpy as np

from tubekit.amp.parts import GROUND, Capacitor, Fuse, Lamp, MainsPlug, Part, Tube
from tubekit.amp.parts.part import Edge
from tubekit.amp.paths import fed_by_supply, reached
from tubekit.errors import Note
from tubekit.units import show

LIVE_CHASSIS = "live_chassis"


def dangers(parts: Mapping[str, Part], mains_rms: float, mains_hz: float) -> Iterator[Note]:
    """Every danger of the wiring, the gravest first; switches count as closed, since hands close them."""
    plug = next((part for part in parts.values() if isinstance(part, MainsPlug)), None)
    if plug is not None:
        yield from _line_side(parts, plug, mains_rms, mains_hz)
    fed = fed_by_supply(parts)
    for part in parts.values():
        wrong = isinstance(part, Capacitor) and part.style == "electrolytic" and part.a == GROUND
        if wrong and part.nodes[-1] in fed and part.condition != "open":
            yield _danger(
                "reversed_electrolytic",
                part,
                f"{part.designator} is BACKWARDS: its negative end is on B+. A reversed electrolytic "
                "fails and may burst.",
            )


def _line_side(
    parts: Mapping[str, Part], plug: MainsPlug, mains_rms: float, mains_hz: float
) -> Iterator[Note]:
    joined = _joined(parts.values())
    line = reached([plug.line, plug.neutral], joined, stops=[GROUND])
    live = GROUND in line
    volts = show(mains_rms, "V")
    if live:
        through = [part.designator for part in parts.values() if _bridges(part, line)]
        by = f" through {' and '.join(through)}" if through else ""
        yield _danger(
            LIVE_CHASSIS,
            plug,
            f"LIVE CHASSIS. The chassis is wired to the power line{by}, with no transformer between: "
            f"every metal part can be at {volts} to ground. Work only behind an isolation transformer. Do "
            "not ground this chassis, and connect no grounded instrument to it.",
        )
    elif any({*pair} & line for part in parts.values() for pair in part.rectifies(as_wired=True)):
        yield _danger(
            "not_isolated",
            plug,
            f"NO ISOLATION. B+ is rectified straight from the power line: every part of it can be at "
            f"{volts} to ground besides its own voltage. Work only behind an isolation transformer.",
        )
    if plug.earth is None:
        yield _danger("no_earth", plug, _two_wires(plug, live))
    if not live:
        for part in parts.values():
            if isinstance(part, Capacitor) and _from_line(part, line):
                amps = 2 * np.pi * mains_hz * float(np.max(part.farads)) * mains_rms
                yield _danger(
                    "line_capacitor",
                    part,
                    f"{part.designator} joins the power line to the chassis: {show(amps, 'A', 2)} flows "
                    "through whoever touches chassis and ground, and the full line voltage is on the "
                    "chassis once it shorts. Take it out, or fit a safety-rated one (class Y).",
                )
    if not _fused(parts, plug):
        yield _danger(
            "no_fuse", plug, "No line fuse on this schematic: a short burns until something else opens."
        )


def _danger(code: str, part: Part, text: str) -> Note:
    return Note(code, part.designator, text, danger=True)


def _from_line(part: Capacitor, line: set[str]) -> bool:
    return part.condition != "open" and GROUND in part.ends and bool({*part.ends} & line)


def _two_wires(plug: MainsPlug, live: bool) -> str:
    if live:
        return (
            f"{plug.designator} has no safety ground, and this chassis must not get one: it is part of the "
            "line circuit."
        )
    return (
        f"{plug.designator} has no safety ground: the old two-wire cord leaves the chassis ungrounded. Fit a "
        "three-wire cord (licensed person where your code says so)."
    )


def _joined(parts: Iterable[Part]) -> list[Edge]:
    """What current can follow without a transformer: conductors, rectifiers, heaters."""
    found: list[Edge] = []
    for part in parts:
        found += [*part.conducts(as_wired=True), *part.rectifies(as_wired=True)]
        if isinstance(part, Tube):
            found += pairwise(part.heater)
    return found


def _bridges(part: Part, line: set[str]) -> bool:
    """Whether a part joins the chassis to the line by itself, at no resistance to speak of."""
    wires = [pair for pair in part.conducts(as_wired=True) if GROUND in pair and {*pair} & (line - {GROUND})]
    return bool(wires) and getattr(part, "ohms", None) is None


def _fused(parts: Mapping[str, Part], plug: MainsPlug) -> bool:
    """Whether no current flows from line to neutral with the fuses out (a pilot lamp's aside)."""
    rest = [p for p in parts.values() if not isinstance(p, Lamp) and _stays(p)]
    return plug.neutral not in reached([plug.line], _joined(rest))


def _stays(part: Part) -> bool:
    """Whether a part is left once good fuses are taken out: a bridged one protects nothing."""
    return not isinstance(part, Fuse) or part.condition == "short"
