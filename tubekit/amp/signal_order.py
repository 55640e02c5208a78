"""The order in which a signal passes through an amp: sections and nodes, from a jack to the speaker."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from heapq import heappop, heappush
from itertools import count

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import sections, tubes
from tubekit.amp.parts import (
    GROUND,
    Jack,
    Loudspeaker,
    OutputTransformer,
    Part,
    Potentiometer,
    Resistor,
    Section,
    input_jacks,
)
from tubekit.amp.topology import Topology, edges, is_large, reached
from tubekit.errors import ChangeError

Output = Loudspeaker | Jack
ALIKE = 0.5
"""Output stages with at least this share of the plate dissipation of the largest are channels beside it."""
STOPPER_OHMS = 1e3
"""A resistor up to this is a stopper in a plate's lead [Ω]; common practice, no source."""


def outputs(parts: Mapping[str, Part]) -> list[Output]:
    """Outputs, where the signal leaves: the fitted loudspeakers; in an amp without any, its output jacks."""
    fitted = [part for part in parts.values() if part.condition == "fitted"]
    speakers = [part for part in fitted if isinstance(part, Loudspeaker)]
    return [*speakers] or [part for part in fitted if isinstance(part, Jack) and part.direction == "output"]


def output_of(amp: Amp, near: Container[str]) -> Output:
    """Output that the signal leaves by: the speaker of the largest output stage, else an output jack.

    `near` are the nodes that the signal reaches: an output there comes first.

    Raises
    ------
    ChangeError : there is none.
    """
    for part in outputs_of(amp, near):
        return part
    raise ChangeError(
        "no speaker is connected: the output stage must not be driven without a load", where=amp.name,
        fix="Connect the speaker, or add [LS1] with its nodes and ohms (for a preamp, an output jack)",
    )  # fmt: skip


def outputs_of(amp: Amp, near: Container[str] = ()) -> Iterator[Output]:
    """The outputs: those at the nodes `near` first, of them that of the largest output stage.

    The coil of a reverb is no loudspeaker.
    """
    driven = _driven_nodes(amp)

    def rank(part: Output) -> tuple[bool, float]:
        own = {part.a, part.b} - {GROUND}
        watts = max((each for nodes, each in driven if own & nodes), default=0.0)
        return not any(node in near for node in own), -watts

    yield from sorted(outputs(amp.parts), key=rank)


def speakers(amp: Amp) -> Iterator[Loudspeaker]:
    """The fitted loudspeakers, that of the largest output stage first."""
    yield from (part for part in outputs_of(amp) if isinstance(part, Loudspeaker))


def load_of(amp: Amp, speaker: Loudspeaker) -> tuple[Loudspeaker, ...]:
    """The loudspeakers that load the same output transformer as `speaker`, that one first."""
    ends = {speaker.a, speaker.b} - {GROUND}
    nodes = next((nodes for nodes, _ in _driven_nodes(amp) if ends & nodes), ends)
    others = (
        one
        for one in speakers(amp)
        if one.designator != speaker.designator and {one.a, one.b} & nodes - {GROUND}
    )
    return (speaker, *others)


def in_parallel(load: tuple[Loudspeaker, ...]) -> tuple[Loudspeaker, ...]:
    """Those of a load between the same two nodes as its first."""
    ends = {load[0].a, load[0].b}
    return tuple(one for one in load if {one.a, one.b} == ends)


def _driven_nodes(amp: Amp) -> list[tuple[set[str], float]]:
    """Of each output transformer: the nodes that its windings reach through metal, and the plates' watts."""
    wires = edges([p for p in amp.parts.values() if not isinstance(p, Resistor | OutputTransformer)])
    return [
        (set(reached(set(part.nodes) - {GROUND}, wires, stops=[GROUND])), _plate_watts(amp, part))
        for part in amp.parts.values() if isinstance(part, OutputTransformer)
    ]  # fmt: skip


def output_transformer(amp: Amp) -> OutputTransformer | None:
    """Transformer of the largest output stage, a reverb driver's left out; None where there is none."""
    result = [part for part in amp.parts.values() if isinstance(part, OutputTransformer)]
    return max(result, key=lambda part: _plate_watts(amp, part), default=None)


def output_sections(amp: Amp) -> tuple[Section, ...]:
    """Sections of the fitted tubes whose plates feed the transformer of the largest output stage."""
    output = output_transformer(amp)
    plates = set() if output is None else primary_nodes(amp, output)
    return tuple(section for section in sections(amp) if section.plate in plates)


def power_sections(amp: Amp) -> tuple[Section, ...]:
    """Those of every output stage about as large as the largest: both channels of a stereo amp."""
    stages = [part for part in amp.parts.values() if isinstance(part, OutputTransformer)]
    watts = [_plate_watts(amp, part) for part in stages]
    plates: set[str] = set()
    for part, each in zip(stages, watts, strict=True):
        if each >= ALIKE * max(watts):
            plates |= primary_nodes(amp, part)
    return tuple(section for section in sections(amp) if section.plate in plates)


def primary_nodes(amp: Amp, part: OutputTransformer) -> set[str]:
    """Taps of its primary, and what metal, a plate stopper or a large capacitor (parafeed) joins to them."""
    joining = [
        (one.nodes[0], one.nodes[1]) for one in amp.parts.values()
        if is_large(one) or (isinstance(one, Resistor) and np.max(one.ohms) <= STOPPER_OHMS)
    ]  # fmt: skip
    return set(reached(part.primary.taps, [*joining, *amp.topology.metal], stops=amp.topology.held))


def _plate_watts(amp: Amp, part: OutputTransformer) -> float:
    """Rated plate dissipation of the tubes on its primary [W]."""
    rated, plates = 0.0, primary_nodes(amp, part)
    for tube in tubes(amp):
        for section in tube.sections:
            if section.plate in plates:
                rated += tube.system(section).ratings.plate_w or 0.0
    return rated


BY_CATHODE = 3.0
"""What it costs to enter a section by its cathode: the grid is the rule."""
SMALL_OHMS = 1000.0
"""A resistor costs more by its decades above this, so that the way does not lead through grid leaks [Ω]."""
DIGITS = 6
"""Ways whose costs agree to this many digits are of one length; the drawing's order then decides."""
Vertex = tuple[str, str]  # ("node", its name) or ("section", its name)
Graph = dict[Vertex, dict[Vertex, float]]  # what each leads to, at what cost


@dataclass(frozen=True, eq=False)
class SignalOrder:
    """Sections in the order in which a signal meets them that is fed in at one node.

    `depth` is the cost of the way from there to each node: a part counts one, a resistor the more the larger
    it is, metal nothing. `before` names the section that drives each, '' for the input; `entered` is the node
    by which the signal comes in.
    """

    topology: Topology
    start: str
    order: tuple[str, ...]
    before: dict[str, str]
    entered: dict[str, str]
    depth: dict[str, float]
    graph: Graph

    def onward(self, node: str, other: str) -> bool:
        """Whether a part from `node` to `other` leads on, away from the input."""
        return other not in self.held and self.depth.get(other, 0.0) > self.depth.get(node, 0.0)

    def arriving(self, node: str, other: str) -> bool:
        """Whether the signal comes to `node` from `other`."""
        return other not in self.held and self.depth.get(other, math.inf) < self.depth.get(node, math.inf)

    @cached_property
    def held(self) -> frozenset[str]:
        """Nodes that are still for signals: no way leads through them."""
        return still_nodes(self.topology)

    def way(self) -> list[tuple[str, str]]:
        """(node, what is there) on the way to the speaker, in order.

        A node is on the way where a path leads over it to the speaker without passing a node twice: dead
        ends, such as another channel behind its mixing resistor, are not. Cathodes are listed with their
        grids all the same, since an open bypass shows there.
        """
        there = (self._on_the_way() | {self.start}) & self.depth.keys()
        depth = {node: cost for node, cost in self.depth.items() if node in there}
        for section in self.topology.sections:
            if section.grid in there and section.cathode != GROUND:
                depth.setdefault(section.cathode, depth[section.grid] + 1.0)
        last = reached([part.a for part in outputs(self.topology.parts)], self.topology.metal, stops=[GROUND])
        on = [pair for pair in dict(_named(self.topology, self.start)).items() if pair[0] in depth]
        return sorted(on, key=lambda pair: (pair[0] in last, round(depth[pair[0]], DIGITS)))

    def _on_the_way(self) -> set[str]:
        """Nodes of the block that holds jack and speaker; all of them where the two are not joined."""
        import networkx as nx  # noqa: PLC0415 - a tenth of a second that only this needs

        plain = nx.Graph((one, other) for one, onward in self.graph.items() for other in onward)
        start = ("node", self.start)
        plain.add_node(start)
        ends = [("node", part.a) for part in outputs(self.topology.parts)]
        joined = [end for end in ends if end in plain and nx.has_path(plain, start, end)]
        plain.add_edges_from((start, end) for end in joined)
        blocks = nx.biconnected_components(plain) if joined else [set(plain)]
        return {name for block in blocks if start in block for kind, name in block if kind == "node"}


def signal_order(topology: Topology, start: str) -> SignalOrder:
    """Follow the signal from node `start` through parts, sections and output transformers.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = signal_order(load_amp("fescue").topology, "mic1")
    >>> result.order, result.before["V2a"]
    (('V1a', 'V2a', 'V2b', 'V3', 'V4'), 'V1a')
    >>> nodes = [node for node, _ in result.way()]
    >>> nodes[:4], nodes[-1], "p1b" in nodes
    (['mic1', 'g1a', 'k1a', 'p1a'], 'speaker', False)
    """
    graph = _graph(topology)
    steps, ways = _shortest(graph, ("node", start))
    met = [s.name for s in topology.sections if ("section", s.name) in steps]
    order = sorted(met, key=lambda name: round(steps["section", name], DIGITS))
    before = {name: _last_section(ways["section", name][:-1]) for name in order}
    entered = {name: ways["section", name][-2][1] for name in order}
    depth = {name: cost for (kind, name), cost in steps.items() if kind == "node"}
    return SignalOrder(topology, start, tuple(order), before, entered, depth, graph)


def _shortest(graph: Graph, start: Vertex) -> tuple[dict[Vertex, float], dict[Vertex, list[Vertex]]]:
    """Cost of the shortest way from `start` to each vertex, and the way (Dijkstra 1959)."""
    steps: dict[Vertex, float] = {}
    least, ways, result = {start: 0.0}, {start: [start]}, count()
    heap = [(0.0, next(result), start)]
    while heap:
        cost, _, vertex = heappop(heap)
        if vertex in steps:
            continue
        steps[vertex] = cost
        for other, more in graph.get(vertex, {}).items():
            if cost + more < least.get(other, math.inf):
                least[other], ways[other] = cost + more, [*ways[vertex], other]
                heappush(heap, (cost + more, next(result), other))
    return steps, ways


def _last_section(way: Sequence[Vertex]) -> str:
    return next((name for kind, name in reversed(way) if kind == "section"), "")


def still_nodes(topology: Topology) -> frozenset[str]:
    """Nodes that are still for signals, what is one piece of metal with them included."""
    return frozenset(reached(topology.held | topology.bypassed, topology.metal))


def first_input(topology: Topology) -> Jack | None:
    """The first input jack of the drawing."""
    return next(iter(input_jacks(topology.parts)), None)


def _graph(topology: Topology) -> Graph:
    """What passes a signal on to what; nothing but a transformer leads to its secondary side."""
    held = still_nodes(topology)
    graph: Graph = {}
    for one, other, cost in _steps(topology, held):
        if not {name for kind, name in (one, other) if kind == "node"} & held:
            onward = graph.setdefault(one, {})
            onward[other] = min(cost, onward.get(other, math.inf))
    return graph


def _steps(topology: Topology, held: frozenset[str]) -> Iterator[tuple[Vertex, Vertex, float]]:
    for s in topology.sections:
        own = ("section", s.name)
        yield ("node", s.grid), own, 0.0
        if s.plate not in held:  # a cathode follower leads nothing on from its cathode
            yield ("node", s.cathode), own, BY_CATHODE
        yield own, ("node", s.cathode), 1.0
        yield own, ("node", s.plate), 1.0
    outs = _secondary_side(topology)
    for part in topology.parts.values():
        for a, b in _pairs(part):
            if b not in outs or a in outs or isinstance(part, OutputTransformer):
                yield ("node", a), ("node", b), _cost(part)


def _pairs(part: Part) -> Iterable[tuple[str, str]]:
    if isinstance(part, OutputTransformer):
        own = dict.fromkeys(part.primary.taps)
        return [(a, b) for a in own for b in part.nodes if b not in own]
    return [pair for a, b in part.couples() for pair in ((a, b), (b, a))]


def _cost(part: Part) -> float:
    if part.metal:
        return 0.0
    ohms = getattr(part, "ohms", None)
    if ohms is None or isinstance(ohms, tuple):
        return 1.0
    return 1.0 + max(0.0, 0.8 * math.log10(float(np.min(ohms)) / SMALL_OHMS))


def _secondary_side(topology: Topology) -> set[str]:
    """Secondaries of output transformers, and what is one piece of metal with them."""
    taps = {
        tap for part in topology.parts.values() if isinstance(part, OutputTransformer)
        for winding in part.windings[1:] for tap in winding.taps
    }  # fmt: skip
    return set(reached(taps - {GROUND}, topology.metal, stops=[GROUND])) - {GROUND}


def _named(topology: Topology, start: str) -> Iterator[tuple[str, str]]:
    """What is at each node; where two things are, the one named last is the tube's."""
    parts = list(topology.parts.values())
    for part in parts:
        if isinstance(part, Potentiometer):
            yield part.wiper, f"{part.designator} wiper"
            yield part.top, f"{part.designator} top"
    for part in outputs(topology.parts):
        yield part.a, part.designator
    for section in reversed(topology.sections):
        for terminal in ("cathode", "plate", "grid"):
            yield getattr(section, terminal), f"{section.name} {terminal}"
    jacks = [p.designator for p in parts if isinstance(p, Jack) and p.tip == start]
    yield start, f"{jacks[0]} tip" if jacks else "where it is fed in"
