"""Which nodes and items belong to the supply: from the mains plug to the last filter capacitor."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts import GROUND, Capacitor, Part, PowerTransformer, Tube
from tubekit.amp.topology import Topology
from tubekit.plots.schematics.items import Item

LEAST_FILTER_F = 1e-6
"""A smaller capacitor to ground does not make a rail of a node [F]; common practice, no source."""

CONDUCTS = {
    "resistor", "potentiometer", "choke", "switch", "selector switch", "fuse", "thermistor", "diode", "cable",
    "plug out", "wire", "power transformer", "rectifier", "mains plug", "lamp", "heater",
}  # fmt: skip
HEATS = {"resistor", "potentiometer", "cable", "plug out", "wire", "lamp", "heater", "switch", "fuse"}


@dataclass(frozen=True)
class SupplySide:
    """Nodes of the supply, of the heaters, those above ground; items of supply and heaters."""

    nodes: frozenset[str]
    heater_nodes: frozenset[str]
    positive: frozenset[str]
    items: tuple[Item, ...]
    heaters: tuple[Item, ...]


def supply_side(parts: Mapping[str, Part], items: list[Item]) -> SupplySide:
    """Part the supply from the signal; what neither feeds nor filters stays with its stage."""
    held = _held(parts)
    stops = _electrodes(parts) - held
    transformers = [part for part in parts.values() if isinstance(part, PowerTransformer)]
    starts = {node for part in transformers for node in part.nodes} | supply_nodes(parts)
    starts |= {node for item in items if item.kind in ("rectifier", "mains plug") for node in item.nodes}
    starts -= {GROUND}
    conducting = [item for item in items if item.kind in CONDUCTS]
    nodes = _pruned(_reach(starts, conducting, stops), starts | held, conducting)
    warm = _heater_nodes(parts, items, nodes | stops, transformers)
    signal = ("tube", "output transformer")
    inside = [i for i in items if i.kind not in signal and (_in(i, nodes) or set(i.nodes) == {GROUND})]
    heaters = [item for item in inside if _heats(item, warm)]
    heaters += [i for i in items if i.kind == "heater" and i not in heaters]
    supply = [item for item in inside if item not in heaters]
    above = _reach(supply_nodes(parts), [i for i in conducting if i.two_ends and i.kind != "diode"], stops)
    return SupplySide(
        frozenset(nodes - warm), frozenset(warm), frozenset(above & nodes), tuple(supply), tuple(heaters)
    )


def supply_nodes(parts: Mapping[str, Part]) -> set[str]:
    """Nodes that rectifiers stand on, ground left out."""
    return {cathode for _, _, cathode in Topology(parts).wired.rectifiers} - {GROUND}


def _electrodes(parts: Mapping[str, Part]) -> set[str]:
    sections = [s for part in parts.values() if isinstance(part, Tube) for s in part.sections]
    return {node for s in sections for node in (s.plate, s.screen, s.grid, s.cathode) if node is not None}


def _held(parts: Mapping[str, Part]) -> set[str]:
    """Nodes that a filter capacitor or a rectifier holds; a bypassed cathode is none of them."""
    sections = [s for part in parts.values() if isinstance(part, Tube) for s in part.sections]
    cathodes = {s.cathode for s in sections}
    held = {
        node
        for part in parts.values()
        if isinstance(part, Capacitor) and GROUND in part.nodes and np.max(part.farads) >= LEAST_FILTER_F
        for node in part.nodes
    }
    return (held - cathodes - {GROUND}) | supply_nodes(parts)


def _reach(starts: set[str], items: Iterable[Item], stops: set[str]) -> set[str]:
    seen, todo = set(starts), list(starts)
    beside: dict[str, list[Item]] = {}
    for item in items:
        for node in item.nodes:
            beside.setdefault(node, []).append(item)
    while todo:
        for item in beside.get(todo.pop(), ()):
            for node in item.nodes:
                if node not in seen and node != GROUND and node not in stops:
                    seen.add(node)
                    todo.append(node)
    return seen


def _pruned(nodes: set[str], anchored: set[str], items: list[Item]) -> set[str]:
    """Without the dead ends: a grid leak leads from the bias supply to a stage, not to another rail."""
    kept = set(nodes)
    while True:
        dead = {node for node in kept - anchored if _ways(node, kept, items) < 2}
        if not dead:
            return kept
        kept -= dead


def _ways(node: str, kept: set[str], items: list[Item]) -> int:
    """Items that lead on from a node within the supply; the wiper of a control counts for two."""
    ways = 0
    for item in items:
        if node not in item.nodes:
            continue
        others = [one for one in item.nodes if one != node and (one in kept or one == GROUND)]
        ways += min(len(others), 2)
    return ways


def _in(item: Item, nodes: set[str]) -> bool:
    within = sum(node in nodes for node in item.nodes)
    return within >= 2 or (within == 1 and all(node in nodes or node == GROUND for node in item.nodes))


def _heater_nodes(
    parts: Mapping[str, Part], items: list[Item], known: set[str], transformers: list[PowerTransformer]
) -> set[str]:
    """Nodes of the heaters of amplifying tubes, cables and lamps on them included."""
    tubes = [part for part in parts.values() if isinstance(part, Tube) and part.sections]
    starts = {node for tube in tubes for node in tube.heater} - {GROUND}
    coils = {node for part in transformers for winding in part.windings for node in winding.taps}
    stops = (known - coils - starts) | {
        node for part in transformers for winding in part.windings[:1] for node in winding.taps
    }
    joins = [item for item in items if item.kind in HEATS and item.kind != "heater" and item.two_ends]
    return _reach(
        starts, [i for i in joins if i.kind in ("cable", "wire", "plug out", "switch", "fuse")], stops
    )


def _heats(item: Item, warm: set[str]) -> bool:
    return item.kind in HEATS and any(node in warm for node in item.nodes)
