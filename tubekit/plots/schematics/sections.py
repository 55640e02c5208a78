"""Which section of the drawing each item belongs to: the stages in signal order, the supply, the heaters.

What is to be drawn: one item per symbol, made from the parts of an amp.

Most parts are one item. A tube is one item per section; a connector is one per pin or strap, and pins and
wires that only follow one another are drawn as one cable.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from tubekit.amp import Amp
from tubekit.amp.parts import GROUND, Loudspeaker, Part, ReverbTank, Transformer, Tube, TwoTerminal
from tubekit.amp.signal_order import first_input, signal_order
from tubekit.amp.topology import Topology

GAP = "  "
"""Between the pieces of a cable."""
CABLES = ("cable", "plug out")


@dataclass(frozen=True)
class Item:
    """One symbol: its name, kind, pins as (terminal, node), and the designators it stands for.

    `words` is what stands beside it: of a cable its pins and wires one after another, of a transformer what
    it is for.
    """

    name: str
    kind: str
    pins: tuple[tuple[str, str], ...]
    parts: tuple[str, ...]
    words: str = ""

    @property
    def nodes(self) -> tuple[str, ...]:
        """Its nodes, each once."""
        return tuple(dict.fromkeys(node for _, node in self.pins))

    @property
    def two_ends(self) -> bool:
        """A symbol that sits in a wire."""
        return len(self.pins) == 2 and self.kind not in ("jack", "mains plug", "loudspeaker")

    def at(self, terminal: str) -> str:
        """Node of a terminal."""
        return dict(self.pins)[terminal]

    def other(self, node: str) -> str:
        """The far node of a part with two ends."""
        (_, a), (_, b) = self.pins
        return b if a == node else a


def items_of(parts: Mapping[str, Part]) -> list[Item]:
    """Every symbol of an amp, in drawn order; cables last."""
    items: list[Item] = []
    wiring: list[Item] = []
    for part in parts.values():
        for one in part.symbols():
            words = _serves(part, parts) if isinstance(part, Transformer) else one.words
            item = Item(one.name, one.symbol, one.pins, (part.designator,), words)
            (wiring if one.symbol in CABLES else items).append(item)
    return items + _cables(wiring, {node for item in items for node in item.nodes})


def _serves(part: Transformer, parts: Mapping[str, Part]) -> str:
    """What a transformer is for: that of its kind, or interstage or reverb by what its secondaries drive."""
    taps = {tap for one in part.windings if one is not part.primary for tap in one.taps} - {GROUND}
    beside = [one for one in parts.values() if one is not part and taps & set(one.nodes)]
    near = taps | {node for one in beside if len(one.nodes) == 2 for node in one.nodes} - {GROUND}
    sections = [one for tube in parts.values() if isinstance(tube, Tube) for one in tube.sections]
    if any(isinstance(one, ReverbTank) for one in beside):
        return "reverb"
    if not any(isinstance(one, Loudspeaker) for one in beside) and near & {one.grid for one in sections}:
        return "interstage"
    return part.kind.split()[0]


def _cables(wiring: list[Item], busy: set[str]) -> list[Item]:
    """Join pins and wires that meet, two at a time, on a node where nothing else is."""
    chains = list(wiring)
    merged = True
    while merged:
        merged = False
        for node in dict.fromkeys(node for chain in chains for node in chain.nodes):
            here = [chain for chain in chains if node in chain.nodes]
            if node in busy or node == GROUND or len(here) != 2:
                continue
            one, two = here
            if node in (one.other(node), two.other(node)) or one.kind != two.kind:
                continue
            chains = [chain for chain in chains if chain not in here]
            chains.append(_end_to_end(one, two, node))
            merged = True
            break
    return chains


def _end_to_end(one: Item, two: Item, node: str) -> Item:
    """Two pieces of cable that meet at a node, as one; the words follow it from end to end."""
    first = one.words if one.pins[1][1] == node else GAP.join(reversed(one.words.split(GAP)))
    second = two.words if two.pins[0][1] == node else GAP.join(reversed(two.words.split(GAP)))
    words = f"{first}{GAP}{second}"
    pins = (("a", one.other(node)), ("b", two.other(node)))
    return Item(words, one.kind, pins, tuple(dict.fromkeys((*one.parts, *two.parts))), words)


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
