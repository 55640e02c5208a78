"""Continuity readings pin by pin, and what a list of them says about the cable."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Any

import networkx as nx

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.switches import UNUSED
from tubekit.decisions.probe import OPEN_OHMS
from tubekit.errors import ReadingError, near_matches
from tubekit.units import mark, parse, show

Pin = str
Pair = frozenset[str]


def connectors(amp: Amp) -> dict[str, drawn.Connector]:
    """The multi-pin connectors of an amp, by designator."""
    return {name: part for name, part in amp.parts.items() if isinstance(part, drawn.Connector)}


def pins(amp: Amp) -> tuple[Pin, ...]:
    """Every plug pin as 'P2.1', those that nothing touches left out.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> pins(load_amp("fescue"))[:2]
    ('P2.1', 'P2.2')
    """
    return tuple(
        f"{name}.{k}"
        for name, part in connectors(amp).items()
        for k, node in enumerate(part.plug, 1)
        if node != UNUSED or any(k in strap for strap in part.straps)
    )


def cable_graph(amp: Amp) -> nx.Graph:
    """Pins and the nodes behind them, joined by solder, wires and straps; edges carry what joins them."""
    graph = nx.Graph()
    graph.add_nodes_from(pins(amp))
    for name, part in connectors(amp).items():
        for k, node in enumerate(part.plug, 1):
            if node != UNUSED:
                graph.add_edge(f"{name}.{k}", _behind(node), by="solder")
        for one, two in part.straps:
            graph.add_edge(f"{name}.{one}", f"{name}.{two}", by="strap")
    for name, wire in amp.parts.items():
        if isinstance(wire, drawn.Wire) and wire.condition == "fitted":
            graph.add_edge(_behind(wire.a), _behind(wire.b), by=name)
    return graph


def _behind(node: str) -> str:
    """A node's vertex; a node could bear a pin's name."""
    return f"node {node}"


def joined_pairs(graph: nx.Graph, among: Iterable[Pin]) -> set[Pair]:
    """Every pair of pins that are one piece of metal."""
    wanted = set(among)
    pairs: set[Pair] = set()
    for piece in nx.connected_components(graph):
        pairs |= {frozenset(pair) for pair in combinations(sorted(piece & wanted), 2)}
    return pairs


def way(graph: nx.Graph, one: Pin, two: Pin) -> str:
    """Name of what joins two pins: 'W4' or 'strap'."""
    steps = nx.shortest_path(graph, one, two)
    by = [graph.edges[a, b]["by"] for a, b in pairwise(steps)]
    return ", ".join(word for word in by if word != "solder") or "solder"


def known_pin(amp: Amp, text: str, where: str, line: int) -> Pin:
    """A pin as written ('P2.4', 'p2-4', 'P2 4').

    Raises
    ------
    ReadingError : no such connector or pin (near matches listed).
    """
    words = text.replace("-", ".").replace(" ", ".").upper().strip(".")
    name, _, number = words.partition(".")
    there = connectors(amp)
    if name in there and number.isdigit() and 1 <= int(number) <= len(there[name].plug):
        return f"{name}.{int(number)}"
    raise ReadingError(
        f"there is no pin '{text[:40]}'", where=where, part=f"line {line}" if line else "",
        fix=f"Write connector and pin like P2.4; the connectors are {', '.join(there) or 'none'}",
        near=near_matches(words, pins(amp)),
    )  # fmt: skip


BEEPS_BELOW = 30.0
"""A meter beeps below this [Ω] (common practice, no source: makers set it at 20 to 100)."""
GOOD_WIRE = 1.0
"""A wire of a cable with its two joints and the meter's own leads stays below this [Ω] (common practice, no
source; ten feet of AWG 18 have 0.07 Ω, from the resistivity of copper)."""
OPEN_WORDS = ("open", "ol", "over", "infinite")


def ohms_said(text: object) -> float:
    """Ohms as written: '0.3', '12', '220k', 'open'.

    Raises
    ------
    ReadingError : neither ohms nor 'open'.

    Examples
    --------
    >>> ohms_said("0.3"), ohms_said("open") >= OPEN_OHMS
    (0.3, True)
    """
    words = str(text).strip()
    if words.lower() in OPEN_WORDS:
        return OPEN_OHMS
    try:
        result = parse(words, "ohm")
    except Exception as error:
        raise ReadingError(
            f"'{words[:20]}' is not a resistance", fix="Write ohms as 0.3 or 220k, or open"
        ) from error
    if result < 0:
        raise ReadingError(f"{words} is below zero", fix="Leave out the minus sign, or zero the meter")
    return result


def poor_joints(amp: Amp, ohms: Mapping[Pair, float]) -> Iterator[str]:
    """List the poor joints and leaks that the ohms show, one sentence each.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> next(poor_joints(load_amp("fescue"), {frozenset(("P2.7", "P3.7")): 12.0}))[:59]
    'P2.7 to P3.7 reads 12.0 Ω: connected, but should read under'
    """
    drawn = joined_pairs(cable_graph(amp), pins(amp))
    for pair, value in ohms.items():
        one, two = sorted(pair)
        read = f"{one} to {two} reads {show(value, 'ohm')}"
        if GOOD_WIRE < value < BEEPS_BELOW:
            yield (
                f"{read}: connected, but should read under {mark(GOOD_WIRE, 'ohm')}. "
                "Look for a cracked joint, broken strands or a dirty pin."
            )
        elif BEEPS_BELOW <= value < OPEN_OHMS:
            where = "a wire that hardly makes contact" if pair in drawn else "damp, burnt or dirty insulation"
            yield (
                f"{read}: a high-resistance joint or leakage. The cause is {where}; or a plug is still in."
            )


YES = {"yes", "y", "beep", "beeps", "1", "true", "x", "closed"}
NO = {"no", "n", "open", "0", "false", "-", "silent"}


@dataclass(frozen=True)
class Continuity:
    """One reading: two pins, whether the meter found them joined, and the ohms where they were read."""

    one: Pin
    two: Pin
    beeps: bool
    line: int = 0
    ohms: float | None = None

    @property
    def pair(self) -> Pair:
        """The two pins, in no order."""
        return frozenset((self.one, self.two))


@dataclass(frozen=True)
class CableFault:
    """One finding: 'open', 'joined', 'swapped', 'strap missing', 'strap extra' or 'contradiction'."""

    kind: str
    pins: tuple[Pin, ...]
    text: str


def read_continuity(rows: Iterable[Any], amp: Amp, where: str = "list") -> tuple[Continuity, ...]:
    """Readings from rows of (pin, pin, yes or no), or mappings with from, to, beeps and, where read, ohms.

    Raises
    ------
    ReadingError : no such pin, a word that is neither yes nor no, one pair read both ways.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> read_continuity([("P2.1", "P3.1", "yes")], load_amp("fescue"))
    (Continuity(one='P2.1', two='P3.1', beeps=True, line=1, ohms=None),)
    """
    result: dict[Pair, Continuity] = {}
    for line, row in enumerate(rows, 1):
        one, two, word = (
            (row.get("from", ""), row.get("to", ""), row.get("beeps", "")) if hasattr(row, "get") else row
        )
        pair = known_pin(amp, str(one), where, line), known_pin(amp, str(two), where, line)
        if pair[0] == pair[1]:
            raise ReadingError(
                f"both leads are on {pair[0]}", where=where, part=f"line {line}", fix="Name two pins"
            )
        written = str(row.get("ohms") or "").strip() if hasattr(row, "get") else ""
        ohms = ohms_said(written) if written else None
        beeps = _beeps(word, where, line) if ohms is None else ohms < BEEPS_BELOW
        reading = Continuity(*pair, beeps, line, ohms)
        before = result.setdefault(reading.pair, reading)
        if before.beeps != reading.beeps:
            raise ReadingError(
                f"{pair[0]} to {pair[1]} beeps in one row and not in another (rows {before.line} and {line})",
                where=where, fix="Measure that pair again and keep only one row",
            )  # fmt: skip
    return tuple(result.values())


def _beeps(word: object, where: str, line: int) -> bool:
    text = str(word).strip().lower()
    if text in YES | NO:
        return text in YES
    raise ReadingError(
        f"'{str(word)[:20]}' is neither yes nor no", where=where, part=f"line {line}",
        fix="Write yes where the meter beeps, no where it does not",
    )  # fmt: skip


def cable_faults(amp: Amp, readings: Sequence[Continuity]) -> tuple[CableFault, ...]:
    """List the faults that the readings show against the drawing; pairs that were not read are not judged."""
    graph = cable_graph(amp)
    drawn = joined_pairs(graph, pins(amp))
    read = {reading.pair: reading.beeps for reading in readings}
    joined = {pair for pair, beeps in read.items() if beeps}
    lost = {pair for pair, beeps in read.items() if not beeps} & drawn
    extra = joined - drawn
    result = list(_contradictions(joined, read))
    swaps, lost, extra = _swaps(lost, extra)
    result += swaps
    result += [_lost(pair, graph) for pair in sorted(lost, key=sorted)]
    result += _extra(extra, graph)
    return tuple(result)


def _contradictions(joined: set[Pair], read: dict[Pair, bool]) -> Iterable[CableFault]:
    """A to B and B to C beep, A to C does not: one of the three is a slip."""
    metal = nx.Graph(tuple(pair) for pair in joined)
    for piece in nx.connected_components(metal):
        for one, two in combinations(sorted(piece), 2):
            if read.get(frozenset((one, two))) is False:
                steps = nx.shortest_path(metal, one, two)
                text = f"{' to '.join(steps)} beep, but {one} to {two} does not: measure these again"
                yield CableFault("contradiction", (one, two), text)


def _name(pin: Pin) -> str:
    return pin.split(".")[0]


def _swaps(lost: set[Pair], extra: set[Pair]) -> tuple[list[CableFault], set[Pair], set[Pair]]:
    """Two lost wires whose ends are found crosswise."""
    faults: list[CableFault] = []
    lost, extra = set(lost), set(extra)
    for first, second in combinations(sorted(lost, key=sorted), 2):
        a, b = sorted(first)
        c, d = sorted(second)
        if _name(a) != _name(c) or _name(b) != _name(d):
            continue
        crossed = {frozenset((a, d)), frozenset((c, b))}
        if first in lost and second in lost and crossed <= extra:
            lost -= {first, second}
            extra -= crossed
            text = f"{a} goes to {d} and {c} to {b}: swapped"
            faults.append(CableFault("swapped", (a, b, c, d), text))
    return faults, lost, extra


def _lost(pair: Pair, graph: nx.Graph) -> CableFault:
    one, two = sorted(pair)
    by = way(graph, one, two)
    if by == "strap":
        return CableFault("strap missing", (one, two), f"the strap {one} to {two} is missing")
    return CableFault("open", (one, two), f"{one} to {two} ({by}) is open")


def _extra(extra: set[Pair], graph: nx.Graph) -> list[CableFault]:
    """Extra connections, each piece of metal told once."""
    metal = nx.Graph(tuple(pair) for pair in extra)
    faults = []
    for piece in nx.connected_components(metal):
        members = tuple(sorted(piece))
        wires = joined_pairs(graph, members)
        one_plug = len({_name(pin) for pin in members}) == 1
        if len(members) == 2 and one_plug and not wires:
            text = f"{members[0]} and {members[1]} are joined, but not on the schematic: a strap or a short"
            faults.append(CableFault("strap extra", members, text))
        else:
            text = f"{', '.join(members)} are joined, but separate on the schematic"
            faults.append(CableFault("joined", members, text))
    return faults
