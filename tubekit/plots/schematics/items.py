"""What is to be drawn: one item per symbol, made from the parts of an amp.

Most parts are one item. A tube is one item per section; a connector is one per pin or strap, and pins and
wires that only follow one another are drawn as one cable.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tubekit.amp.parts import (
    GROUND,
    Connector,
    Part,
    RectifierTube,
    Transformer,
    Tube,
    TwoTerminal,
    Wire,
)
from tubekit.amp.parts.connectors import UNUSED
from tubekit.amp.parts.part import terminals_of

GAP = "  "
"""Between the pieces of a cable."""


@dataclass(frozen=True)
class Item:
    """One symbol: its name, kind, pins as (terminal, node), and the designators it stands for.

    `words` is what stands beside a cable: its pins and wires one after another.
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
    found: list[Item] = []
    wiring: list[Item] = []
    for part in parts.values():
        if isinstance(part, Connector):
            wiring += _connector(part)
        elif isinstance(part, Wire) and part.condition == "fitted":
            wiring.append(_two_ends(part))
        else:
            found += _items(part)
    return found + _cables(wiring, {node for item in found for node in item.nodes})


def _items(part: Part) -> Iterator[Item]:
    if isinstance(part, RectifierTube):
        plates = tuple((f"plate {n}", node) for n, node in enumerate(part.plates, 1))
        pins = (*plates, ("cathode", part.cathode), *_heater(part))
        yield Item(part.designator, "rectifier", pins, (part.designator,))
    elif isinstance(part, Tube):
        for section in part.sections:
            electrodes = (section.plate, section.screen, section.grid, section.cathode)
            named = zip(("plate", "screen", "grid", "cathode"), electrodes, strict=True)
            pins = tuple((name, node) for name, node in named if node is not None)
            yield Item(section.name, "tube", pins, (part.designator,))
        if part.heater:
            yield Item(f"{part.designator} heater", "heater", tuple(_heater(part)), (part.designator,))
    elif isinstance(part, Transformer):
        pins = tuple((f"{w.name} {n}", node) for w in part.windings for n, node in enumerate(w.taps))
        yield Item(part.designator, part.kind, pins, (part.designator,))
    elif isinstance(part, TwoTerminal):
        yield _two_ends(part)
    else:
        yield Item(part.designator, part.kind, tuple(terminals_of(part)), (part.designator,))


def _heater(part: Tube) -> Iterator[tuple[str, str]]:
    yield from ((f"heater {n}", node) for n, node in enumerate(part.heater, 1))


def _two_ends(part: TwoTerminal) -> Item:
    words = part.designator
    if isinstance(part, Wire) and part.color:
        words += f" {part.color}"
    return Item(part.designator, part.kind, (("a", part.a), ("b", part.b)), (part.designator,), words)


def _connector(part: Connector) -> Iterator[Item]:
    """A pin with both sides soldered is one item, a strap another; a lone side shows as an open pin."""
    name = part.designator
    kind = "cable" if part.inserted else "plug out"
    for pin, (plug, socket) in enumerate(zip(part.plug, part.socket, strict=False), 1):
        if UNUSED not in (plug, socket):
            yield Item(f"{name}-{pin}", kind, (("a", socket), ("b", plug)), (name,), f"{name}-{pin}")
    for one, two in part.straps:
        ends = [_soldered(part, pin) for pin in (one, two)]
        if UNUSED not in ends:
            words = f"{name} strap {one}-{two}"
            yield Item(words, kind, (("a", ends[0]), ("b", ends[1])), (name,), words)


def _soldered(part: Connector, pin: int) -> str:
    own, mate = part.plug[pin - 1], part.socket[pin - 1]
    return mate if own == UNUSED else own


def _cables(wiring: list[Item], busy: set[str]) -> list[Item]:
    """Join pins and wires that meet, two at a time, on a node where nothing else is."""
    chains = [Item(i.name, "cable" if i.kind == "wire" else i.kind, i.pins, i.parts, i.words) for i in wiring]
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
