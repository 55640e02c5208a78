"""What is joined to what: what rectifiers feed, what the supply holds charged, what is still for signals.

Every answer follows from what the parts themselves say they conduct, couple and rectify; no part kind is
listed here a second time. Values do not count, but for what makes a filter of a capacitor (`LEAST_FILTER_F`).
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from tubekit.amp.parts import (
    GROUND,
    Capacitor,
    MainsPlug,
    OutputTransformer,
    Part,
    PowerTransformer,
    RectifierTube,
    Resistor,
    Section,
    Tube,
)

Edge = tuple[str, str]

LEAST_FILTER_F = 1e-6
"""A smaller capacitor holds no node still [F]; common practice, no source."""
SUPPLIES = {1: "B+", -1: "bias supply"}
"""What a supply is called, by its polarity."""


def edges(parts: Iterable[Part], *, as_wired: bool = False) -> list[Edge]:
    """Every pair of nodes that these parts join at DC."""
    return [pair for part in parts for pair in part.conducts(as_wired=as_wired)]


def reached(starts: Iterable[str], pairs: Iterable[Edge], stops: Iterable[str] = ()) -> dict[str, int]:
    """Steps to every node reached from `starts`; a node of `stops` is reached but not passed through.

    Examples
    --------
    >>> reached(["B1"], [("B1", "B2"), ("B2", "ground"), ("ground", "k1")], stops=["ground"])
    {'B1': 0, 'B2': 1, 'ground': 2}
    """
    beside: dict[str, list[str]] = {}
    for a, b in pairs:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    stop = set(stops)
    steps = dict.fromkeys(starts, 0)
    todo = deque(steps)
    while todo:
        node = todo.popleft()
        if node in stop:
            continue
        for one in beside.get(node, ()):
            if one not in steps:
                steps[one] = steps[node] + 1
                todo.append(one)
    return steps


def sections_of(parts: Mapping[str, Part]) -> tuple[Section, ...]:
    """Every amplifying section, in drawn order."""
    return tuple(s for part in parts.values() if isinstance(part, Tube) for s in part.sections)


def is_large(part: Part) -> bool:
    """Whether a part is a capacitor that holds its ends together for signals."""
    return isinstance(part, Capacitor) and bool(np.max(part.farads) >= LEAST_FILTER_F)


@dataclass(frozen=True)
class Rail:
    """A filter capacitor, the node it holds, its polarity (-1 in a bias supply), steps from the rectifier."""

    capacitor: str
    node: str
    polarity: int
    steps: int

    @property
    def words(self) -> str:
        """Name of the supply that it belongs to."""
        return SUPPLIES[self.polarity]


@dataclass(frozen=True, eq=False)
class Topology:
    """The wiring of an amp, as its switches, plugs and conditions are set; `as_wired` takes all as closed.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> wiring = load_amp("burdock").topology
    >>> [(rail.capacitor, rail.node, rail.words) for rail in wiring.rails][:2]
    [('C11', 'B0', 'B+'), ('C12', 'B2', 'B+')]
    """

    parts: Mapping[str, Part]
    as_wired: bool = False

    @cached_property
    def wired(self) -> Topology:
        """The same with every switch closed, every plug in and every part good."""
        return Topology(self.parts, as_wired=True)

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        """Every amplifying section, in drawn order."""
        return sections_of(self.parts)

    @cached_property
    def leak_biased(self) -> frozenset[str]:
        """Sections whose grid only a leak joins to their own cathode: their grid current sets the bias.

        Examples
        --------
        >>> from tubekit.amp import load_amp
        >>> load_amp("teasel").topology.leak_biased
        frozenset()
        """
        live = {node for one in self.sections for node in (one.plate, one.screen, one.cathode)}
        live |= {*self.fed, *self.delivered}
        result = set()
        for one in self.sections:
            island = reached([one.grid], self._conducting, [one.cathode])
            if one.cathode in island and not (set(island) - {one.cathode}) & live:
                result.add(one.name)
        return frozenset(result)

    def place(self, node: str) -> str:
        """A node as a hand finds it: 'V3, V4 cathode (k34)' at a tube; of B+ and elsewhere its own name."""
        return self._places.get(node, node)

    @cached_property
    def _places(self) -> dict[str, str]:
        held: dict[tuple[str, str], list[str]] = {}
        for section in self.sections:
            for electrode in ("plate", "cathode", "grid", "screen"):
                node = getattr(section, electrode)
                if node not in (None, GROUND):
                    held.setdefault((node, electrode), []).append(section.name)
        result: dict[str, list[str]] = {}
        for (node, electrode), names in held.items():
            result.setdefault(node, []).append(f"{', '.join(names)} {electrode}")
        rails = {rail.node for rail in self.wired.rails}
        return {n: f"{'; '.join(words)} ({n})" for n, words in result.items() if n not in rails}

    @cached_property
    def cathodes(self) -> frozenset[str]:
        """Nodes of cathodes of amplifying sections, ground left out."""
        return frozenset(s.cathode for s in self.sections) - {GROUND}

    @cached_property
    def metal(self) -> tuple[Edge, ...]:
        """Pairs of nodes that are one piece of metal: wires, closed contacts, fuses, shorted parts."""
        joining = (p for p in self.parts.values() if p.metal or p.condition == "short")
        return tuple(edges(joining, as_wired=self.as_wired))

    @cached_property
    def _conducting(self) -> tuple[Edge, ...]:
        return tuple(edges(self.parts.values(), as_wired=self.as_wired))

    @cached_property
    def rectifiers(self) -> tuple[tuple[str, str, str], ...]:
        """(designator, anode, cathode) of every path that conducts one way only."""
        return tuple(
            (name, anode, cathode)
            for name, part in self.parts.items()
            for anode, cathode in part.rectifies(as_wired=self.as_wired)
        )

    # ---- what is fed

    @cached_property
    def _still(self) -> dict[str, int]:
        """Nodes that large capacitors tie to ground, straight or stacked, with the capacitors in between."""
        large = (p for p in self.parts.values() if is_large(p) and (p.condition == "fitted" or self.as_wired))
        return reached([GROUND], [(part.nodes[0], part.nodes[1]) for part in large])

    @cached_property
    def _alternating(self) -> set[str]:
        """Nodes that follow a winding of the power transformer, or the line."""
        sources = {
            node for part in self.parts.values() if isinstance(part, PowerTransformer) for node in part.nodes
        }
        sources |= {n for p in self.parts.values() if isinstance(p, MainsPlug) for n in (p.line, p.neutral)}
        pairs = [pair for part in self.parts.values() for pair in part.couples()]
        return set(reached(sources - set(self._still), pairs, stops=self._still)) - set(self._still)

    @cached_property
    def delivered(self) -> dict[str, int]:
        """Nodes that rectifiers deliver to: +1 (B+) or -1 (a negative supply, such as a bias supply)."""
        result: dict[str, int] = {}
        chained: list[Edge] = []
        fed_by_swinging: list[tuple[str, str, int]] = []
        for name, anode, cathode in self.rectifiers:
            ends = (anode in self._alternating, cathode in self._alternating)
            if GROUND in (anode, cathode):  # in the return leg: the winding itself is lifted
                if any(ends):
                    result.setdefault(*((cathode, 1) if anode == GROUND else (anode, -1)))
            elif any(ends) or isinstance(self.parts[name], RectifierTube):
                fed_by_swinging.append((anode, cathode, -1) if ends == (False, True) else (cathode, anode, 1))
            else:
                chained.append((anode, cathode))
        # in a multiplier a node has a rectifier on either side: the one nearer to the clamp feeds it
        for node, _, sign in sorted(fed_by_swinging, key=lambda one: result.get(one[1]) != one[2]):
            result.setdefault(node, sign)
        for _ in chained:  # rectifiers in series: the next one hands on what the one before delivers
            fed = self._spread(result)
            plus = [cathode for anode, cathode in chained if fed.get(anode) == 1]
            minus = [anode for anode, cathode in chained if fed.get(anode) != 1 and fed.get(cathode) == -1]
            result = {**dict.fromkeys(minus, -1), **dict.fromkeys(plus, 1), **result}
        return result

    @cached_property
    def returned(self) -> tuple[str, ...]:
        """Taps of windings that feed rectifiers and come back to ground through a resistor: back bias."""
        rectified = {node for _, *ends in self.rectifiers for node in ends}
        resistors = [part.nodes for part in self.parts.values() if isinstance(part, Resistor)]
        pairs = [(nodes[0], nodes[1]) for nodes in resistors]
        taps = [
            tap for part in self.parts.values() if isinstance(part, PowerTransformer)
            for coil in part.windings[1:] if rectified & {*coil.taps} for tap in coil.taps
            if tap not in rectified and tap != GROUND
        ]  # fmt: skip
        return tuple(tap for tap in dict.fromkeys(taps) if GROUND in reached([tap], pairs))

    @cached_property
    def fed(self) -> dict[str, int]:
        """Nodes with a DC path to where a rectifier delivers, not through ground: +1 or -1 by the nearest."""
        return self._spread(self.delivered)

    def _spread(self, delivered: Mapping[str, int]) -> dict[str, int]:
        steps = [
            (sign, reached([n for n, one in delivered.items() if one == sign], self._conducting, [GROUND]))
            for sign in (1, -1)
        ]
        (_, plus), (_, minus) = steps
        far = len(plus) + len(minus)
        return {
            node: 1 if plus.get(node, far) <= minus.get(node, far) else -1
            for node in (*plus, *minus) if node != GROUND
        }  # fmt: skip

    def polarity(self, node: str) -> int:
        """+1 on B+, -1 on a negative supply, 0 where no rectifier feeds."""
        return self.fed.get(node, 0)

    def supplied(self, without: str = "") -> set[str]:
        """Nodes that B+ reaches, through stacked tubes too, not through section `without`."""
        plus = [node for node, sign in self.fed.items() if sign > 0]
        pairs = [(one.plate, one.cathode) for one in self.sections if one.name != without]
        return set(reached(plus, [*self._conducting, *pairs], stops=[GROUND])) - {GROUND}

    # ---- what belongs to the supply

    @cached_property
    def at_rectifiers(self) -> frozenset[str]:
        """Rectifiers' own nodes, those of the windings they are on, and ground."""
        own = {node for _, *pair in self.rectifiers for node in pair}
        windings = [
            set(one.taps) for part in self.parts.values() if isinstance(part, PowerTransformer)
            for one in part.windings[1:]
        ]  # fmt: skip
        return frozenset(own.union({GROUND}, *(taps for taps in windings if taps & own)))

    @cached_property
    def charged(self) -> tuple[str, ...]:
        """Fitted capacitors that the supply charges, the nearest to the rectifier first.

        Small ones at a rectifier or from a fed node to ground are among them, and each of a stack.
        """
        inside = set(self.fed) | self.at_rectifiers
        result = [
            part for part in self.parts.values()
            if isinstance(part, Capacitor) and part.condition == "fitted" and set(part.ends) <= inside
            and (set(part.ends) & self.at_rectifiers or set(part.ends) <= set(self._still))
        ]  # fmt: skip
        far = len(self._trunk)
        return tuple(
            part.designator
            for part in sorted(result, key=lambda p: self._order(self.held_end(p), far, self._trunk))
        )

    def _order(self, node: str, far: int, steps: Mapping[str, int]) -> tuple[int, int]:
        return -self.polarity(node), steps.get(node, far)

    def held_end_of(self, capacitor: str) -> str:
        """The end that a capacitor, by its designator, holds up."""
        part = self.parts[capacitor]
        assert isinstance(part, Capacitor)
        return self.held_end(part)

    def held_end(self, part: Capacitor) -> str:
        """The end of a capacitor that it holds up: not ground, and of a stacked one the far end."""
        ends = [node for node in part.ends if node != GROUND]
        return max(ends, key=lambda node: (node in self.fed, self._still.get(node, 0)))

    @cached_property
    def not_followed(self) -> tuple[str, ...]:
        """Large capacitors that are not in `charged` though some way leads to them: treat as charged."""
        return tuple(
            name for name, part in self.parts.items()
            if is_large(part) and part.condition == "fitted" and name not in self.charged
            and set(part.nodes) & (set(self.fed) | set(self.wired.fed)) - self.cathodes
        )  # fmt: skip

    @cached_property
    def _trunk(self) -> dict[str, int]:
        """Steps from the rectifiers along the supply, not through an electrode that no capacitor holds."""
        electrodes = {node for s in self.sections for node in (s.plate, s.screen, s.grid, s.cathode)}
        stops = {node for node in electrodes if node is not None and node not in self._still}
        return reached(self.delivered, self._conducting, stops=stops | self.cathodes | {GROUND})

    @cached_property
    def rails(self) -> tuple[Rail, ...]:
        """Filter capacitors of B+ in order from the rectifier, then those of negative supplies.

        In a multiplier the capacitors that feed another rectifier come after those of B+.
        """
        swinging = {node for s in self.sections for node in (s.plate, s.grid)} - set(self._still)
        result = []
        for name in self.charged:
            node = self.held_end_of(name)
            if node in self._trunk and node not in swinging | self.cathodes and node in self.fed:
                result.append(Rail(name, node, self.fed[node], self._trunk[node]))
        onward = {anode for _, anode, _ in self.rectifiers}
        return tuple(
            sorted(result, key=lambda rail: (rail.polarity < 0, rail.polarity > 0 and rail.node in onward))
        )

    @cached_property
    def supply(self) -> frozenset[str]:
        """Nodes from the plug to the last filter capacitor, heaters included.

        Dead ends are left out: a grid leak leads from the bias supply to a stage, not to another rail.
        """
        sections = [node for s in self.sections for node in (s.plate, s.screen, s.grid, s.cathode)]
        still = set(self._still) - self.cathodes
        stops = {node for node in sections if node is not None and node not in still} | {GROUND}
        parts = [part for part in self.parts.values() if not isinstance(part, OutputTransformer)]
        pairs = [
            pair for part in parts for pair in (*part.conducts(as_wired=True), *part.rectifies(as_wired=True))
        ]
        pairs += [pair for part in parts if isinstance(part, Tube) for pair in pairwise(part.heater)]
        anchored = (set(self.held) | still) - {GROUND}
        kept = set(reached(anchored - still, pairs, stops)) - stops
        while True:
            ways = Counter(end for a, b in pairs if {a, b} <= kept | {GROUND} for end in (a, b))
            dead = {node for node in kept - anchored if ways[node] < 2}
            if not dead:
                return frozenset(kept)
            kept -= dead

    @cached_property
    def heaters(self) -> frozenset[str]:
        """Nodes of the heaters of amplifying tubes, ground left out."""
        tubes = [part for part in self.parts.values() if isinstance(part, Tube) and part.sections]
        own = {node for tube in tubes for node in tube.heater_leads} - {GROUND}
        return frozenset(reached(own, self.wired.metal, stops=[GROUND])) - {GROUND}

    def output_of(self, rectifier: str) -> str | None:
        """Node that a rectifier delivers to; None where it feeds nothing."""
        ends = [node for name, *pair in self.rectifiers if name == rectifier for node in reversed(pair)]
        return next((node for node in ends if node in self.delivered), None)

    def reservoir(self, rectifier: str) -> tuple[str, ...]:
        """Capacitors straight behind a rectifier: nothing but metal (a standby switch, a fuse) is between."""
        start = self.output_of(rectifier)
        if start is None:
            return ()
        lifted = any({start} & set(pair) for pair in self._windings)  # by a rectifier in the return leg
        joined = set(reached([start], [*self.metal, *(self._windings if lifted else ())], [GROUND]))
        return tuple(name for name in self.charged if self.held_end_of(name) in joined)

    @cached_property
    def _windings(self) -> tuple[Edge, ...]:
        return tuple(edges(p for p in self.parts.values() if isinstance(p, PowerTransformer)))

    # ---- what is still for signals

    @cached_property
    def held(self) -> frozenset[str]:
        """Ground, line, power transformer and rectifiers, and every node that a filter capacitor holds."""
        nodes = {GROUND} | {node for _, *pair in self.rectifiers for node in pair}
        for part in self.parts.values():
            if isinstance(part, PowerTransformer | MainsPlug):
                nodes |= set(part.nodes)
            elif isinstance(part, RectifierTube):
                nodes |= set(part.heater)
        return frozenset(nodes | (set(self._still) & set(self.fed)))

    @cached_property
    def bypassed(self) -> frozenset[str]:
        """Nodes that large capacitors tie to ground, cathodes among them."""
        return frozenset(self._still)

    # ---- paths

    def grounded(self, without: str = "") -> set[str]:
        """Nodes with a DC path to ground; tubes count as paths (stacked stages), not section `without`."""
        pairs = list(self._conducting) + [(anode, cathode) for _, anode, cathode in self.rectifiers]
        pairs += [(one.plate, one.cathode) for one in self.sections if one.name != without]
        return set(reached([GROUND], pairs))


def reservoir_farads(topology: Topology, parts: Mapping[str, Part], rectifier: str) -> float | np.ndarray:
    """Capacitance that a rectifier charges straight away, of stacked capacitors in series [F].

    `parts` are those of the amp itself: a topology is shared with the amp it was changed from.
    """
    return sum((_farads(topology, parts, name) for name in topology.reservoir(rectifier)), np.asarray(0.0))


def _farads(topology: Topology, parts: Mapping[str, Part], name: str) -> np.ndarray:
    part = parts[name]
    assert isinstance(part, Capacitor)
    own, top = np.asarray(part.farads, float), topology.held_end(part)
    foot = part.a if part.b == top else part.b
    if foot in topology.at_rectifiers:
        return own
    below = [_farads(topology, parts, one) for one in topology.charged if topology.held_end_of(one) == foot]
    return np.asarray(1.0 / (1.0 / own + 1.0 / sum(below))) if below else own


def same_wiring(one: Mapping[str, Part], other: Mapping[str, Part]) -> bool:
    """Whether two sets of parts have one topology: only values, types and settings of no effect differ."""
    if one.keys() != other.keys():
        return False
    return all(part is other[name] or _wiring(part) == _wiring(other[name]) for name, part in one.items())


def _wiring(part: Part) -> tuple[object, ...]:
    return (
        type(part), part.condition, part.terminals, tuple(part.conducts()), tuple(part.couples()),
        tuple(part.rectifies()), is_large(part),
    )  # fmt: skip
