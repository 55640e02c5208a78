"""Slips of whoever soldered a cable, and what a meter would then find: to try, and to learn from."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, pairwise

import networkx as nx
import numpy as np

from tubekit.amp import Amp, AmpReport, parts as drawn
from tubekit.amp.parts.switches import UNUSED
from tubekit.amp.supply import fuse_readings
from tubekit.bench.continuity import CableFault, Continuity, Pin, cable_graph, connectors, joined_pairs, pins
from tubekit.decisions.limits import idle_limits
from tubekit.decisions.rating import RatingCheck
from tubekit.errors import ReadingError, near_matches
from tubekit.units import mark, show

MISTAKES = {
    "as drawn": 0, "swap two pins": 2, "open at a pin": 1, "join two pins": 2, "leave a strap out": 0,
}  # fmt: skip
"""Each slip and how many pins it takes."""


def miswired(amp: Amp, slip: str = "as drawn", *at: Pin) -> tuple[Continuity, ...]:
    """Continuity of every pair of pins on a cable soldered with a slip.

    Parameters
    ----------
    slip : one of `MISTAKES`; two pins are swapped or joined, one is left open, all straps are left out.
    at : the pins, as 'P2.7'.

    Raises
    ------
    ReadingError : no such slip, or pins that cannot be taken for it.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.cable import check_cable
    >>> amp = load_amp("fescue")
    >>> check_cable(amp, miswired(amp, "swap two pins", "P2.7", "P2.4")).faults[0].kind
    'swapped'
    """
    if slip not in MISTAKES:
        raise ReadingError(f"unknown wiring error '{slip}'", where=amp.name, fix=f"Try {', '.join(MISTAKES)}")
    known, needed = pins(amp), MISTAKES[slip]
    if len(set(at)) != needed or not set(at) <= set(known):
        raise ReadingError(
            f"'{slip}' does not work with {', '.join(at) or 'no pin'}", where=amp.name,
            fix=f"Name {needed} different pins of {', '.join(known[:2])} …" if needed else "Name no pin",
        )  # fmt: skip
    graph = cable_graph(amp)
    _SOLDER[slip](graph, *at)
    joined = joined_pairs(graph, known)
    return tuple(Continuity(a, b, frozenset((a, b)) in joined) for a, b in combinations(known, 2))


def joined_nodes(amp: Amp, faults: Iterable[CableFault]) -> Iterator[tuple[str, str]]:
    """Nodes of the chassis that faults join, with both plugs in, and that the drawing keeps apart.

    Examples
    --------
    >>> from tubekit.bench.cable import check_cable
    >>> from tubekit import load_amp
    >>> amp = load_amp("fescue")
    >>> list(joined_nodes(amp, check_cable(amp, miswired(amp, "swap two pins", "P2.7", "P2.4")).faults))
    [('B3', 'standby_in'), ('B1', 'B3_box')]
    """
    for fault in faults:
        if fault.kind == "swapped":
            a, b, c, d = fault.pins
            pairs = [(a, d), (c, b)]
        elif fault.kind in ("joined", "strap extra"):
            pairs = list(pairwise(fault.pins))
        else:
            continue
        for one, two in pairs:
            nodes = _socket(amp, one), _socket(amp, two)
            if UNUSED not in nodes and nodes[0] != nodes[1]:
                yield nodes


def _socket(amp: Amp, pin: Pin) -> str:
    name, _, number = pin.partition(".")
    return connectors(amp)[name].socket[int(number) - 1]


def _soldered(graph: nx.Graph, pin: Pin) -> list[str]:
    return [other for other in graph[pin] if graph.edges[pin, other]["by"] == "solder"]


def _swap(graph: nx.Graph, one: Pin, two: Pin) -> None:
    """What is soldered to one pin goes to the other; straps stay at their pins."""
    first, second = _soldered(graph, one), _soldered(graph, two)
    graph.remove_edges_from([(one, node) for node in first] + [(two, node) for node in second])
    graph.add_edges_from([(two, node) for node in first] + [(one, node) for node in second], by="solder")


def _open(graph: nx.Graph, pin: Pin) -> None:
    graph.remove_edges_from([(pin, node) for node in list(graph[pin])])


def _join(graph: nx.Graph, one: Pin, two: Pin) -> None:
    graph.add_edge(one, two, by="slip")


def _no_straps(graph: nx.Graph) -> None:
    graph.remove_edges_from([(a, b) for a, b, by in list(graph.edges(data="by")) if by == "strap"])


def _as_drawn(graph: nx.Graph) -> None:
    """Nothing is done to it."""


_SOLDER: Mapping[str, Callable[..., None]] = {
    "as drawn": _as_drawn, "swap two pins": _swap, "open at a pin": _open, "join two pins": _join,
    "leave a strap out": _no_straps,
}  # fmt: skip


def swapped_pins(amp: Amp, one: Pin, two: Pin) -> Amp:
    """The amp with the wires at two pins of one plug soldered to each other's pin; straps stay.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> swapped_pins(load_amp("fescue"), "P2.7", "P2.8").parts["P2"].plug[6:8]
    ('w8', 'w7')
    """
    name, (i, j) = one.split(".")[0], (int(pin.split(".")[1]) for pin in (one, two))
    part = connectors(amp)[name]
    plug = list(part.plug)
    plug[i - 1], plug[j - 1] = plug[j - 1], plug[i - 1]
    return dataclasses.replace(amp, parts={**amp.parts, name: dataclasses.replace(part, plug=tuple(plug))})


def cut(amp: Amp, wire: str) -> Amp:
    """The amp with one of its wires cut.

    Raises
    ------
    ReadingError : there is no such wire (near matches listed).
    """
    wires = [name for name, part in amp.parts.items() if isinstance(part, drawn.Wire)]
    if wire not in wires:
        raise ReadingError(
            f"there is no wire '{wire[:20]}'", where=amp.name, near=near_matches(wire, wires),
            fix=f"Choose one of {', '.join(wires)}" if wires else "This amp file has no wires",
        )  # fmt: skip
    return dataclasses.replace(amp, parts={name: part for name, part in amp.parts.items() if name != wire})


def found_amp(amp: Amp, readings: Sequence[Continuity]) -> Amp:
    """The amp with its cable as the readings found it; what was not read stands as drawn."""
    read = {reading.pair: reading.beeps for reading in readings}
    parts = {name: part for name, part in amp.parts.items() if not _contradicted(amp, part, read)}
    names = connectors(amp)
    for name, part in names.items():
        straps = tuple(s for s in part.straps if read.get(frozenset(f"{name}.{pin}" for pin in s), True))
        parts[name] = dataclasses.replace(part, straps=straps)
    for k, (one, two) in enumerate(_found_joined(readings), 1):
        parts = _strap_or_wire(parts, one, two, f"W{900 + k}")
    return dataclasses.replace(amp, parts=parts)


def _contradicted(amp: Amp, part: drawn.Part, read: dict[frozenset[str], bool]) -> bool:
    """A wire that the meter did not find."""
    if not isinstance(part, drawn.Wire):
        return False
    soldered = [
        (node, f"{name}.{k}") for name, c in connectors(amp).items() for k, node in enumerate(c.plug, 1)
    ]
    ends = [{pin for node, pin in soldered if node == end} for end in part.ends]
    return any(read.get(frozenset((a, b))) is False for a in ends[0] for b in ends[1])


def _found_joined(readings: Sequence[Continuity]) -> Iterator[tuple[str, str]]:
    for reading in readings:
        if reading.beeps:
            yield reading.one, reading.two


def _strap_or_wire(parts: dict[str, drawn.Part], one: str, two: str, wire: str) -> dict[str, drawn.Part]:
    """A strap where both pins are in one plug, else a wire between what is soldered to them."""
    (a, i), (b, j) = (pin.split(".") for pin in (one, two))
    first, second = parts[a], parts[b]
    assert isinstance(first, drawn.Connector)
    assert isinstance(second, drawn.Connector)
    if a == b:
        strap = (min(int(i), int(j)), max(int(i), int(j)))
        return {**parts, a: dataclasses.replace(first, straps=tuple(dict.fromkeys((*first.straps, strap))))}
    first, node_a = _solder_node(first, int(i))
    parts = {**parts, a: first}
    second, node_b = _solder_node(second, int(j))
    parts = {**parts, b: second}
    return {**parts, wire: drawn.Wire(designator=wire, ends=(node_a, node_b))}


def _solder_node(part: drawn.Connector, pin: int) -> tuple[drawn.Connector, str]:
    """The node on a plug's pin; one is made for a pin that only a strap touched."""
    node = part.plug[pin - 1]
    if node != UNUSED:
        return part, node
    node = f"{part.designator}_{pin}"
    return dataclasses.replace(
        part, plug=tuple(node if k == pin else n for k, n in enumerate(part.plug, 1))
    ), node


BURNS = 2.0
"""From this many times its rating on a part is damaged within minutes (common practice, no source)."""
HARMS = 1.1
"""Up to this many times its rating nothing is said of it here: an unloaded winding comes that far (common
practice, no source)."""
SHOWN = 4


def damage(before: AmpReport, after: AmpReport) -> tuple[str, ...]:
    """List the damage by a change of wiring, the fuse first, then ratings by how far they are exceeded.

    Parameters
    ----------
    before, after : the amp as it should be, and with the other wiring; what exceeds its rating in both is
        left out.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> amp = load_amp("teasel")
    >>> damage(analyze(amp), analyze(amp.changed({"C14": "short"})))[0][:24]
    'F1 (1.50 A slow) carries'
    """
    was = {c.key: c for c in idle_limits(before)}
    worse = [
        c for c in idle_limits(after)
        if c.worst > HARMS and c.code != "fuse_a" and c.since(was.get(c.key)) in ("new", "worse")
    ]  # fmt: skip
    result = [*_fuses(after), *_together(worse, after)]
    more = len(result) - SHOWN
    return (*result[:SHOWN], f"{more} more ratings exceeded") if more > 1 else tuple(result)


def _fuses(report: AmpReport) -> Iterator[str]:
    for one in fuse_readings(report.solved):
        amps, rated = float(np.max(one.amps)), float(np.max(one.rated_a))
        if np.isfinite(np.min(one.holds_s)):
            words = f"{one.fuse} ({show(rated, 'A')} {one.speed}) carries {show(amps, 'A')}"
            yield f"{words}: {one.carries}"


def _together(checks: list[RatingCheck], after: AmpReport) -> Iterator[str]:
    """Parts that share a fate on one line, the worst's figures with them, in the order of their names."""
    alike: dict[tuple[str, str], list[RatingCheck]] = {}
    for c in checks:
        alike.setdefault((_heater(after, c) or c.code, f"{c.worst:.2g}"), []).append(c)
    for (fate, _), same in alike.items():
        one = same[0]
        names = sorted({f"{c.part} winding" if " " in c.part else c.part for c in same})
        parts = ", ".join(names)
        hot = one.unit in ("W", "A")
        verb = "will burn out" if hot and one.worst >= BURNS else "overloaded" if hot else "over the limit"
        figures = f"{one.what} {show(one.value, one.unit)} (limit {mark(one.limit, one.unit)})"
        yield f"{parts}: {fate}" if fate != one.code else f"{parts} {verb}: {figures}"


def _heater(after: AmpReport, c: RatingCheck) -> str:
    """'heater at 0 V, should be 6.30 V'; nothing of another rating."""
    if c.code != "heater_off":
        return ""
    tube = after.tube(c.part)
    volts = round(float(np.max(tube.heater_rms_v)), 2)
    return f"heater at {show(volts, 'V')}, should be {show(float(np.max(tube.heater_rated_v)), 'V')}"
