"""What can kill or burn on this very amp, read from its wiring: said first in every answer about it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from tubekit.amp.parts import GROUND, Capacitor, Fuse, Lamp, MainsPlug, Part, Switch, Tube, TwoTerminal
from tubekit.amp.topology import Edge, Topology, edges, reached
from tubekit.errors import Note
from tubekit.units import show


@dataclass(frozen=True, eq=False)
class LineSide:
    """The line side, every switch taken as closed: a switch that is off makes nothing safe.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> side = load_amp("teasel").line_side
    >>> side.fuses, side.live_chassis, side.safety_ground
    (('F1',), False, True)
    """

    topology: Topology

    @cached_property
    def plug(self) -> MainsPlug | None:
        """Plug where the line enters."""
        parts = self.topology.parts.values()
        return next((part for part in parts if isinstance(part, MainsPlug)), None)

    @cached_property
    def nodes(self) -> frozenset[str]:
        """Every node that conducts to line or neutral, ground left out."""
        if self.plug is None:
            return frozenset()
        pairs = edges(self.topology.parts.values(), as_wired=True)
        return frozenset(reached([self.plug.line, self.plug.neutral], pairs, stops=[GROUND])) - {GROUND}

    @cached_property
    def chassis(self) -> frozenset[str]:
        """Ground and all that is one piece of metal with it."""
        return frozenset(reached([GROUND], self.topology.wired.metal))

    @cached_property
    def fuses(self) -> tuple[str, ...]:
        """Fuses on the line side."""
        inside = self.nodes | {GROUND}
        return tuple(
            name for name, part in self.topology.parts.items()
            if isinstance(part, Fuse) and part.condition != "short" and set(part.ends) <= inside
        )  # fmt: skip

    @cached_property
    def safety_ground(self) -> bool:
        """Whether the plug's safety ground is joined to the chassis."""
        return self.plug is not None and self.plug.earth is not None and self.plug.earth in self.chassis

    @cached_property
    def _leading(self) -> dict[str, list[Edge]]:
        """Pairs that current can follow without a transformer, by part: conductors, rectifiers, heaters."""
        return {
            name: [
                *part.conducts(as_wired=True), *part.rectifies(as_wired=True),
                *(pairwise(part.heater) if isinstance(part, Tube) else ()),
            ]
            for name, part in self.topology.parts.items()
        }  # fmt: skip

    @cached_property
    def joined_by(self) -> tuple[str, ...] | None:
        """The shortest way from the line cord to the chassis, part by part; None where it is isolated."""
        if self.plug is None:
            return None
        beside: dict[str, list[tuple[str, str]]] = {}
        for name, pairs in self._leading.items():
            for a, b in pairs:
                beside.setdefault(a, []).append((b, name))
                beside.setdefault(b, []).append((a, name))
        ways: dict[str, tuple[str, ...]] = {self.plug.neutral: (), self.plug.line: ()}
        todo = deque(ways)
        while todo and GROUND not in ways:
            node = todo.popleft()
            for other, name in beside.get(node, ()):
                if other not in ways:
                    ways[other] = tuple(dict.fromkeys((*ways[node], name)))
                    todo.append(other)
        return ways.get(GROUND)

    @cached_property
    def rectified(self) -> bool:
        """Whether a rectifier is fed straight from the line."""
        return any({anode, cathode} & self.nodes for _, anode, cathode in self.topology.wired.rectifiers)

    @cached_property
    def fused(self) -> bool:
        """Whether no current flows from line to neutral with the fuses out (a pilot lamp's aside)."""
        if self.plug is None:
            return True
        parts = self.topology.parts
        left = [
            pair for name, pairs in self._leading.items() for pair in pairs
            if not isinstance(parts[name], Lamp | Fuse) or parts[name].condition == "short"
        ]  # fmt: skip
        return self.plug.neutral not in reached([self.plug.line], left)

    @property
    def live_chassis(self) -> bool:
        """Whether something conducts from the line to the chassis."""
        return self.joined_by is not None

    @cached_property
    def capacitors_to_chassis(self) -> tuple[str, ...]:
        """Fitted capacitors from the line side to the chassis."""
        return tuple(
            name for name, part in self.topology.parts.items()
            if isinstance(part, Capacitor) and part.condition != "open"
            and set(part.ends) & self.nodes and set(part.ends) & self.chassis
        )  # fmt: skip

    @cached_property
    def words(self) -> str:
        """What is right on the line side and, where a fuse or a switch is in the neutral, what is not."""
        if self.plug is None or self.live_chassis:
            return ""
        parts = self.topology.parts.values()
        joined = [p for p in parts if isinstance(p, TwoTerminal) and not isinstance(p, Lamp)]
        pairs, (line, neutral) = edges(joined, as_wired=True), (self.plug.line, self.plug.neutral)
        hot = reached([line], pairs, stops=[GROUND, neutral])
        cold = reached([neutral], pairs, stops=[GROUND, line])
        switches = [p for p in joined if isinstance(p, Switch) and set(p.ends) <= self.nodes]
        fuses = [p for p in joined if p.designator in self.fuses]
        right, wrong = [], []
        for one in (*fuses, *switches):
            if set(one.ends) <= set(cold) - {line}:
                wrong.append(f"{one.designator} is in the neutral lead: with it open the amp is still live")
            elif one in fuses and set(one.ends) <= set(hot):
                far = max(hot[end] for end in one.ends)
                later = [s.designator for s in switches if all(hot.get(end, -1) >= far for end in s.ends)]
                before = f" before {', '.join(later)}" if later else ""
                right.append(f"{one.designator} in the hot lead{before}")
        right += ["three-wire cord"] if self.safety_ground else []
        right += [] if self.capacitors_to_chassis else ["no capacitor from line to chassis"]
        good = f"{', '.join(right)}: right." if right else ""
        return " ".join(["Line side:", *(f"{each}." for each in wrong), good]).rstrip()


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
                f"{part.designator} is BACKWARDS: {where}. A reversed electrolytic heats up, vents, and may "
                "burst.",
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
