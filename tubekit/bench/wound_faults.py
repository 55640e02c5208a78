"""What can go wrong with what is wound: chokes and transformers."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.amp.solve import types_of
from tubekit.bench.fault import GONE, OPEN_OHMS, Fault, of_value, times, to_value
from tubekit.decisions.instrument import Knob
from tubekit.devices import catalogue
from tubekit.devices.rectifier import SiliconDiode


def _choke(part: drawn.Choke, _amp: Amp) -> Iterator[Fault]:
    name, copper = part.designator, Knob(part.designator, "copper0")
    yield Fault(name, "open", (to_value(copper, OPEN_OHMS, float(np.max(part.ohms))),), weight=1.0)
    yield Fault(name, "with shorted turns", times(Knob(name, "turns0"), 0.3), weight=0.3)


def _power_transformer(part: drawn.PowerTransformer, amp: Amp) -> Iterator[Fault]:
    coil, name = 0, part.designator
    for winding in part.windings:
        for k in range(len(winding.sections)):
            where = f"{winding.name} half {k + 1}" if len(winding.sections) > 1 else winding.name
            far = {Knob(name, f"copper{coil}"): (OPEN_OHMS, 0.0)}
            tubes = _heated(amp, winding)
            if winding is part.primary or not tubes:
                yield Fault(name, f"{where} open", (far,), weight=0.4)
            else:
                yield Fault(name, f"{where} open", (far | tubes,), weight=0.3)
            if winding is not part.primary and not tubes:
                fewer = (0.9, 0.75)
                turns = tuple({Knob(name, f"turns{coil}"): (f, 0.0), Knob(name, "copper0"): (1.5, 0.0)}
                              for f in fewer)  # fmt: skip
                yield Fault(name, f"{where} with shorted turns", turns, of_value(*fewer), weight=0.3)
            coil += 1


def _heated(amp: Amp, winding: drawn.Winding) -> dict[Knob, tuple[float, float]]:
    """What goes cold with a heater winding."""
    cold: dict[Knob, tuple[float, float]] = {}
    for part in amp.parts.values():
        if isinstance(part, Tube) and part.heater and set(part.heater) <= set(winding.taps):
            names = [section.name for section in part.sections]
            if isinstance(part, RectifierTube):
                if is_silicon(part):  # a plug-in has no heater to go cold
                    continue
                names = [f"{part.designator}.{k}" for k in range(1, len(part.plates) + 1)]
            cold |= {Knob(name, "perveance"): (GONE, 0.0) for name in names}
    return cold


def is_silicon(part: RectifierTube) -> bool:
    """A plug-in with diodes in the place of a rectifier tube."""
    return isinstance(catalogue.tube(types_of(part)[0]).law, SiliconDiode)


def _output(part: drawn.OutputTransformer, _amp: Amp) -> Iterator[Fault]:
    name, coils = part.designator, sum(len(w.sections) for w in part.windings)
    halves = len(part.primary.sections)
    for k in range(halves):
        where = f"primary half {k + 1}" if halves > 1 else "primary"
        yield Fault(name, f"{where} open", ({Knob(name, f"copper{k}"): (OPEN_OHMS, 0.0)},), weight=0.7)
    secondary = {Knob(name, f"copper{j}"): (OPEN_OHMS, 0.0) for j in range(halves, coils)}
    yield Fault(name, "secondary open", (secondary,), weight=0.2)
    fewer = {Knob(name, f"turns{j}"): (0.05, 0.0) for j in range(coils)}
    yield Fault(name, "with shorted turns", (fewer,), weight=0.4)


WOUND: dict[type, Callable[..., Iterator[Fault]]] = {
    drawn.Choke: _choke,
    drawn.PowerTransformer: _power_transformer,
    drawn.OutputTransformer: _output,
}
