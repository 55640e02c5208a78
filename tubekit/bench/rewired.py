"""Faults that change the wiring: swapped pins, a jack's contact that sticks."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.sockets import Tube


def rewired(amp: Amp, change: Mapping[str, object]) -> Amp:
    """The amp with two terminals of a tube section swapped, or a jack's contact held closed or open.

    `change` is {'section': name, 'swap': (terminal, terminal)} or {'jack': name, 'closed': bool}.
    """
    parts = dict(amp.parts)
    if "jack" in change:
        name = str(change["jack"])
        jack = parts[name]
        assert isinstance(jack, drawn.Jack)
        parts[name] = dataclasses.replace(jack, plugged=not change["closed"])
    else:
        swap = change["swap"]
        assert isinstance(swap, tuple)
        parts = {n: _swapped(p, str(change["section"]), *swap) for n, p in parts.items()}
    return dataclasses.replace(amp, parts=parts)


def _swapped(part: drawn.Part, section: str, one: str, two: str) -> drawn.Part:
    if not isinstance(part, Tube) or section not in {s.name for s in part.sections}:
        return part
    sections = tuple(
        dataclasses.replace(s, **{one: getattr(s, two), two: getattr(s, one)}) if s.name == section else s
        for s in part.sections
    )
    return dataclasses.replace(part, sections=sections)
