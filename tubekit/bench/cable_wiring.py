"""The amp with its cable wired otherwise: as readings found it, two pins swapped, a wire cut."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.connectors import UNUSED
from tubekit.bench.cable_graph import Pin, connectors
from tubekit.bench.continuity import Continuity
from tubekit.errors import ReadingError, near_matches


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
        parts = _join(parts, one, two, f"W{900 + k}")
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


def _join(parts: dict[str, drawn.Part], one: str, two: str, wire: str) -> dict[str, drawn.Part]:
    """A strap where both pins are in one plug, else a wire between what is soldered to them."""
    (a, i), (b, j) = (pin.split(".") for pin in (one, two))
    first, second = parts[a], parts[b]
    assert isinstance(first, drawn.Connector)
    assert isinstance(second, drawn.Connector)
    if a == b:
        strap = (min(int(i), int(j)), max(int(i), int(j)))
        return {**parts, a: dataclasses.replace(first, straps=tuple(dict.fromkeys((*first.straps, strap))))}
    first, node_a = _soldered(first, int(i))
    parts = {**parts, a: first}
    second, node_b = _soldered(second, int(j))
    parts = {**parts, b: second}
    return {**parts, wire: drawn.Wire(designator=wire, ends=(node_a, node_b))}


def _soldered(part: drawn.Connector, pin: int) -> tuple[drawn.Connector, str]:
    """The node on a plug's pin; one is made for a pin that only a strap touched."""
    node = part.plug[pin - 1]
    if node != UNUSED:
        return part, node
    node = f"{part.designator}_{pin}"
    return dataclasses.replace(
        part, plug=tuple(node if k == pin else n for k, n in enumerate(part.plug, 1))
    ), node
