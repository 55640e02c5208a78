"""The line side of an amp: what the plug feeds, and whether the chassis is kept apart from it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from tubekit.amp.parts import GROUND, Capacitor, Fuse, Lamp, MainsPlug, Tube
from tubekit.amp.topology import Edge, Topology, edges, reached


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
