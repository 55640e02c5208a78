"""From the parts of an amp to the circuit that is solved.

Everything from the mains plug to the loudspeaker is in it. Where the drawing is silent a usual value
is taken, and said in `Built.assumptions`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import parts as drawn
from tubekit.amp.amp import Amp
from tubekit.amp.sockets import RectifierTube, Tube
from tubekit.amp.wound import transformer
from tubekit.circuit import parts as wired
from tubekit.circuit.parts import GROUND, Circuit
from tubekit.devices import catalogue
from tubekit.devices.law import Law, stack
from tubekit.devices.potentiometer import fraction
from tubekit.devices.rectifier import RectifierLaw, SiliconDiode, TubeDiode
from tubekit.errors import AmpFileError

Value = float | np.ndarray

END_RESISTANCE = 1.0
"""Left between wiper and the end of a potentiometer's track [Ω]; common practice, no source."""
NO_EMISSION = 1e-7
"""Left of a cathode whose heater has gone open: laws need something above nil."""
NO_HEATER = 1e9
"""Stands for the heater of a variant without one, in a batch of tube types [Ω]."""
FUSE_DROP_V = 0.1
"""Drop of a fuse at its rating, where no resistance is stated [V]; common practice, no source."""
LEAST_OHMS = 1e-3
CONE_Q = 5.0
"""Mechanical Q of a loudspeaker's resonance; common practice, no source."""


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
    """The circuit of an amp, at its mains voltage and control settings.

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
    wiring = _Wiring(amp, settled or {})
    pieces: list[wired.Part] = []
    for part in amp.parts.values():
        if part.condition == "short":
            pieces.append(wired.Wire(part.designator, *part.nodes[:2]))
        elif part.condition != "open":
            pieces += _METHODS[type(part)](wiring, part)
    rectifiers = {
        name: tuple(p.name for p in pieces if isinstance(p, wired.Rectifier) and p.name.split(".")[0] == name)
        for name, part in amp.parts.items()
        if isinstance(part, RectifierTube | drawn.Diode)
    }
    return Built(amp, Circuit(tuple(pieces), amp.title), tuple(wiring.said), rectifiers, wiring.settled)


class _Wiring:
    """Wires one part of an amp after the other; `said` gathers what the drawing left open."""

    def __init__(self, amp: Amp, settled: Mapping[str, Value]) -> None:
        self.amp = amp
        self.settled = settled
        self.said: list[str] = []

    def resistor(self, part: drawn.Resistor) -> Iterator[wired.Part]:
        yield wired.Resistor(part.designator, part.a, part.b, part.ohms)

    def thermistor(self, part: drawn.Thermistor) -> Iterator[wired.Part]:
        yield wired.Resistor(part.designator, part.a, part.b, self.settled.get(part.designator, part.ohms))

    def capacitor(self, part: drawn.Capacitor) -> Iterator[wired.Part]:
        yield wired.Capacitor(part.designator, part.a, part.b, part.farads)

    def potentiometer(self, part: drawn.Potentiometer) -> Iterator[wired.Part]:
        share = fraction(part.position, part.taper)
        for name, a, b, portion in (
            ("top", part.top, part.wiper, 1.0 - share),
            ("bottom", part.wiper, part.bottom, share),
        ):
            if a != b:
                ohms = np.maximum(np.multiply(part.ohms, portion), END_RESISTANCE)
                yield wired.Resistor(f"{part.designator}.{name}", a, b, ohms)

    def choke(self, part: drawn.Choke) -> Iterator[wired.Part]:
        henries = np.asarray(self.settled.get(part.designator, part.henries), float)[..., None, None]
        yield wired.Windings(part.designator, ((part.a, part.b),), (part.ohms,), henries)

    def transformer(self, part: drawn.Transformer) -> Iterator[wired.Part]:
        yield transformer(part, self.amp, self.said)

    def tube(self, part: Tube) -> Iterator[wired.Part]:
        laws = {screen: _law(part, screen) for screen in {s.screen is not None for s in part.sections}}
        for section in part.sections:
            law = laws[section.screen is not None]
            if section.screen is None:
                terminals: tuple[str, ...] = (section.plate, section.grid)
            else:
                terminals = (section.plate, section.screen, section.grid)
            yield wired.Device(section.name, law, terminals, section.cathode)
            yield from _strays(part, section.name, terminals, section.cathode)
        yield from _heater(part)

    def rectifier_tube(self, part: RectifierTube) -> Iterator[wired.Part]:
        law = _rectifier_law(part)
        for k, plate in enumerate(part.plates, 1):
            if part.series is not None:
                lead = f"{part.designator} lead {k}"
                yield wired.Resistor(f"{part.designator}.series{k}", plate, lead, part.series)
                plate = lead  # noqa: PLW2901 - the rectifier sits behind its resistor
            yield wired.Rectifier(f"{part.designator}.{k}", law, plate, part.cathode)
        yield from _heater(part)

    def diode(self, part: drawn.Diode) -> Iterator[wired.Part]:
        yield wired.Rectifier(part.designator, catalogue.silicon(part.type), part.a, part.b)

    def switch(self, part: drawn.Switch) -> Iterator[wired.Part]:
        if part.position == "closed":
            yield wired.Wire(part.designator, part.a, part.b)

    def selector(self, part: drawn.Selector) -> Iterator[wired.Part]:
        yield wired.Wire(part.designator, part.common, part.chosen)

    def fuse(self, part: drawn.Fuse) -> Iterator[wired.Part]:
        ohms = FUSE_DROP_V / np.asarray(part.amps) if part.ohms is None else np.asarray(part.ohms)
        yield wired.Resistor(part.designator, part.a, part.b, np.maximum(ohms, LEAST_OHMS))

    def jack(self, part: drawn.Jack) -> Iterator[wired.Part]:
        if not part.plugged and part.tip_switch is not None:
            yield wired.Wire(part.designator, part.tip, part.tip_switch)

    def plug(self, part: drawn.MainsPlug) -> Iterator[wired.Part]:
        yield wired.VoltageSource(
            part.designator, part.line, part.neutral, ac=np.sqrt(2.0) * np.asarray(self.amp.mains_rms)
        )
        if part.earth is not None and part.earth != GROUND:
            yield wired.Wire(f"{part.designator}.earth", part.earth, GROUND)

    def connector(self, part: drawn.Connector) -> Iterator[wired.Part]:
        for k, (one, two) in enumerate(part.joined, 1):
            yield wired.Wire(f"{part.designator}.{k}", one, two)

    def wire(self, part: drawn.Wire) -> Iterator[wired.Part]:
        yield wired.Wire(part.designator, part.a, part.b)

    def lamp(self, part: drawn.Lamp) -> Iterator[wired.Part]:
        volts, amps = part.rating
        yield wired.Resistor(part.designator, part.a, part.b, volts / amps)

    def loudspeaker(self, part: drawn.Loudspeaker) -> Iterator[wired.Part]:
        """Voice coil in series with the cone's resonance where they are stated, else the nominal ohms."""
        name = part.designator
        if part.resistance is None:
            self.said.append(f"{name}: taken as a resistor of its nominal ohms")
            yield wired.Resistor(name, part.a, part.b, part.ohms)
            return
        coil_end = (
            f"{name} cone" if part.resonance_hz is not None and part.resonance_ohms is not None else part.b
        )
        coil = np.asarray(part.henries if part.henries is not None else 1e-9, float)[..., None, None]
        yield wired.Windings(name, ((part.a, coil_end),), (part.resistance,), coil)
        if part.resonance_hz is None or part.resonance_ohms is None:
            return
        rise = np.asarray(part.resonance_ohms) - part.resistance
        rate = 2 * np.pi * np.asarray(part.resonance_hz)
        self.said.append(f"{name}: mechanical Q of the cone taken as {CONE_Q:g} (common practice)")
        yield wired.Resistor(f"{name}.cone", coil_end, part.b, rise)
        yield wired.Capacitor(f"{name}.mass", coil_end, part.b, CONE_Q / (rate * rise))
        yield wired.Windings(
            f"{name}.stiffness", ((coil_end, part.b),), (1e-3,), (rise / (rate * CONE_Q))[..., None, None]
        )


_METHODS: dict[type, Callable[..., Iterator[wired.Part]]] = {
    drawn.Resistor: _Wiring.resistor,
    drawn.Thermistor: _Wiring.thermistor,
    drawn.Capacitor: _Wiring.capacitor,
    drawn.Potentiometer: _Wiring.potentiometer,
    drawn.Choke: _Wiring.choke,
    drawn.PowerTransformer: _Wiring.transformer,
    drawn.OutputTransformer: _Wiring.transformer,
    Tube: _Wiring.tube,
    RectifierTube: _Wiring.rectifier_tube,
    drawn.Diode: _Wiring.diode,
    drawn.Switch: _Wiring.switch,
    drawn.Selector: _Wiring.selector,
    drawn.Fuse: _Wiring.fuse,
    drawn.Jack: _Wiring.jack,
    drawn.MainsPlug: _Wiring.plug,
    drawn.Loudspeaker: _Wiring.loudspeaker,
    drawn.Lamp: _Wiring.lamp,
    drawn.Connector: _Wiring.connector,
    drawn.Wire: _Wiring.wire,
}


def _law(part: Tube, screen: bool = False) -> Law:
    """Law of the sections with a screen, or of those without."""
    laws = [_worn(catalogue.tube(each).system(screen).law, part.emission) for each in _types(part)]
    if len({type(law) for law in laws}) > 1:
        raise AmpFileError(
            "one batch mixes tubes of different kinds in this socket",
            part=part.designator,
            fix="Solve tube and silicon rectifiers in separate calls",
        )
    return laws[0] if len(laws) == 1 else stack(laws)


def _rectifier_law(part: Tube) -> RectifierLaw:
    law = _law(part)
    assert isinstance(law, TubeDiode | SiliconDiode)  # the amp's check let no other kind in here
    return law


def _worn(law: Law, emission: Value) -> Law:
    emission = np.maximum(emission, NO_EMISSION)
    return law.worn(emission) if np.any(np.asarray(emission) != 1.0) else law


def _types(part: Tube) -> tuple[str, ...]:
    return (part.type,) if isinstance(part.type, str) else part.type


def _strays(part: Tube, name: str, terminals: tuple[str, ...], cathode: str) -> Iterator[wired.Part]:
    """Interelectrode capacitances of the (first) type."""
    plate, grid = terminals[0], terminals[-1]
    caps = catalogue.tube(_types(part)[0]).system(len(terminals) == 3).capacitances
    for label, a, b in (
        ("grid_plate", grid, plate), ("grid_cathode", grid, cathode), ("plate_cathode", plate, cathode)
    ):  # fmt: skip
        if caps.get(label) and a != b:
            yield wired.Capacitor(f"{name}.{label}", a, b, caps[label])


def _heater(part: Tube) -> Iterator[wired.Part]:
    """The heater as the load it is on its winding."""
    known = [catalogue.tube(each) for each in _types(part)]
    if not part.heater or not any(tube.heater_amps for tube in known):
        return
    ohms = np.array([(t.heater_volts or 0.0) / t.heater_amps if t.heater_amps else NO_HEATER for t in known])
    first, last = part.heater[0], part.heater[-1]
    if first != last:
        yield wired.Resistor(
            f"{part.designator}.heater", first, last, ohms if len(known) > 1 else float(ohms[0])
        )
