"""Every single fault of an amp, as values of one circuit structure, or as the part it becomes."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts import Fuse
from tubekit.amp.parts.faults import Fault
from tubekit.amp.settings import Settings, apply_settings
from tubekit.amp.solve import fuse_amps
from tubekit.amp.solved_dangers import OPENS
from tubekit.analyses.mains import MainsState
from tubekit.circuit.parts import Circuit
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import MeterValues, Probe, Tone, meter_values
from tubekit.result_fields import Array


def single_faults(amp: Amp) -> tuple[Fault, ...]:
    """Every single fault of an amp's parts that is known: each kind states its own (`Part.faults`).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> words = {fault.words for fault in single_faults(load_amp("teasel"))}
    >>> {"R14 open", "C11 leaky", "V3 gassy", "V1a dead", "T1 high_voltage half 1 open"} <= words
    True
    """
    fitted = [part for part in amp.parts.values() if part.condition == "fitted"]
    return tuple(fault for part in fitted for fault in part.faults(amp.parts))


def with_fault(amp: Amp, fault: Fault) -> Amp:
    """The amp with what a part becomes by a fault of pins, contacts or junctions; as it is for any other."""
    part = fault.becomes
    return amp if part is None else dataclasses.replace(amp, parts={**amp.parts, part.designator: part})


def shown_with_fuses(
    amp: Amp,
    circuit: Circuit,
    settings: Settings,
    probes: Sequence[Probe],
    tone: Tone | None = None,
    near: MainsState | None = None,
) -> tuple[MeterValues, Array]:
    """Readings at these settings once fuses have opened, and the name of that fuse ('' for none), (N,).

    With a line fuse open every reading is zero except ohms, which are read with the power off; with another
    one open the amp is solved without it. `near` is a state to start from; the state told is the one before a
    fuse opened.
    """
    result = meter_values(amp, apply_settings(circuit, settings), probes, tone, near)
    opened = open_fuses(amp, result.state)
    values, source = result.values.copy(), result.source.copy()
    powered = np.array([probe.quantity != "ohms" for probe in probes])
    for fuse in set(opened.tolist()) - {""}:
        rows = np.flatnonzero(opened == fuse)
        if fuse in amp.line_side.fuses:
            values[rows[:, None], np.flatnonzero(powered)] = 0.0
        else:
            other = amp.changed({fuse: "open"})
            some = {knob: (factor[rows], addend[rows]) for knob, (factor, addend) in settings.items()}
            after, _ = shown_with_fuses(other, with_fault_ports(other).circuit, some, probes, tone)
            values[rows], source[rows] = after.values, after.source
    return replace(result, values=values, source=source), opened


def fuses_of(amp: Amp) -> dict[str, Fuse]:
    """The fuses that are fitted."""
    return {n: p for n, p in amp.parts.items() if isinstance(p, Fuse) and p.condition == "fitted"}


def open_fuses(amp: Amp, state: MainsState) -> Array:
    """Name of the fuse that carries most of its rating and more than `OPENS` times it, '' for none, (N,)."""
    fuses = list(fuses_of(amp).values())
    if not fuses:
        return np.full(len(state.spectrum), "", dtype=object)
    times = np.nan_to_num([fuse_amps(state, fuse) / np.max(fuse.amps) for fuse in fuses])
    names = np.array([fuse.designator for fuse in fuses], dtype=object)[times.argmax(axis=0)]
    return np.where(times.max(axis=0) > OPENS, names, "")
