"""What is in every amp and on no drawing: wiring, winding and heater capacitances.

All of these are common practice, no source: the middle of what a bench bridge shows on amps wired by
hand. They matter above some ten kilohertz, for stability, and for heater hum.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tubekit.amp.amp import Amp
from tubekit.amp.parts import GROUND, OutputTransformer
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.circuit import parts as wired

GRID_WIRING_F = 5e-12
"""Socket and lead of a grid against the chassis [F]; common practice, no source."""
PLATE_WIRING_F = 5e-12
"""Socket and lead of a plate against the chassis [F]; common practice, no source."""
OUTPUT_WINDING_F = 300e-12
"""Across each section of an output transformer's primary [F]; common practice, no source."""
HEATER_GRID_F = 0.1e-12
"""Each heater pin and lead against the grid of its section [F]; common practice, no source."""
HEATER_CATHODE_F = 3e-12
"""Each heater end against the cathode of its section [F]; common practice, no source."""
HEATER_CATHODE_OHMS = 100e6
"""Leakage of each heater end to the cathode of its section [Ω]; common practice, no source."""
HEATER_UNBALANCE = 0.1
"""How much more one heater end couples than the other, as a share; common practice, no source."""

PICKUP_F = 1e-13
"""From a live mains wire to a shielded lead whose far end is open [F]; common practice, no source."""


def signal_strays(amp: Amp) -> Iterator[wired.Part]:
    """Capacitances of wiring and of the output transformer's primary."""
    for section in sections(amp):
        for label, node, farads in (
            ("grid_wiring", section.grid, GRID_WIRING_F), ("plate_wiring", section.plate, PLATE_WIRING_F)
        ):  # fmt: skip
            if node != GROUND:
                yield wired.Capacitor(f"{section.name}.{label}", node, GROUND, farads)
    for part in amp.parts.values():
        if isinstance(part, OutputTransformer) and part.condition == "fitted":
            for k, (a, b) in enumerate(part.primary.sections, 1):
                yield wired.Capacitor(f"{part.designator}.winding{k}", a, b, OUTPUT_WINDING_F)


def heater_strays(amp: Amp, unbalance: Mapping[str, float] | float) -> Iterator[wired.Part]:
    """What joins each heater end to grid and cathode of each section."""
    for part in tubes(amp):
        if len(part.heater) < 2 or part.heater[0] == part.heater[-1]:
            continue
        if part.filament:
            yield from _filament(part, unbalance)
            continue
        more = unbalance.get(part.designator, 0.0) if isinstance(unbalance, Mapping) else unbalance
        for section in part.sections:
            for end, node, share in (
                ("1", part.heater[0], 1 + more / 2),
                ("2", part.heater[-1], 1 - more / 2),
            ):
                yield from _couplings(section, end, node, share)


def _filament(part: Tube, unbalance: Mapping[str, float] | float) -> Iterator[wired.Part]:
    """A filament whose halves differ: its first one carries more of the current, as far as couplings do."""
    more = unbalance.get(part.designator, 0.0) if isinstance(unbalance, Mapping) else unbalance
    volts, amps = part.heater_rating()
    if more:
        ohms = 0.5 * volts / amps / more
        yield wired.Resistor(f"{part.designator}.heater1_unbalance", part.heater[0], part.heater[1], ohms)


def _couplings(section: Section, end: str, heater: str, share: float) -> Iterator[wired.Part]:
    name = section.name
    if section.grid not in (heater, GROUND):
        yield wired.Capacitor(f"{name}.heater{end}_grid", heater, section.grid, HEATER_GRID_F * share)
    if section.cathode not in (heater, GROUND):
        yield wired.Capacitor(
            f"{name}.heater{end}_cathode", heater, section.cathode, HEATER_CATHODE_F * share
        )
        yield wired.Resistor(f"{name}.heater{end}_leak", heater, section.cathode, HEATER_CATHODE_OHMS / share)


def tubes(amp: Amp) -> Iterator[Tube]:
    """The fitted amplifying tubes."""
    for part in amp.parts.values():
        if isinstance(part, Tube) and not isinstance(part, RectifierTube) and part.condition == "fitted":
            yield part


def sections(amp: Amp) -> Iterator[Section]:
    """Their sections, in drawn order."""
    for part in tubes(amp):
        yield from part.sections
