"""Which nodes conduct to which at DC: where B+ gets to, what reaches ground, what the plug feeds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from tubekit.amp.parts import (
    GROUND,
    Capacitor,
    Connector,
    Diode,
    Jack,
    Part,
    Potentiometer,
    RectifierTube,
    Selector,
    Switch,
    Transformer,
    Tube,
    TwoTerminal,
)

Edge = tuple[str, str]


def conducting(part: Part, *, as_wired: bool = False) -> Iterator[Edge]:
    """Pairs of nodes that `part` joins at DC; tubes and diodes are left out.

    `as_wired` takes every switch as closed and every part as good: the wiring, not its state.
    """
    if isinstance(part, Transformer):
        for winding in part.windings:
            yield from winding.sections
    elif isinstance(part, Potentiometer):
        yield from ((part.top, part.wiper), (part.wiper, part.bottom))
    elif isinstance(part, Selector):
        yield from ((part.common, one) for one in part.contacts if as_wired or one == part.chosen)
    elif isinstance(part, Connector):
        yield from (replace(part, inserted=True) if as_wired else part).joined
    elif isinstance(part, Jack):
        if part.tip_switch is not None and not part.plugged:
            yield part.tip, part.tip_switch
    elif isinstance(part, TwoTerminal) and _closed(part, as_wired):
        yield part.ends


def _closed(part: TwoTerminal, as_wired: bool) -> bool:
    if part.condition != "fitted" and not as_wired:
        return part.condition == "short"
    if isinstance(part, Switch):
        return as_wired or part.position == "closed"
    return not isinstance(part, (Capacitor, Diode))


def edges(parts: Iterable[Part], *, as_wired: bool = False) -> list[Edge]:
    """Every conducting pair of these parts."""
    return [pair for part in parts for pair in conducting(part, as_wired=as_wired)]


def reached(starts: Iterable[str], pairs: Iterable[Edge], stops: Iterable[str] = ()) -> set[str]:
    """Nodes reached from `starts`; a node of `stops` is reached but not passed through.

    Examples
    --------
    >>> sorted(reached(["B1"], [("B1", "B2"), ("B2", "ground"), ("ground", "k1")], stops=["ground"]))
    ['B1', 'B2', 'ground']
    """
    beside: dict[str, list[str]] = {}
    for a, b in pairs:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    stop, seen, todo = set(stops), set(starts), list(starts)
    while todo:
        node = todo.pop()
        if node in stop:
            continue
        fresh = [one for one in beside.get(node, ()) if one not in seen]
        seen.update(fresh)
        todo.extend(fresh)
    return seen


def supply_nodes(parts: Mapping[str, Part]) -> list[str]:
    """Cathodes of the rectifiers, tube and silicon: where a B+ begins."""
    tubes = [part.cathode for part in parts.values() if isinstance(part, RectifierTube)]
    diodes = [part.b for part in parts.values() if isinstance(part, Diode)]
    return [node for node in dict.fromkeys([*tubes, *diodes]) if node != GROUND]


def fed_by_supply(parts: Mapping[str, Part], *, as_wired: bool = False) -> set[str]:
    """Nodes with a DC path to a rectifier cathode that does not pass ground."""
    pairs = edges(parts.values(), as_wired=as_wired)
    return reached(supply_nodes(parts), pairs, stops=[GROUND])


def grounded(parts: Mapping[str, Part], without: str = "") -> set[str]:
    """Nodes with a DC path to ground; tubes count as paths (stacked stages), but not section `without`."""
    pairs = edges(parts.values(), as_wired=True)
    for part in parts.values():
        if isinstance(part, RectifierTube):
            pairs += [(plate, part.cathode) for plate in part.plates]
        elif isinstance(part, Tube):
            pairs += [
                (section.plate, section.cathode) for section in part.sections if section.name != without
            ]
        elif isinstance(part, Diode):
            pairs.append(part.ends)
    return reached([GROUND], pairs)
