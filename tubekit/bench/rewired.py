"""Faults that change the wiring: swapped pins, a jack's contact that sticks."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.connectors import UNUSED
from tubekit.amp.parts.tubes import RectifierTube, Tube


def rewired(amp: Amp, change: Mapping[str, object]) -> Amp:
    """The amp with other wiring.

    `change` is {'section': name, 'swap': (terminal, terminal)}, {'jack': name, 'closed': bool},
    {'open': name} for a switch, fuse, wire or diode, {'rectifier': name, 'plate': number} for one junction of
    a plug-in that is open, or {'connector': name, 'pin': number} for a pin that does not touch.
    """
    parts = dict(amp.parts)
    match change:
        case {"jack": str(name), "closed": closed}:
            jack = parts[name]
            assert isinstance(jack, drawn.Jack)
            parts[name] = dataclasses.replace(jack, plugged=not closed)
        case {"open": str(name)}:
            parts[name] = _opened(parts[name])
        case {"rectifier": str(name), "plate": int(plate)}:
            rectifier = parts[name]
            assert isinstance(rectifier, RectifierTube)
            kept = tuple(node for k, node in enumerate(rectifier.plates, 1) if k != plate)
            parts[name] = dataclasses.replace(rectifier, plates=kept)
        case {"connector": str(name), "pin": int(pin)}:
            connector = parts[name]
            assert isinstance(connector, drawn.Connector)
            parts[name] = without_pin(connector, pin)
        case {"section": str(section), "swap": (str(one), str(two))}:
            parts = {name: _swapped(part, section, one, two) for name, part in parts.items()}
    return dataclasses.replace(amp, parts=parts)


def _opened(part: drawn.Part) -> drawn.Part:
    if isinstance(part, drawn.Switch):
        return dataclasses.replace(part, position="open")
    assert isinstance(part, drawn.TwoTerminal)
    return dataclasses.replace(part, condition="open")


def without_pin(connector: drawn.Connector, pin: int) -> drawn.Connector:
    """A connector one of whose pins touches nothing (its straps there with it)."""
    plug = tuple(UNUSED if k == pin else node for k, node in enumerate(connector.plug, 1))
    straps = tuple(strap for strap in connector.straps if pin not in strap)
    return dataclasses.replace(connector, plug=plug, straps=straps)


def _swapped(part: drawn.Part, section: str, one: str, two: str) -> drawn.Part:
    if not isinstance(part, Tube) or section not in {s.name for s in part.sections}:
        return part
    sections = tuple(
        dataclasses.replace(s, **{one: getattr(s, two), two: getattr(s, one)}) if s.name == section else s
        for s in part.sections
    )
    return dataclasses.replace(part, sections=sections)
