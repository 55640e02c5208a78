"""From a transformer as drawn to coupled coils: ratios, copper, magnetizing and leakage inductance."""

from __future__ import annotations

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.iron import PowerTransformer, Transformer, Winding
from tubekit.circuit.parts import Windings

Value = float | np.ndarray

MAGNETIZING_A = 0.1
"""Magnetizing current of a mains transformer that states no inductance [A rms]; common practice."""
OUTPUT_HENRIES = 20.0
"""Primary inductance of an output transformer that states none [H]; common practice, no source."""
LEAST_COPPER = 0.2
"""A secondary keeps at least this share of the drop its regulation states; common practice, no source."""


def transformer(part: Transformer, amp: Amp, said: list[str]) -> Windings:
    """The coils of a transformer; what the drawing leaves open is added to `said`."""
    ends, ohms, ratio, leak = [], [], [], []
    first = part.primary
    whole = sum(first.volts or first.turns)
    shared = 0.0 if part.leakage is None else part.leakage
    for winding in part.windings:
        turns = winding.volts or winding.turns
        copper = winding.ohms or _copper(part, winding, said)
        own = 0.0 if winding is first or winding.leakage is None else winding.leakage
        for pair, resistance, each in zip(winding.sections, copper, turns, strict=True):
            ends.append(pair)
            ohms.append(resistance)
            ratio.append(np.asarray(each / whole))
            through = 0.0 if winding is first else shared * ratio[-1] ** 2
            leak.append(through + own * (each / sum(turns)) ** 2)
    magnetizing = _magnetizing(part, amp, said)
    return Windings(part.designator, tuple(ends), tuple(ohms), _coupled(ratio, magnetizing, leak))


def _copper(part: Transformer, winding: Winding, said: list[str]) -> list[Value]:
    """Resistance of each section of a secondary that states its regulation instead."""
    assert winding.regulation_percent is not None  # the amp's check saw to both
    assert winding.amps is not None
    turns, first = winding.volts or winding.turns, part.primary
    share = np.asarray(winding.regulation_percent) / 100.0
    drop = np.asarray(sum(turns)) * share / (1.0 + share)
    from_primary = sum(first.ohms) * (sum(turns) / sum(first.volts or first.turns)) ** 2
    whole = np.maximum(drop / winding.amps - from_primary, LEAST_COPPER * drop / winding.amps)
    said.append(
        f"{part.designator} {winding.name}: resistance taken from its regulation, the primary's share "
        "left out"
    )
    return [whole * (each / sum(turns)) for each in turns]


def _magnetizing(part: Transformer, amp: Amp, said: list[str]) -> Value:
    if part.henries is not None:
        return part.henries
    if isinstance(part, PowerTransformer):
        henries = amp.design_mains_rms / (MAGNETIZING_A * 2 * np.pi * amp.mains_hz)
    else:
        henries = OUTPUT_HENRIES
    said.append(f"{part.designator}: no inductance stated, {henries:.3g} H taken (common practice)")
    return henries


def _coupled(ratio: list[np.ndarray], magnetizing: Value, leak: list[Value]) -> np.ndarray:
    """Inductance matrix of windings on one core, leakage on the side away from the primary."""
    rows = [[magnetizing * a * b for b in ratio] for a in ratio]
    for j, each in enumerate(leak):
        rows[j][j] = rows[j][j] + each
    flat = np.broadcast_arrays(*(cell for row in rows for cell in row))
    return np.moveaxis(np.stack(flat), 0, -1).reshape(*flat[0].shape, len(ratio), len(ratio))
