"""The interlock and standby loop in every state of plugs and switches, each solved as the amp is wired."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, parts as drawn
from tubekit.amp.parts.switches import UNUSED
from tubekit.amp.signal_order import primary_nodes
from tubekit.amp.topology import Topology, reached
from tubekit.bench.cable_errors import damage
from tubekit.bench.continuity import Pin, connectors
from tubekit.circuit.parts import GROUND
from tubekit.errors import SolveError
from tubekit.text import quantity

LIVE_V = 60.0
"""B+ counts as on where an output tube has more than this from plate to cathode [V]: what discharge is
calculated down to as well."""
Settings = tuple[tuple[str, bool], ...]


@dataclass(frozen=True)
class BarePin:
    """A pin that nothing is plugged onto, with what a meter and a finger find there to ground."""

    pin: Pin
    side: str
    dc_v: float = quantity("V", "V", "direct voltage to ground")
    peak_v: float = quantity("V", "V", "highest voltage to ground at any moment")


@dataclass(frozen=True, eq=False)
class LoopState:
    """One state of connectors and switches, solved.

    `high_tension` is whether the output tubes have B+, `loudspeaker` whether one is connected; `harms` are
    ratings beyond their limit that the drawn amp, all plugs in and on, keeps; `unsolved` says why there is
    no solution (B+ then follows from the wiring alone).
    """

    inserted: Settings
    closed: Settings
    high_tension: bool
    loudspeaker: bool
    output_v: float = quantity("V", "V", "highest voltage from plate to cathode of an output tube")
    bare: tuple[BarePin, ...] = ()
    harms: tuple[str, ...] = ()
    unsolved: str = ""

    @property
    def words(self) -> str:
        """The state as the hand would set it."""
        plugs = [f"{name} {'in' if there else 'out'}" for name, there in self.inserted]
        switches = [f"{name} {'closed' if shut else 'open (standby)'}" for name, shut in self.closed]
        return ", ".join(plugs + switches) or "as it is"

    @property
    def key(self) -> tuple[Settings, Settings]:
        """Settings, to find the same state of another wiring."""
        return self.inserted, self.closed


@lru_cache(maxsize=8)
def loop_switches(amp: Amp) -> tuple[str, ...]:
    """Standby switches: those whose opening takes B+ off the output tubes, on the feeding or the ground side.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> loop_switches(load_amp("fescue"))
    ('S2',)
    """
    off = amp.line_side.nodes
    names = [
        name
        for name, part in amp.parts.items()
        if isinstance(part, drawn.Switch) and not set(part.ends) & off
    ]
    if not names:
        return ()
    all_on = _set(amp, tuple((name, True) for name in connectors(amp)), tuple((n, True) for n in names))
    on = drawn_on(all_on)
    return tuple(name for name in names if _dead(_set(all_on, (), ((name, False),)), on))


@lru_cache(maxsize=8)
def drawn_on(amp: Amp) -> AmpReport:
    """The amp solved as it is set, kept for its states."""
    return analyze(amp)


def _dead(amp: Amp, on: AmpReport) -> bool:
    try:
        return output_volts(analyze(amp, near=on)) < min(LIVE_V, 0.2 * output_volts(on))
    except SolveError:
        return not _fed(Topology(amp.parts))


@lru_cache(maxsize=8)
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
        _state(
            amp, drawn_amp, tuple(zip(plugs, inside, strict=True)), tuple(zip(switches, shut, strict=True))
        )
        for inside in product((True, False), repeat=len(plugs))
        for shut in product((True, False), repeat=len(switches))
    )


@lru_cache(maxsize=8)
def unplugged(amp: Amp) -> tuple[LoopState, ...]:
    """Each connector pulled out alone with the amp on: what is then on its bare pins.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> out = {state.words: state for state in unplugged(load_amp("fescue"))}
    >>> [(pin.pin, pin.side, round(pin.dc_v, -1)) for pin in out["P4 out"].bare if abs(pin.dc_v) > 1]
    [('P4.3', 'socket', 480.0)]
    """
    shut = tuple((name, True) for name in loop_switches(amp))
    ready = _set(amp, (), shut)
    return tuple(_state(ready, amp, ((name, False),), ()) for name in connectors(amp))


def _carries_loudspeaker(amp: Amp, part: drawn.Connector) -> bool:
    horns = {node for p in amp.parts.values() if isinstance(p, drawn.Loudspeaker) for node in p.ends}
    return bool(horns & set(part.plug))


def _set(amp: Amp, inserted: Settings, closed: Settings) -> Amp:
    parts = dict(amp.parts)
    for name, there in inserted:
        parts[name] = dataclasses.replace(parts[name], inserted=there)  # type: ignore[call-arg]
    for name, shut in closed:
        parts[name] = dataclasses.replace(parts[name], position="closed" if shut else "open")  # type: ignore[call-arg]
    return dataclasses.replace(amp, parts=parts)


def _state(amp: Amp, drawn_amp: Amp, inserted: Settings, closed: Settings) -> LoopState:
    there, on = _set(amp, inserted, closed), drawn_on(drawn_amp)
    topology = Topology(there.parts)
    loudspeaker = _connected(topology)
    try:
        report = analyze(there, near=on)
    except SolveError as error:
        fed = _fed(topology)
        return LoopState(inserted, closed, fed, loudspeaker, np.nan, (), (), str(error))
    volts = output_volts(report)
    bare = tuple(pin for name, inside in inserted if not inside for pin in _bare(report, name))
    return LoopState(inserted, closed, volts > LIVE_V, loudspeaker, volts, bare, damage(on, report))


def output_volts(report: AmpReport) -> float:
    """Highest voltage from plate to cathode of a tube that works into an output transformer [V]."""
    plates = {
        node for part in report.amp.parts.values() if isinstance(part, drawn.OutputTransformer)
        for node in primary_nodes(report.amp, part)
    }  # fmt: skip
    state, index = report.solved.state, report.solved.state.operating_point.network.index
    volts = [
        float(np.abs(state.mean(s.plate, s.cathode)).max())
        for s in report.amp.topology.sections
        if s.plate in plates and all(node == GROUND or node in index for node in (s.plate, s.cathode))
    ]
    return max(volts, default=0.0)


def _bare(report: AmpReport, name: str) -> list[BarePin]:
    """Both halves of a connector that is apart."""
    part = connectors(report.amp)[name]
    state, index = report.solved.state, report.solved.state.operating_point.network.index
    pins = []
    for side, nodes in (("socket", part.socket), ("plug", part.plug)):
        for k, node in enumerate(nodes, 1):
            if node in index and node not in (GROUND, UNUSED):
                wave = state.waveform(node, GROUND)[0]
                pins.append(BarePin(f"{name}.{k}", side, float(wave.mean()), float(np.abs(wave).max())))
    return pins


def _fed(topology: Topology) -> bool:
    """Whether the wiring alone joins every output transformer's B+ end to a rectifier."""
    return all(topology.polarity(node) > 0 for node in _center_taps(topology.parts))


def _center_taps(parts: Mapping[str, drawn.Part]) -> list[str]:
    """Where B+ enters each output transformer: the primary's inner tap, or the end that is no plate."""
    plates = {s.plate for p in parts.values() if isinstance(p, drawn.Tube) for s in p.sections}
    return [
        next((tap for tap in part.primary.taps if tap not in plates), part.primary.taps[0])
        for part in parts.values() if isinstance(part, drawn.OutputTransformer)
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
