"""What can kill or burn on this very amp, read from its wiring: said first in every answer about it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tubekit.amp.line_side import LineSide
from tubekit.amp.parts import GROUND, Capacitor, MainsPlug, Part
from tubekit.errors import Note
from tubekit.units import show

LIVE_CHASSIS, NOT_ISOLATED = "live_chassis", "not_isolated"


def dangers(side: LineSide, mains_rms: float, mains_hz: float) -> Iterator[Note]:
    """Every danger of the wiring, the gravest first; switches count as closed, since hands close them."""
    if side.plug is not None:
        yield from _line_side(side, side.plug, mains_rms, mains_hz)
    for part in side.topology.parts.values():
        electrolytic = isinstance(part, Capacitor) and part.style == "electrolytic"
        if not electrolytic or part.condition == "open" or GROUND not in part.nodes:
            continue
        sign = -1 if part.nodes[0] == GROUND else 1
        hot = part.nodes[-1] if sign < 0 else part.nodes[0]
        if side.topology.polarity(hot) == -sign:
            where = "its negative end is on B+" if sign < 0 else "its positive end is on a negative supply"
            yield _danger(
                "reversed_electrolytic",
                part,
                f"{part.designator} is BACKWARDS: {where}. A reversed electrolytic fails and may burst.",
            )


def _line_side(side: LineSide, plug: MainsPlug, mains_rms: float, mains_hz: float) -> Iterator[Note]:
    volts = show(mains_rms, "V")
    if side.joined_by is not None:
        by = f" through {' and '.join(side.joined_by)}" if side.joined_by else ""
        yield _danger(
            LIVE_CHASSIS,
            plug,
            f"LIVE CHASSIS. The chassis is wired to the power line{by}, with no transformer between: "
            f"every metal part can be at {volts} to ground. Work only behind an isolation transformer. Do "
            "not ground this chassis, and connect no grounded instrument to it.",
        )
    elif side.rectified:
        yield _danger(
            NOT_ISOLATED,
            plug,
            f"NO ISOLATION. B+ is rectified straight from the power line: every part of it can be at "
            f"{volts} to ground in addition to its DC voltage. Work only behind an isolation transformer.",
        )
    if not side.safety_ground:
        yield _danger("no_earth", plug, _two_wires(plug, side.live_chassis))
    if not side.live_chassis:
        for name in side.capacitors_to_chassis:
            part = side.topology.parts[name]
            amps = 2 * np.pi * mains_hz * float(np.max(getattr(part, "farads"))) * mains_rms  # noqa: B009
            yield _danger(
                "line_capacitor",
                part,
                f"{name} joins the power line to the chassis: {show(amps, 'A', 2)} flows "
                "through anyone who touches chassis and ground, and the full line voltage is on the "
                "chassis once it shorts. Take it out, or fit a safety-rated one (class Y).",
            )
    if not side.fused:
        yield _danger(
            "no_fuse", plug, "No line fuse on this schematic: a short burns until something else opens."
        )


def _danger(code: str, part: Part, text: str) -> Note:
    return Note(code, part.designator, text, danger=True)


def _two_wires(plug: MainsPlug, live: bool) -> str:
    if live:
        return (
            f"{plug.designator} has no safety ground, and this chassis must not get one: it is part of the "
            "line circuit."
        )
    return (
        f"{plug.designator} has no safety ground: the old two-wire cord leaves the chassis ungrounded. "
        f"Install a "
        "three-wire cord (licensed person where your code says so)."
    )
