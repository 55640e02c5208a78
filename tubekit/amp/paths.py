"""Which nodes conduct to which at DC: where B+ gets to, what reaches ground, what the plug feeds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tubekit.amp.parts import GROUND, Diode, Part, RectifierTube, Tube
from tubekit.amp.parts.part import Edge


def edges(parts: Iterable[Part], *, as_wired: bool = False) -> list[Edge]:
    """Every conducting pair of these parts."""
    return [pair for part in parts for pair in part.conducts(as_wired=as_wired)]


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
        pairs += part.rectifies(as_wired=True)
        if isinstance(part, Tube):
            pairs += [(one.plate, one.cathode) for one in part.sections if one.name != without]
    return reached([GROUND], pairs)
