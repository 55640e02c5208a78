"""Tubes with two pins swapped, many at once: each member of a batch has another one.

The nodes stay where they are and the law is turned: with u the voltages of the terminals to the cathode, an
electrode that stands on another's node sees v = M u, and the terminals carry i = M' i(v).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Fault
from tubekit.amp.parts.tubes import Section, Tube
from tubekit.amp.parts.variables import GAS
from tubekit.circuit.parts import Capacitor, Circuit, CurrentSource, Device, Part

Array = np.ndarray


@dataclass(frozen=True)
class TubePinSwap:
    """Two electrodes of a section that stand on each other's nodes."""

    section: Section
    one: str
    two: str

    def on(self, electrode: str) -> str:
        """The electrode on whose node this one stands."""
        return {self.one: self.two, self.two: self.one}.get(electrode, electrode)

    def node(self, electrode: str) -> str:
        """The node it stands on."""
        return str(getattr(self.section, self.on(electrode)))

    def turned(self, terminals: Sequence[str]) -> Array:
        """M (T, T) for a law with these terminals."""
        result = np.zeros((len(terminals), len(terminals)))
        for row, terminal in enumerate(terminals):
            for column, other in enumerate(terminals):
                result[row, column] = float(self.on(terminal) == other) - float(self.on("cathode") == other)
        return result


def pin_swap(amp: Amp, fault: Fault) -> TubePinSwap | None:
    """The swap a fault is; None where it is something else.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.faults import single_faults
    >>> amp = load_amp("teasel")
    >>> known = {fault.words: pin_swap(amp, fault) for fault in single_faults(amp)}
    >>> known["V1a plate and grid swapped"].node("grid"), known["F1 blown"]
    ('p1a', None)
    """
    new = fault.becomes
    old = amp.parts.get(new.designator) if new is not None else None
    if not (isinstance(new, Tube) and isinstance(old, Tube)):
        return None
    for was, now in zip(old.sections, new.sections, strict=True):
        names = ("plate", "screen", "grid", "cathode")
        moved = [name for name in names if getattr(was, name) != getattr(now, name)]
        if len(moved) == 2:
            return TubePinSwap(was, *moved)
    return None


def with_pins_swapped(circuit: Circuit, swaps: Sequence[TubePinSwap]) -> Circuit:
    """An instrumented circuit with its knobs turned, as a batch: one member for each swap."""
    by_section: dict[str, list[int]] = {}
    for k, swap in enumerate(swaps):
        by_section.setdefault(swap.section.name, []).append(k)
    parts: list[Part] = []
    for part in circuit.parts:
        name, _, label = part.name.partition(".")
        rows = by_section.get(name, [])
        if isinstance(part, Device) and rows:
            parts.append(_turned(part, swaps, rows))
        elif isinstance(part, Capacitor) and rows and label:
            parts += _moved_stray(part, label.split("_"), swaps, rows)
        elif isinstance(part, CurrentSource) and rows and part.name == name + GAS:
            parts += _moved_gas(part, swaps, rows)
        else:
            parts.append(part)
    return replace(circuit.made_of(parts), batch=len(swaps))


def _turned(part: Device, swaps: Sequence[TubePinSwap], rows: Sequence[int]) -> Device:
    width = len(part.terminals)
    pins = np.tile(np.eye(width), (len(swaps), 1, 1))
    for k in rows:
        pins[k] = swaps[k].turned(part.law.terminals)
    return replace(part, pins=pins)


def _moved_stray(
    part: Capacitor, between: Sequence[str], swaps: Sequence[TubePinSwap], rows: Sequence[int]
) -> Iterator[Part]:
    """The stray where it was for most members, and elsewhere for those whose electrodes stand elsewhere."""
    moved = [k for k in rows if {swaps[k].on(name) for name in between} != set(between)]
    stays = np.ones(len(swaps))
    stays[moved] = 0.0
    yield replace(part, farads=part.farads * stays)
    for k in moved:
        ends = [swaps[k].node(name) for name in between]
        if ends[0] != ends[1]:
            alone = np.where(np.arange(len(swaps)) == k, part.farads, 0.0)
            yield Capacitor(f"{part.name}.{k}", ends[0], ends[1], alone)


def _moved_gas(part: CurrentSource, swaps: Sequence[TubePinSwap], rows: Sequence[int]) -> Iterator[Part]:
    """Gas flows into the grid, and so on from where that is drawn to where it stands."""
    yield part
    for k in rows:
        if swaps[k].on("grid") != "grid" and np.any(part.dc):
            alone = np.where(np.arange(len(swaps)) == k, part.dc, 0.0)
            yield CurrentSource(f"{part.name}.{k}", part.b, swaps[k].node("grid"), alone)
