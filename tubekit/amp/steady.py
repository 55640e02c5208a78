"""The mains steady state of an amp, with what its own currents set, and a way out where it sticks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import Built, build
from tubekit.amp.fields import Value
from tubekit.amp.heater_wiring import heater_string
from tubekit.amp.parts.part import HEAT
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import Circuit, Rectifier, Resistor
from tubekit.circuit.stamps import REVERSE_LEAK
from tubekit.errors import SolveError

SETTLINGS = 25
"""Solves after which thermistors and swinging chokes are taken as they are."""
AGREED = 1e-3
"""Values are settled once none moves by more than this share."""
LEAKS = (1e6, 3e6, 1e7, 3e7, 1e8)
"""Leakage across each rectifier, tried in turn where a winding floats between pulses [Ω]; common practice."""

LIVE_V = 30.0
"""An unloaded rail above this is said [V]."""


def steady(
    amp: Amp,
    near: MainsState | None = None,
    names: list[str] | None = None,
    heat: Value | None = None,
) -> tuple[Built, MainsState]:
    """The circuit of an amp with its self-setting parts settled, and its steady state.

    `near` is used where its circuit has parts of the same names (`names`, when given); `heat` is what every
    heater gets, volts over rated volts, where that is not what the mains says.

    Raises
    ------
    SolveError : supply and amp do not agree.
    """
    given: dict[str, Value] = {} if heat is None else {HEAT: heat}
    built = build(amp, given)
    usable = near if near is not None and names == [part.name for part in built.circuit.parts] else None
    state, said = solved(built.circuit, amp, usable)
    strung = heater_string(amp.parts) if heat is None else ()
    own = [p for p in amp.parts.values() if p.condition == "fitted" and (p.sets_itself or p in strung)]
    for _ in range(SETTLINGS if own else 0):
        values = _halfway(built.settled, dict(part.set_by(state) for part in own), amp.batch is None)
        was = built.settled
        if all(name in was and np.allclose(new, was[name], rtol=AGREED) for name, new in values.items()):
            break
        built = build(amp, given | values)
        state, said = solved(built.circuit, amp, state)
    return built.saying((*said, *_unloaded(state))), state


def _halfway(old: Mapping[str, Value], new: Mapping[str, Value], single: bool) -> dict[str, Value]:
    """Mean by ratio: a thermistor's heat and its current would chase each other. Floats of a single amp."""
    found = {name: np.sqrt(np.asarray(old.get(name, value)) * value) for name, value in new.items()}
    return {name: float(value[0]) if single else value for name, value in found.items()}


def solved(
    circuit: Circuit, amp: Amp, near: MainsState | None = None, *, rails_only: bool = False
) -> tuple[MainsState, tuple[str, ...]]:
    """Steady state of a circuit, and what had to be taken for granted to get there.

    `rails_only` where nobody asks for microvolts away from the supply.
    """
    try:
        return mains_steady_state(circuit, frequency_hz=amp.mains_hz, near=near, rails_only=rails_only), ()
    except SolveError:
        leaky, ohms = _leaky(circuit, amp)
        if leaky is None:
            raise
    words = f"a winding floats between pulses: {ohms / 1e6:g} MΩ of leakage taken across each rectifier"
    return leaky, (words + " (common practice)",)


def _unloaded(state: MainsState) -> Iterator[str]:
    """What to expect where nothing draws current from a rectifier: the peak, held by leakage alone."""
    point, volts = state.operating_point, state.rectifier_volts.mean(axis=2)
    leaks = state.rectifier_currents.mean(axis=2) < 2.0 * REVERSE_LEAK * np.abs(volts)
    found: dict[str, set[str]] = {}
    for k in np.flatnonzero(leaks.all(axis=0)):
        one = point.network.rectifiers[k]
        node = max((one.plate, one.cathode), key=lambda end: float(np.abs(state.mean(end)).max()))
        if np.abs(state.mean(node)).max() > LIVE_V:
            found.setdefault(node, set()).add(one.name.split(".")[0])
    for node, names in found.items():
        yield (
            f"{node}: nothing draws current from {' and '.join(sorted(names))}, so expect the peak, "
            f"{np.abs(state.mean(node)).max():.3g} V, and it stays after switch-off; only leakage is taken, "
            f"{1e-6 / REVERSE_LEAK:.0f} MΩ across each rectifier (common practice)"
        )


def _leaky(circuit: Circuit, amp: Amp) -> tuple[MainsState | None, float]:
    """The same with the least leakage across the rectifiers that lets it be solved."""
    best: MainsState | None = None
    least = 0.0
    for ohms in LEAKS:
        leaks = [Resistor(f"{r.name}.leak", r.plate, r.cathode, ohms) for r in circuit.of(Rectifier)]
        state = mains_steady_state(
            circuit.with_parts(*leaks), frequency_hz=amp.mains_hz, near=best, strict=False
        )
        if state.convergence.mask.any():
            break
        best, least = state, ohms
    return best, least
