"""What is to be drawn: one item per symbol, made from the parts of an amp.

Most parts are one item. A tube is one item per section; a connector is one per pin or strap, and pins and
wires that only follow one another are drawn as one cable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tubekit.amp.parts import GROUND, Loudspeaker, Part, ReverbTank, Transformer, Tube

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
