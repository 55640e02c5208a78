"""The way a signal takes through an amp: which nodes lie on it, in what order.

A node lies on the way where a path leads from the jack over it to the loudspeaker without passing a node
twice: dead ends, such as another channel behind its mixing resistor, do not. Cathodes are listed beside their
grids all the same: an open bypass shows there.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import networkx as nx

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.circuit.parts import GROUND

LAST = 2.0
"""Steps from a primary to what hangs on the secondary: the loudspeaker comes after the plates."""


def signal_way(amp: Amp, start: str) -> list[tuple[str, str]]:
    """(node, what stands there) in the order in which a signal fed in at node `start` gets there.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> nodes = [node for node, _ in signal_way(load_amp("fescue"), "mic1")]
    >>> nodes[:4], nodes[-1], "p1b" in nodes
    (['mic1', 'g1a', 'k1a', 'p1a'], 'horn_hot', False)
    """
    graph = _graph(amp)
    named = dict(_named(amp, start))
    if start not in graph:
        return [(start, named[start])]
    steps = nx.single_source_dijkstra_path_length(graph, start)
    there = _on_the_way(amp, graph, start)
    there |= {s.cathode for s in _sections(amp) if s.grid in there}
    reached = [(node, where) for node, where in named.items() if node in steps and node in there]
    return sorted(reached, key=lambda pair: steps[pair[0]])


def _on_the_way(amp: Amp, graph: nx.DiGraph, start: str) -> set[str]:
    """Nodes of the block that holds jack and loudspeaker; all of them where the two are not joined."""
    plain = graph.to_undirected()
    ends = [p.a for p in amp.parts.values() if isinstance(p, drawn.Loudspeaker) and p.a in plain]
    joined = [end for end in ends if nx.has_path(plain, start, end)]
    if not joined:
        return set(plain)
    plain.add_edges_from((start, end) for end in joined)
    return set().union(*(block for block in nx.biconnected_components(plain) if start in block))


def _named(amp: Amp, start: str) -> Iterator[tuple[str, str]]:
    """What stands at each node; where two things do, the one that is told last is the tube's."""
    parts = list(amp.parts.values())
    for part in parts:
        if isinstance(part, drawn.Potentiometer):
            yield part.wiper, f"wiper of {part.designator}"
            yield part.top, f"top of {part.designator}"
        elif isinstance(part, drawn.Loudspeaker):
            yield part.a, part.designator
    for section in reversed(_sections(amp)):
        for terminal in ("cathode", "plate", "grid"):
            yield getattr(section, terminal), f"{terminal} of {section.name}"
    jacks = [p.designator for p in parts if isinstance(p, drawn.Jack) and p.tip == start]
    yield start, f"tip of {jacks[0]}" if jacks else "where it is fed in"


def _graph(amp: Amp) -> nx.DiGraph:
    """Which node passes a signal on to which: parts both ways, tubes and output transformers forward."""
    held, outs = _held(amp), _secondaries(amp)
    graph = nx.DiGraph()
    for part in amp.parts.values():
        for one, other in _edges(part, outs):
            if not {one, other} & (held - _cathodes(amp)):
                graph.add_edge(one, other, weight=LAST if other in outs and one not in outs else 1.0)
    return graph


def _edges(part: drawn.Part, outs: set[str]) -> Iterator[tuple[str, str]]:
    if isinstance(part, RectifierTube | drawn.PowerTransformer):
        return
    if isinstance(part, Tube):
        for s in part.sections:
            yield from ((s.grid, s.plate), (s.grid, s.cathode), (s.cathode, s.plate))
    elif isinstance(part, drawn.OutputTransformer):
        yield from (pair for pair in itertools.permutations(part.nodes, 2) if pair[0] not in outs)
        yield from (pair for pair in itertools.permutations(part.nodes, 2) if set(pair) <= outs)
    else:  # nothing but the transformer leads to the loudspeaker; from there feedback leads back
        pairs = itertools.permutations(part.nodes, 2)
        yield from (pair for pair in pairs if pair[1] not in outs or pair[0] in outs)


def _secondaries(amp: Amp) -> set[str]:
    found = {p.a for p in amp.parts.values() if isinstance(p, drawn.Loudspeaker)}
    for part in amp.parts.values():
        if isinstance(part, drawn.OutputTransformer):
            found |= set(part.nodes) - set(part.primary.taps)
    return found - {GROUND}


def _held(amp: Amp) -> set[str]:
    """Ground, and what an electrolytic or a winding of the mains transformer holds still for signals."""
    held = {GROUND}
    for part in amp.parts.values():
        if isinstance(part, drawn.Capacitor) and part.style == "electrolytic":
            held |= set(part.ends) if GROUND in part.ends else set()
        elif isinstance(part, drawn.PowerTransformer):
            held |= set(part.nodes)
    return held


def _cathodes(amp: Amp) -> set[str]:
    return {s.cathode for s in _sections(amp)} - {GROUND}


def _sections(amp: Amp) -> list[drawn.Section]:
    return [
        s for p in amp.parts.values() if isinstance(p, Tube) and not isinstance(p, RectifierTube)
        for s in p.sections
    ]  # fmt: skip
