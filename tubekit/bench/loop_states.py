"""The interlock and standby loop in every state: plugs in or out, standby on or off."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.connectors import UNUSED
from tubekit.amp.topology import Topology, reached
from tubekit.bench.cable_graph import connectors
from tubekit.bench.continuity import Continuity
from tubekit.circuit.parts import GROUND


@dataclass(frozen=True)
class LoopState:
    """One state: which connectors are in, which switches closed; is B+ on at the output stage, and is the
    loudspeaker connected.
    """

    inserted: tuple[tuple[str, bool], ...]
    closed: tuple[tuple[str, bool], ...]
    high_tension: bool
    loudspeaker: bool

    @property
    def words(self) -> str:
        """The state as the hand would set it."""
        plugs = [f"{name} {'in' if there else 'out'}" for name, there in self.inserted]
        switches = [f"{name} {'closed' if shut else 'open (standby)'}" for name, shut in self.closed]
        return ", ".join(plugs + switches) or "as it stands"

    @property
    def key(self) -> tuple[tuple[tuple[str, bool], ...], tuple[tuple[str, bool], ...]]:
        """What was set, to find the same state of another wiring."""
        return self.inserted, self.closed


def loop_switches(amp: Amp) -> tuple[str, ...]:
    """Switches behind the rectifier whose opening takes B+ off something: standby switches."""
    off, fed = amp.line_side.nodes, amp.topology.fed
    found = []
    for name, part in amp.parts.items():
        if isinstance(part, drawn.Switch) and not set(part.ends) & off:
            opened = {**amp.parts, name: dataclasses.replace(part, position="open")}
            closed = {**amp.parts, name: dataclasses.replace(part, position="closed")}
            if Topology(opened).fed != Topology(closed).fed or set(part.ends) & fed.keys():
                found.append(name)
    return tuple(found)


def loop_states(amp: Amp, like: Amp | None = None) -> tuple[LoopState, ...]:
    """Every state of the connectors that carry a strap or a loudspeaker, and of the standby switches.

    `like` names the amp whose connectors and switches are set, where the wiring of `amp` is another.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> for state in loop_states(load_amp("fescue")):
    ...     print(state.words, state.high_tension)
    P4 in, S2 closed True
    P4 in, S2 open (standby) False
    P4 out, S2 closed False
    P4 out, S2 open (standby) False
    """
    drawn_amp = like or amp
    there = connectors(drawn_amp)
    plugs = [name for name, part in there.items() if part.straps or _carries_loudspeaker(drawn_amp, part)]
    switches = loop_switches(drawn_amp)
    return tuple(
        _state(amp, tuple(zip(plugs, inside, strict=True)), tuple(zip(switches, shut, strict=True)))
        for inside in product((True, False), repeat=len(plugs))
        for shut in product((True, False), repeat=len(switches))
    )


def _carries_loudspeaker(amp: Amp, part: drawn.Connector) -> bool:
    horns = {node for p in amp.parts.values() if isinstance(p, drawn.Loudspeaker) for node in p.ends}
    return bool(horns & set(part.plug))


def _state(amp: Amp, inserted: Sequence[tuple[str, bool]], closed: Sequence[tuple[str, bool]]) -> LoopState:
    parts = dict(amp.parts)
    for name, there in inserted:
        parts[name] = dataclasses.replace(parts[name], inserted=there)  # type: ignore[call-arg]
    for name, shut in closed:
        parts[name] = dataclasses.replace(parts[name], position="closed" if shut else "open")  # type: ignore[call-arg]
    topology = Topology(parts)
    return LoopState(
        tuple(inserted),
        tuple(closed),
        all(topology.polarity(node) > 0 for node in _center_taps(amp)),
        _connected(topology),
    )


def _center_taps(amp: Amp) -> list[str]:
    """Where B+ enters each output transformer: the primary's inner tap, or the end that is no plate."""
    plates = {s.plate for p in amp.parts.values() if isinstance(p, drawn.Tube) for s in p.sections}
    return [
        next((tap for tap in part.primary.taps if tap not in plates), part.primary.taps[0])
        for part in amp.parts.values() if isinstance(part, drawn.OutputTransformer)
    ]  # fmt: skip


def _connected(topology: Topology) -> bool:
    """Whether a loudspeaker hangs on a secondary."""
    listed = list(topology.parts.values())
    secondaries = {
        tap for p in listed if isinstance(p, drawn.OutputTransformer)
        for winding in p.windings[1:] for tap in winding.taps
    }  # fmt: skip
    for part in listed:
        if isinstance(part, drawn.Loudspeaker):
            ends = [reached([end], topology.metal).keys() & (secondaries | {GROUND}) for end in part.ends]
            if all(ends) and set.union(*ends) - {GROUND}:
                return True
    return False


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
