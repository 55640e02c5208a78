"""Which nodes and items belong to the supply: from the plug to the last filter capacitor."""

from __future__ import annotations

from dataclasses import dataclass

from tubekit.amp.parts import GROUND, Transformer
from tubekit.amp.topology import Topology
from tubekit.plots.schematics.items import Item


@dataclass(frozen=True)
class SupplySide:
    """Nodes of the supply, of the heaters, those above ground; items of supply and heaters."""

    nodes: frozenset[str]
    heater_nodes: frozenset[str]
    positive: frozenset[str]
    items: tuple[Item, ...]
    heaters: tuple[Item, ...]


def supply_side(wired: Topology, items: list[Item]) -> SupplySide:
    """Part the supply from the signal; what neither feeds nor filters stays with its stage."""
    gas = [node for item in items if item.kind == "regulator tube" for node in item.nodes]
    nodes, warm = wired.supply | (set(gas) - {GROUND}), wired.heaters
    signal = ("tube", "output transformer")
    inside = [i for i in items if i.kind not in signal and (_in(i, nodes) or set(i.nodes) == {GROUND})]
    heaters = [item for item in inside if _heats(item, wired)]
    heaters += [i for i in items if i.kind == "heater" and i not in heaters]
    supply = [item for item in inside if item not in heaters]
    return SupplySide(
        nodes - warm,
        warm,
        frozenset(node for node in nodes if wired.polarity(node) > 0),
        tuple(supply),
        tuple(heaters),
    )


def _in(item: Item, nodes: frozenset[str]) -> bool:
    within = sum(node in nodes for node in item.nodes)
    return within >= 2 or (within == 1 and all(node in nodes or node == GROUND for node in item.nodes))


def _heats(item: Item, wired: Topology) -> bool:
    """A heater, or what conducts at one: a lamp, a balance control, a switch."""
    if item.kind == "heater":
        return True
    parts = [wired.parts[name] for name in item.parts]
    leads = all(any(part.conducts(as_wired=True)) for part in parts)
    wound = any(isinstance(part, Transformer) for part in parts)
    return leads and not wound and any(node in wired.heaters for node in item.nodes)
