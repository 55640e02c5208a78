"""A ready circuit that knows what it is for, so that `worked` can read it off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tubekit.analyses.large_signal import full_drive, scaled
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Device, Part, Resistor, Value

COUPLING = 1e-3
"""Coupling and bypass capacitors [F]: they pass every audio signal whole."""

Purpose = Literal["stage", "output stage", "supply", "network"]


@dataclass(frozen=True, eq=False)
class TextbookCircuit(Circuit):
    """A circuit from the books: parts joined by named nodes, and which of them to look at.

    Every analysis takes it as it takes any circuit. `purpose` says what is worked out of it, `input` and
    `output` are nodes (the output is read between two), `load` the resistor that takes the power,
    `frequency_hz` that of the signal or of the line.
    """

    purpose: Purpose = "stage"
    input: str = "in"
    output: tuple[str, str] = ("out", GROUND)
    load: str = ""
    frequency_hz: float = 1000.0

    @property
    def sections(self) -> tuple[str, ...]:
        """The tube sections, in order."""
        return tuple(device.name for device in self.of(Device))


def fully_driven(circuit: TextbookCircuit, drive: Value | None) -> TextbookCircuit:
    """The circuit, whose sources carry 1 V of signal, driven by `drive` [V peak] or to zero bias."""
    if drive is None:
        drive, _ = full_drive(circuit, frequency_hz=circuit.frequency_hz)
    driven = scaled(circuit, drive)
    assert isinstance(driven, TextbookCircuit)
    return driven


def coupled(node: str, out: str, number: str, next_grid: Value) -> list[Part]:
    """Coupling capacitor from a node to `out`, with the next grid's leak there."""
    return [Capacitor(f"C{number}", node, out, COUPLING), Resistor(f"R{number}", out, GROUND, next_grid)]


def parts_of(*groups: Part | list[Part] | None) -> tuple[Part, ...]:
    """Parts and lists of parts in one tuple, without the ones left out."""
    parts: list[Part] = []
    for group in groups:
        parts += group if isinstance(group, list) else [] if group is None else [group]
    return tuple(parts)
