"""Which section of the drawing each item belongs to: the stages in signal order, the supply, the heaters."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from tubekit.amp import Amp
from tubekit.amp.parts import GROUND, Loudspeaker, Part, Transformer, Tube, TwoTerminal
from tubekit.amp.signal_order import first_input, signal_order
from tubekit.amp.topology import Topology
from tubekit.plots.schematics.items import Item, items_of
from tubekit.plots.schematics.supply_side import SupplySide, supply_side

WEIGHT = {"grid": 5, "cathode": 4, "screen": 3, "plate": 2, "output": 1}
"""Which side has a part that lies between two stages: the one it feeds."""


@dataclass(frozen=True)
class DrawnSection:
    """One drawing: its name, its kind ('stage', 'supply', 'heaters', 'others'), tubes and items.

    `zone` has the nodes that belong to it, each with where it stands ('grid', 'cathode' …); every other
    node of its items is shown as a label. `onward` are items of later sections that its plates, screens
    and cathodes feed.
    """

    name: str
    kind: str
    tubes: tuple[Item, ...]
    items: tuple[Item, ...]
    zone: dict[str, str]
    onward: tuple[Item, ...] = ()

    @property
    def designators(self) -> frozenset[str]:
        """Parts that it draws as its own."""
        return frozenset(name for item in (*self.tubes, *self.items) for name in item.parts)


@dataclass(frozen=True)
class SectionMap:
    """An amp taken apart into sections."""

    sections: tuple[DrawnSection, ...]
    supply: SupplySide

    def section(self, name: str) -> DrawnSection:
        """Section of that name; KeyError if there is none."""
        return {one.name: one for one in self.sections}[name]


def section_map(amp: Amp) -> SectionMap:
    """The sections of an amp: stages from input to output, the supply, the heaters, and what is left."""
    items = items_of(amp.parts)
    side = supply_side(amp.topology.wired, items)
    taken = {item.name for item in (*side.items, *side.heaters)}
    signal = [item for item in items if item.name not in taken]
    off = set(side.nodes) | set(side.heater_nodes) | {GROUND}
    groups = _in_order(_groups(signal, off), amp.topology.wired)
    owner = _owners(groups, signal, off, amp.parts)
    homes: list[list[Item]] = [[] for _ in groups]
    left: list[Item] = []
    for item in signal:
        if item.kind == "tube":
            continue
        home = _home(item, owner)
        (left if home is None else homes[home]).append(item)
    sections = [
        DrawnSection(
            " ".join(tube.name for tube in group), "stage", tuple(group), tuple(homes[number]),
            {node: zone for node, (home, zone) in owner.items() if home == number},
            _onward(number, homes, owner),
        )
        for number, group in enumerate(groups)
    ]  # fmt: skip
    sections.append(DrawnSection("supply", "supply", (), side.items, dict.fromkeys(side.nodes, "supply")))
    if side.heaters:
        sections.append(DrawnSection("heaters", "heaters", (), side.heaters, {}))
    if left:
        inner = {
            node: "grid" for item in left for node in item.nodes if node not in off and node not in owner
        }
        sections.append(DrawnSection("others", "others", (), tuple(left), inner))
    return SectionMap(tuple(sections), side)


def _groups(items: list[Item], off: set[str]) -> list[list[Item]]:
    """Sections of tubes that share a cathode, work into one transformer, or stand on one another's plate."""
    tubes = [item for item in items if item.kind == "tube"]
    cores = [set(_primary(item)) for item in items if item.kind == "output transformer"]
    ties: list[set[str]] = [{one.name for one in tubes if one.at("plate") in core} for core in cores]
    cathodes = {one.at("cathode") for one in tubes} - off
    ties += [{one.name for one in tubes if one.at("cathode") == node} for node in sorted(cathodes)]
    ties += [{one.name, low.name} for one in tubes for low in tubes if one.at("cathode") == low.at("plate")]
    groups = [{one.name} for one in tubes]
    for tie in ties:
        joined = [group for group in groups if group & tie]
        if joined:
            groups = [group for group in groups if group not in joined] + [set().union(*joined)]
    named = {one.name: one for one in tubes}
    order = {name: place for place, name in enumerate(named)}
    order |= {one.name: -1 for one in tubes if any(one.at("cathode") == low.at("plate") for low in tubes)}
    return [[named[name] for name in sorted(group, key=order.__getitem__)] for group in groups]


def _primary(item: Item) -> list[str]:
    first = item.pins[0][0].rpartition(" ")[0]
    return [node for name, node in item.pins if name.rpartition(" ")[0] == first]


def _in_order(groups: list[list[Item]], topology: Topology) -> list[list[Item]]:
    """Along the signal from the first input jack.

    What that does not reach, a second input or what a spring tank gives back, comes before what it feeds.
    """
    jack = first_input(topology)
    far = signal_order(topology, jack.tip if jack else groups[0][0].at("grid")).depth if groups else {}
    ordered = sorted(
        (group for group in groups if _reached(group, far) is not None),
        key=lambda group: (_reached(group, far), group[0].name),
    )
    for group in groups:
        if group not in ordered:
            onward = signal_order(topology, group[0].at("grid")).depth
            fed = [n for n, one in enumerate(ordered) if _reached(one, onward) is not None]
            ordered.insert(fed[0] if fed else len(ordered), group)
    return ordered


def _reached(group: list[Item], far: dict[str, float]) -> float | None:
    return min((far[tube.at("grid")] for tube in group if tube.at("grid") in far), default=None)


def _owners(
    groups: list[list[Item]], items: list[Item], off: set[str], parts: Mapping[str, Part]
) -> dict[str, tuple[int, str]]:
    """(group, zone) of every node outside the supply: electrodes first, then what hangs on them."""
    owner: dict[str, tuple[int, str]] = {}
    for zone in ("plate", "cathode", "grid", "screen"):
        for number, group in enumerate(groups):
            for tube in group:
                node = dict(tube.pins).get(zone)
                if node is not None and node not in off:
                    owner.setdefault(node, (number, zone))
    for item in items:
        if item.kind == "output transformer":
            home = next((owner[node] for node in _primary(item) if node in owner), None)
            for node in item.nodes:
                if home is not None and node not in off:
                    owner.setdefault(node, (home[0], "plate" if node in _primary(item) else "output"))
    _spread(owner, [item for item in items if _is_metal(item, parts)], off, "output")
    _chains(owner, items, off)
    for zone in ("grid", "cathode", "screen", "plate", "output"):
        _spread(owner, [item for item in items if _carries(item, parts)], off, zone)
    return owner


def _is_metal(item: Item, parts: Mapping[str, Part]) -> bool:
    """A wire, contact or plug, or the speaker: what the output leads to."""
    return all(parts[name].metal or isinstance(parts[name], Loudspeaker) for name in item.parts)


def _carries(item: Item, parts: Mapping[str, Part]) -> bool:
    """Whatever has two ends or conducts; transformers and tubes have places of their own."""
    own = [parts[name] for name in item.parts]
    return not any(isinstance(part, Transformer | Tube) for part in own) and all(
        isinstance(part, TwoTerminal) or part.metal or any(part.conducts(as_wired=True)) for part in own
    )


def _spread(owner: dict[str, tuple[int, str]], items: list[Item], off: set[str], zone: str) -> None:
    """Nodes that no one has yet go to the nearest node of that zone."""
    todo = deque(sorted((n for n, (_, z) in owner.items() if z == zone), key=lambda n: owner[n][0]))
    while todo:
        node = todo.popleft()
        for item in items:
            if node in item.nodes:
                for one in item.nodes:
                    if one not in owner and one not in off:
                        owner[one] = owner[node]
                        todo.append(one)


def _chains(owner: dict[str, tuple[int, str]], items: list[Item], off: set[str]) -> None:
    """What lies between a cathode and ground: tails, bias resistors, the foot where feedback comes in."""
    resistors = [item for item in items if item.kind in ("resistor", "choke") and item.two_ends]
    todo = deque(node for node, (_, zone) in owner.items() if zone == "cathode")
    while todo:
        node = todo.popleft()
        for item in resistors:
            if node not in item.nodes:
                continue
            far = item.other(node)
            if far not in owner and far not in off and _grounded(far, node, resistors, set(owner), off):
                owner[far] = (owner[node][0], "cathode")
                todo.append(far)


def _grounded(node: str, without: str, resistors: list[Item], stops: set[str], off: set[str]) -> bool:
    seen, todo = {node, without}, [node]
    while todo:
        here = todo.pop()
        for item in resistors:
            if here not in item.nodes:
                continue
            far = item.other(here)
            if far in off:
                return True
            if far not in seen and far not in stops:
                seen.add(far)
                todo.append(far)
    return False


def _home(item: Item, owner: dict[str, tuple[int, str]]) -> int | None:
    """Group that draws an item as its own."""
    if item.kind == "output transformer":
        return next((owner[node][0] for node in _primary(item) if node in owner), None)
    claims = [(WEIGHT[owner[node][1]], owner[node][0]) for node in item.nodes if node in owner]
    return max(claims)[1] if claims else None


def _onward(number: int, homes: list[list[Item]], owner: dict[str, tuple[int, str]]) -> tuple[Item, ...]:
    fed = {node for node, (home, zone) in owner.items() if home == number and zone != "grid"}
    return tuple(
        item
        for place, home in enumerate(homes)
        if place != number
        for item in home
        if any(node in fed for node in item.nodes)
    )
