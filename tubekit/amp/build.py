"""From the parts of an amp to the circuit that is solved.

Everything from the mains plug to the loudspeaker is in it. Where the drawing is silent a usual value
is taken, and said in `Built.assumptions`.

What is in every amp and on no drawing: wiring, winding and heater capacitances.

All of these are common practice, no source: the middle of what a bench bridge shows on amps wired by
hand. They matter above some ten kilohertz, for stability, and for heater hum. `taken` lists what an amp
file could state and does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from tubekit.amp.amp import Amp
from tubekit.amp.fields import Value
from tubekit.amp.parts import GROUND, OutputTransformer, TwoTerminal
from tubekit.amp.parts.part import Assumed, Hookup
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.amp.settings import apply_settings, with_leaks
from tubekit.circuit import parts as wired
from tubekit.circuit.parts import Circuit


@dataclass(frozen=True, eq=False)
class Built:
    """The circuit of an amp; `rectifiers` lists the circuit's diodes by designator."""

    amp: Amp
    circuit: Circuit
    assumptions: tuple[str, ...]
    rectifiers: dict[str, tuple[str, ...]]
    settled: Mapping[str, Value]

    def saying(self, more: tuple[str, ...]) -> Built:
        """The same with more that was taken for granted."""
        return replace(self, assumptions=(*self.assumptions, *more))


def build(amp: Amp, settled: Mapping[str, Value] | None = None) -> Built:
    """The circuit of an amp, at its line voltage and control settings.

    `settled` gives the ohms of thermistors and the henries of swinging chokes (by designator) where
    their own current has set them; else thermistors are cold and chokes at their rated value.

    Raises
    ------
    AmpFileError : a batch mixes tube and silicon rectifiers in one socket (solve them apart).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> "V1a" in {part.name for part in build(load_amp("teasel")).circuit.parts}
    True
    """
    hookup = Hookup(amp.mains_rms, amp.design_mains_rms, amp.mains_hz, settled or {})
    pieces: list[wired.Part] = []
    for part in amp.parts.values():
        if part.condition == "short" and isinstance(part, TwoTerminal):
            pieces.append(wired.Wire(part.designator, *part.nodes[:2]))
        elif part.condition != "open":
            pieces += part.wired(hookup)
    rectifiers = {
        name: tuple(p.name for p in pieces if isinstance(p, wired.Rectifier) and p.name.split(".")[0] == name)
        for name, part in amp.parts.items()
        if any(part.rectifies(as_wired=True))
    }
    circuit = Circuit(tuple(pieces), amp.title, amp.batch)
    if amp.trim:
        wanted = {parameter.part for parameter in amp.trim}
        circuit = apply_settings(with_leaks(circuit, amp.parts, wanted), amp.trim)
    return Built(amp, circuit, tuple(hookup.notes), rectifiers, hookup.settled)


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
        for label, node, farads in section.wiring():
            if node != GROUND:
                yield wired.Capacitor(f"{section.name}.{label}", node, GROUND, farads)
    for part in amp.parts.values():
        if isinstance(part, OutputTransformer) and part.condition == "fitted":
            for k, (a, b) in enumerate(part.primary.sections, 1):
                yield wired.Capacitor(f"{part.designator}.winding{k}", a, b, part.winding_farads)


@dataclass(frozen=True)
class AssumedValue:
    """A usual value taken where the amp file states none, the key that states it, and the amp without it."""

    words: str
    of: str
    key: str
    without: Amp

    def __str__(self) -> str:
        return f"{self.of}: {self.words} assumed (shop rule of thumb; you can enter {self.key})"


def assumed_values(amp: Amp) -> tuple[AssumedValue, ...]:
    """Values assumed in the signal path: wiring, output transformer, loudspeaker.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> for one in assumed_values(load_amp("vetch"))[:3]:
    ...     print(f"{one.of}: {one.words}")
    V1a, V1b, V2: 5.0 pF from each grid to the chassis
    V1a, V1b, V2: 5.0 pF from each plate to the chassis
    T2: 300 pF across each section of the primary
    """
    result: dict[tuple[str, str], list[Assumed]] = {}
    for part in amp.parts.values():
        if part.condition == "fitted":
            for one in part.assumed():
                result.setdefault((one.words, one.key), []).append(one)
    return tuple(
        AssumedValue(
            words, ", ".join(one.of for one in each), key,
            replace(amp, parts={**amp.parts, **{one.without.designator: one.without for one in each}}),
        )
        for (words, key), each in result.items()
    )  # fmt: skip


def heater_strays(amp: Amp, unbalance: Mapping[str, float] | float) -> Iterator[wired.Part]:
    """Capacitances that join each heater end to grid and cathode of each section."""
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
