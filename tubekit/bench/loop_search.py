"""Where a standby loop is open: joint by joint from the supply to the output stage, and the next probe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import networkx as nx

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.switches import UNUSED
from tubekit.bench.continuity import Continuity, connectors
from tubekit.bench.loop_states import loop_switches
from tubekit.circuit.parts import GROUND
from tubekit.text import Table, headed

OFF = (
    "Unplug the amp. Discharge the filter caps through a resistor and check with a meter. Leave the plugs in "
    "and the standby switch on; then probe for a beep."
)


@dataclass(frozen=True)
class LoopSearch:
    """The loop as a chain: `points` where a probe reaches it, `joints` between them in the same order.

    `low` and `high` bound what may be open: the points up to `low` beep with the first, those from `high` on
    beep with the last.
    """

    points: tuple[str, ...]
    joints: tuple[str, ...]
    low: int
    high: int

    @property
    def next_point(self) -> str:
        """The point that halves what is left; '' where one joint is left."""
        return self.points[(self.low + self.high) // 2] if self.high - self.low > 1 else ""

    @property
    def suspects(self) -> tuple[str, ...]:
        """Joints that may be open."""
        return self.joints[self.low : self.high]

    def sentence(self) -> str:
        """Say what to do next."""
        left = ", ".join(self.suspects)
        if not self.next_point:
            return f"If the circuit is open, it is {left}."
        return (
            f"To find the open point, probe from {self.points[self.low]} to {self.next_point}. If it "
            f"beeps, the "
            f"points between are good; if not, one of them is open. Not tested yet: {left}."
        )

    def tables(self) -> list[Table]:
        """One row per joint, and what to probe next."""
        columns = headed("point", "from", "to", "state")
        rows = [
            (joint, one, two, "not tested" if self.low <= k < self.high else "beeps")
            for k, (joint, (one, two)) in enumerate(zip(self.joints, pairwise(self.points), strict=True))
        ]  # fmt: skip
        return [Table("Standby circuit, point by point", columns, rows, note=f"{OFF} {self.sentence()}")]


def loop_search(amp: Amp, readings: Sequence[Continuity] = ()) -> LoopSearch | None:
    """The chain of joints through the first standby switch; None where there is no such loop.

    Parameters
    ----------
    readings : pairs of pins that beep clear the joints between them.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> search = loop_search(load_amp("fescue"))
    >>> search.joints
    ('P2.7', 'W7', 'P3.7', 'S2', 'P3.8', 'W8', 'P2.8', 'P4.3-4')
    >>> search.points[0], search.next_point, search.points[-1]
    ('B1 (P2.7)', 'standby_out (P3.8)', 'HT (P4.4)')
    """
    switches = loop_switches(amp)
    if not switches:
        return None
    switch = amp.parts[switches[0]]
    assert isinstance(switch, drawn.Switch)
    metal = nx.Graph()
    for one, two, joint in _joints(amp):
        metal.add_edge(one, two, joint=joint)
    metal.remove_nodes_from([GROUND] if GROUND not in switch.ends else [])
    ends = [_far_end(amp, metal, end, other) for end, other in (switch.ends, switch.ends[::-1])]
    if not nx.has_path(metal, *ends):
        return None
    points = nx.shortest_path(metal, *ends)
    joints = tuple(metal.edges[pair]["joint"] for pair in pairwise(points))
    clear = _cleared(amp, joints, readings)
    bad = [k for k, joint in enumerate(joints) if joint not in clear]
    low, high = (bad[0], bad[-1] + 1) if bad else (0, len(joints))
    return LoopSearch(tuple(_where(amp, node) for node in points), joints, low, high)


def _where(amp: Amp, node: str) -> str:
    """A node as a hand finds it: with a pin that it is on."""
    for name, part in connectors(amp).items():
        for side in (part.plug, part.socket):
            if node in side:
                return f"{node} ({name}.{side.index(node) + 1})"
    return node


def _joints(amp: Amp) -> Iterator[tuple[str, str, str]]:
    """Everything that can go open between two nodes: mated pins, straps, wires, switches, fuses."""
    for name, part in amp.parts.items():
        if isinstance(part, drawn.Connector):
            for k, pair in enumerate(zip(part.plug, part.socket, strict=False), 1):
                if UNUSED not in pair:
                    yield *pair, f"{name}.{k}"
            for one, two in part.straps:
                ends = ((part.plug[pin - 1], part.socket[pin - 1]) for pin in (one, two))
                a, b = (own if own != UNUSED else mate for own, mate in ends)
                if UNUSED not in (a, b):
                    yield a, b, f"{name}.{one}-{two}"
        elif isinstance(part, drawn.TwoTerminal) and part.metal and part.condition == "fitted":
            yield part.a, part.b, name


def _far_end(amp: Amp, metal: nx.Graph, end: str, other: str) -> str:
    """The node on one side of the switch that is furthest out, where the rest of the amp begins."""
    side = metal.copy()
    if side.has_edge(end, other):
        side.remove_edge(end, other)
    away = nx.single_source_shortest_path_length(side, end)
    outer = [node for node in away if not all(part.metal for part in amp.parts_at(node))]
    return str(max(outer or [end], key=lambda node: away[node]))


def _cleared(amp: Amp, joints: Sequence[str], readings: Sequence[Continuity]) -> set[str]:
    """Joints between two pins that beep; a wire is between the pins it is soldered to."""
    soldered = {
        node: f"{name}.{k}" for name, part in connectors(amp).items() for k, node in enumerate(part.plug, 1)
        if node != UNUSED
    }  # fmt: skip
    clear: set[str] = set()
    for reading in (one for one in readings if one.beeps):
        for name in joints:
            part = amp.parts.get(name)
            if isinstance(part, drawn.Wire) and {soldered.get(end) for end in part.ends} == set(reading.pair):
                clear.add(name)
        if reading.one.split(".")[0] == reading.two.split(".")[0]:
            pins = sorted(int(pin.split(".")[1]) for pin in reading.pair)
            clear.add(f"{reading.one.split('.')[0]}.{pins[0]}-{pins[1]}")
    return clear
