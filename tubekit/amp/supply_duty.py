"""Readings of a supply, taken from the line steady state."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from tubekit.amp import parts as drawn
from tubekit.amp.fuse_time import fuse_class
from tubekit.amp.solve import SolvedAmp, capacitor_rms
from tubekit.amp.supply_readings import CoilReading, FilterReading, FuseReading, MainsReading, RectifierDuty
from tubekit.analyses.mains import MainsState
from tubekit.circuit.parts import Resistor, Windings

Array = np.ndarray

LOSS = 0.15
"""Loss factor of an electrolytic at twice the line frequency (tan δ); common practice, no source."""


def filters(amp: SolvedAmp, cold: MainsState) -> Iterator[FilterReading]:
    """Every capacitor of the supply; `cold` is the state without tubes."""
    state, one = amp.state, amp.one
    for name in amp.amp.topology.wired.charged:
        part = amp.amp.parts[name]
        assert isinstance(part, drawn.Capacitor)
        amps = capacitor_rms(state, part)
        ohms = series_ohms(part, state.frequency_hz)
        waves = (state.waveform(part.a, part.b), cold.waveform(part.a, part.b))
        hot, surge = (np.abs(wave).max(axis=1) for wave in waves)
        yield FilterReading(
            part.designator, part.a, part.b, one(state.mean(part.a, part.b)),
            one(state.ripple_pp(part.a, part.b)), one(state.ripple_rms(part.a, part.b)), one(hot), one(surge),
            one(_stated(part.volts)), one(_stated(part.surge_volts)), one(amps),
            one(_stated(part.ripple_amps)), one(ohms), one(amps**2 * ohms),
        )  # fmt: skip


def series_ohms(part: drawn.Capacitor, mains_hz: float) -> Array | float:
    """Series resistance as stated, else usual for an electrolytic; NaN for other styles [Ω]."""
    if part.series_ohms is not None:
        return part.series_ohms
    if part.style != "electrolytic":
        return float("nan")
    return np.asarray(LOSS / (2 * np.pi * 2 * mains_hz * np.asarray(part.farads)))


def _stated(value: Any) -> Any:
    return float("nan") if value is None else value


def rectifiers(amp: SolvedAmp) -> Iterator[RectifierDuty]:
    """Every diode and plate."""
    state, one = amp.state, amp.one
    for k, part in enumerate(state.operating_point.network.rectifiers):
        amps, volts = state.rectifier_currents[:, k], state.rectifier_volts[:, k]
        peak = amps.max(axis=1)
        yield RectifierDuty(
            part.name, one(amps.mean(axis=1)), one(np.sqrt((amps**2).mean(axis=1))), one(peak),
            one(-volts.min(axis=1)), one((amps > 0.01 * peak[:, None]).mean(axis=1)),
        )  # fmt: skip


def coils(amp: SolvedAmp) -> Iterator[CoilReading]:
    """Every section of every winding, and every choke."""
    state, one = amp.state, amp.one
    wired = {part.name: part for part in state.circuit.of(Windings)}
    for part in amp.amp.parts.values():
        if part.designator not in wired or isinstance(part, drawn.Loudspeaker):
            continue
        coils = wired[part.designator]
        names = (
            [(w.name, pair) for w in part.windings for pair in w.sections]
            if isinstance(part, drawn.Transformer)
            else [("", part.nodes[:2])]
        )
        for j, (name, pair) in enumerate(names):
            rms, ohms = state.winding_rms(part.designator, j), np.asarray(coils.ohms[j])
            yield CoilReading(
                part.designator, name.replace("_", " "), (pair[0], pair[1]), one(rms),
                one(state.winding_mean(part.designator, j)), one(ohms), one(rms**2 * ohms),
            )  # fmt: skip


def mains(amp: SolvedAmp) -> MainsReading:
    """Readings of what the plug delivers."""
    plug = next(part for part in amp.amp.parts.values() if isinstance(part, drawn.MainsPlug))
    state, one = amp.state, amp.one
    row = state.operating_point.network.unknowns.index(f"I({plug.designator})")
    amps = -state.spectrum[:, :, row]  # what leaves the plug into the amp
    rms = np.sqrt(amps[:, 0].real ** 2 + 0.5 * (np.abs(amps[:, 1:]) ** 2).sum(axis=1))
    volts = np.broadcast_to(np.asarray(amp.amp.mains_rms, float), rms.shape)
    watts = volts / np.sqrt(2.0) * amps[:, 1].real
    apparent = volts * rms
    factor = np.divide(watts, apparent, out=np.ones_like(watts), where=apparent > 0)
    return MainsReading(one(volts), one(rms), one(watts), one(apparent), one(factor))


def fuse_amps(state: MainsState, fuse: drawn.Fuse) -> Array:
    """Effective current of a fuse, direct current included [A], (N,)."""
    ohms = next(part.ohms for part in state.circuit.of(Resistor) if part.name == fuse.designator)
    return np.asarray(np.hypot(state.mean(*fuse.ends), state.ripple_rms(*fuse.ends)) / np.asarray(ohms))


def fuses(amp: SolvedAmp) -> Iterator[FuseReading]:
    """Every fuse that is fitted."""
    one = amp.one
    for part in amp.amp.parts.values():
        if isinstance(part, drawn.Fuse) and part.condition == "fitted":
            amps = fuse_amps(amp.state, part)
            times = amps / np.asarray(part.amps)
            kind = fuse_class(amp.amp, part)
            yield FuseReading(
                part.designator, part.speed, one(amps), one(np.asarray(part.amps)),
                one(kind.holds_at_least(times)), one(kind.open_at_last(times)),
                str(kind), kind.carries(times),
            )  # fmt: skip
