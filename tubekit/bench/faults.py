"""Every single fault of an amp, as values of one circuit structure, or as the part it becomes."""

from __future__ import annotations

import dataclasses

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Fault


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
