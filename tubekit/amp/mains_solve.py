"""The line steady state of an amp, with what its own currents set, and a way out where it sticks."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from hashlib import sha256
from itertools import combinations

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import Built, build
from tubekit.amp.fields import Value
from tubekit.amp.parts import Part, Tube
from tubekit.amp.parts.part import HEAT
from tubekit.amp.parts.tubes import heater_string
from tubekit.amp.topology import reached
from tubekit.amp.wiring import fed_by
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import GROUND, Circuit, Device, Rectifier, Windings, nodes_of
from tubekit.circuit.reduction import FLOATING, resistance_to_ground
from tubekit.circuit.stamps import REVERSE_LEAK
from tubekit.devices.heater import COLD, emission
from tubekit.errors import SolveError

Array = np.ndarray

_ANSWERS: dict[bytes, MainsState] = {}

SETTLINGS = 25
"""Solves after which thermistors and swinging chokes are taken as they are."""
AGREED = 1e-4
"""Values are settled once none moves by more than this share."""
FAR = 10.0
LEAST = 1e-9
"""What is less than this counts as this: a heater without voltage."""
UNDER = 0.9
"""A heater that gets less than this share of what the line voltage gives others is looked at by itself."""
LEAK_WORDS = f"only leakage is counted, {1e-6 / REVERSE_LEAK:.0f} MΩ across each rectifier (common practice)"
KEPT = 32
"""Single circuits whose steady state is kept: comparisons and panels ask for the same few again and again."""
LIVE_V = 30.0
"""An unloaded rail above this is said [V]."""


def solve_mains(
    amp: Amp, near: MainsState | None = None, names: list[str] | None = None, heat: Value | None = None
) -> tuple[Built, MainsState]:
    """The circuit of an amp with its self-setting parts settled, and its steady state.

    `near` is used where its circuit has parts of the same names (`names`, when given); `heat` is what every
    heater gets, volts over rated volts, where that is not what the line says.

    Raises
    ------
    SolveError : supply and amp do not agree.
    """
    given: dict[str, Value] = {} if heat is None else {HEAT: heat}
    built = build(amp, given)
    usable = near if near is not None and names == [part.name for part in built.circuit.parts] else None
    state = solve_circuit(built.circuit, amp, usable)
    cold = _cold(amp, state) if heat is None else {}
    own = dict.fromkeys(_self_setting(amp, heat is None), np.array(True))
    own = {part: few for part, (_, few) in cold.items()} | own
    last = None
    for _ in range(SETTLINGS if own else 0):
        new, was = dict(part.set_by(state) for part in own), built.settled
        new = {
            name: np.where(few, new[name], _line(amp)) for name, few in zip(new, own.values(), strict=True)
        }
        pairs = [np.broadcast_arrays(was.get(name, value), value) for name, value in new.items()]
        x, ends = np.log(np.maximum(np.reshape(pairs, (len(new), 2, -1)), LEAST)).transpose(1, 0, 2)
        off = 0.5 * (ends - x)  # half: a thermistor's heat and its current would chase each other
        known = was.keys() >= new.keys()
        if known and np.all(np.abs(off) <= AGREED):
            break
        step, last = _ahead(x, off, last), (x, off) if known else None
        values = (float(each[0]) if amp.batch is None else each for each in np.exp(x + step))
        built = build(amp, given | dict(zip(new, values, strict=True)))
        state = solve_circuit(built.circuit, amp, state)
    return built.saying(
        (*(_heater_notes(amp, state) if heat is None else ()), *_loose(state, amp), *_unloaded(state))
    ), state


def settled_circuit(amp: Amp) -> Built:
    """The circuit of an amp as `steady` leaves it, without a solve where nothing in it sets itself."""
    missing = amp.drawn.parts.keys() - amp.parts.keys()
    whole = not missing and all(part.condition == "fitted" for part in amp.parts.values())
    alone = whole and not _self_setting(amp, True) and _fed_fully(amp)
    return build(amp) if alone else solve_mains(amp)[0]


def _fed_fully(amp: Amp) -> bool:
    """Whether every heater is across a winding of its own volts, with nothing but metal between."""

    @cache
    def same(node: str) -> frozenset[str]:
        return frozenset(reached([node], amp.topology.metal))

    heated = [p for p in amp.parts.values() if isinstance(p, Tube) and p.heater and p.heater_rating()[0]]
    fed = [(fed_by(tube, amp.parts, same), tube.heater_rating()[0]) for tube in heated]
    return all(one is not None and one[1] >= rated for one, rated in fed)


def _self_setting(amp: Amp, heaters: bool) -> list[Part]:
    """Thermistors, swinging chokes and, where asked for, the heaters of a series string."""
    strung = heater_string(amp.parts) if heaters else ()
    return [p for p in amp.parts.values() if p.condition == "fitted" and (p.sets_itself or p in strung)]


def _line(amp: Amp) -> Array:
    """The line voltage over that of the drawing: what heaters get of their volts that are fed as drawn."""
    return np.asarray(amp.mains_rms / np.asarray(amp.design_mains_rms))


def _cold(amp: Amp, state: MainsState) -> dict[Tube, tuple[Array, Array]]:
    """Tubes whose heater is wired and gets too little for full emission, not because of the line voltage
    alone; with volts over rated volts, and the members of a batch in which that is so.
    """
    known = {GROUND, *state.operating_point.network.index}
    share = {
        part: np.asarray(part.set_by(state)[1]) for part in amp.parts.values()
        if isinstance(part, Tube) and part.condition == "fitted" and len(set(part.heater) & known) > 1
        and any(part.heater_rating(each)[0] for each in part.types)
    }  # fmt: skip
    few = {p: (emission(one) < 1) & (one < UNDER * _line(amp)) for p, one in share.items()}
    return {p: (one, few[p]) for p, one in share.items() if few[p].any()}


def _heater_notes(amp: Amp, state: MainsState) -> Iterator[str]:
    """What becomes of tubes that get too little heat."""
    share = {p.designator: float(np.max(one)) for p, (one, few) in _cold(amp, state).items() if few.all()}
    cold = [name for name, one in share.items() if one < COLD]
    if cold:
        yield f"{', '.join(cold)}: no heater voltage, so the cathode is cold and no current flows"
    for name in (each for each in share if each not in cold):
        yield (
            f"{name}: its heater gets {100 * share[name]:.0f} % of its voltage, which leaves some "
            f"{100 * float(emission(share[name])):.2g} % of its emission (from memory, not checked). Do "
            "not rely on its currents, or on any voltage they set"
        )


def _ahead(x: Array, off: Array, last: tuple[Array, Array] | None) -> Array:
    """Where the steps `off` (V, N) from `x` lead, judged by the `last` ones: Anderson's mixing of two.

    Source: D. G. Anderson, Iterative procedures for nonlinear integral equations, J. ACM 12 (1965) (from
    memory). A member that it would send further than `FAR` times its step takes that step.
    """
    if last is None:
        return off
    turned = off - last[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        step = off - (off * turned).sum(axis=0) / np.square(turned).sum(axis=0) * (x - last[0] + turned)
    near = np.abs(step).max(axis=0) <= FAR * np.abs(off).max(axis=0)  # not so where it is not a number
    return np.where(near, step, off)


def solve_circuit(
    circuit: Circuit, amp: Amp, near: MainsState | None = None, *, rails_only: bool = False
) -> MainsState:
    """Steady state of a circuit of the amp; where it fails, what is wrong with its wiring.

    `rails_only` where nobody asks for microvolts away from the supply. A single circuit is solved once: asked
    for again, wherever from, it has the answer it had.
    """
    single = circuit.batch is None
    asked = sha256(pickle.dumps((circuit, amp.mains_hz, rails_only))).digest() if single else b""
    if known := _ANSWERS.get(asked):
        return known
    try:
        state = mains_steady_state(circuit, frequency_hz=amp.mains_hz, near=near, rails_only=rails_only)
    except SolveError as error:
        loose = _loose(error.best, amp)
        if not loose:
            raise
        raise SolveError(loose[0], best=error.best) from error
    if single:
        _ANSWERS[asked] = state
        for oldest in list(_ANSWERS)[:-KEPT]:
            _ANSWERS.pop(oldest, None)
    return state


def _unloaded(state: MainsState) -> Iterator[str]:
    """What to expect where nothing draws current from a rectifier: the peak, held by leakage alone."""
    result: dict[str, set[str]] = {}
    floats: dict[tuple[str, ...], set[str]] = {}
    for k in np.flatnonzero(state.unloaded.all(axis=0)):
        one = state.operating_point.network.rectifiers[k]
        name = one.name.split(".")[0]
        if any(part.name == name for part in state.circuit.of(Device)):
            continue  # the forward side of a Zener diode feeds nothing
        node = max((one.plate, one.cathode), key=lambda end: float(np.abs(state.mean(end)).max()))
        hung = next(filter(None, (_hung(state.circuit, end) for end in (one.plate, one.cathode))), ())
        if hung:
            floats.setdefault(hung, set()).add(name)
        elif np.abs(state.mean(node)).max() > LIVE_V:
            result.setdefault(node, set()).add(name)
    for node, names in result.items():
        yield (
            f"{node}: nothing loads {' and '.join(sorted(names))}, so expect the peak, "
            f"{np.abs(state.mean(node)).max():.3g} V, and it stays after switch-off; {LEAK_WORDS}"
        )
    for nodes, names in floats.items():
        peak = max(float(np.abs(state.waveform(a, b)).max()) for a, b in combinations(nodes, 2))
        yield (
            f"{', '.join(nodes)}: nothing ties this winding to ground, so {' and '.join(sorted(names))} can "
            f"deliver nothing. Stray leaks set its voltage to ground: expect up to its peak, {peak:.3g} V; "
            f"{LEAK_WORDS}"
        )


def _hung(circuit: Circuit, node: str) -> tuple[str, ...]:
    """The nodes of a winding that no resistor, wire or capacitor ties to anything else; () where one does."""
    ends = {pair for coils in circuit.of(Windings) for pair in coils.ends}
    hung = {node}
    for _ in ends:
        hung |= {end for pair in ends if hung & set(pair) for end in pair}
    others = [p for p in circuit.parts if not isinstance(p, Windings | Rectifier)]
    tied = GROUND in hung or any(hung & set(nodes_of(part)) for part in others)
    return () if tied or len(hung) < 2 else tuple(sorted(hung))


def _loose(state: object, amp: Amp) -> tuple[str, ...]:
    """That only tubes and leakage hold a winding with a cathode on it; a rectifier ties what it feeds."""
    if not isinstance(state, MainsState):
        return ()
    coils, network = state.circuit.of(Windings), state.operating_point.network
    edge = network.rectifier_incidence
    network = replace(network, conductance=network.conductance + edge @ edge.T)
    ends = sorted({end for each in coils for pair in each.ends for end in pair} - amp.line_side.nodes)
    nodes = [*ends, *(tube.cathode for tube in state.circuit.of(Device))]
    free = resistance_to_ground(network, nodes)[0] > FLOATING
    if not free[len(ends) :].any() or not free[: len(ends)].any():
        return ()
    names = ", ".join(np.array(ends)[free[: len(ends)]])
    words = (
        f"{names}: only tubes connect this winding to ground. It floats, so the current of a tube on it "
        "cannot return. Wire it, or its hum balance control, to ground."
    )
    return (words,)
