"""What the figures read out of a result: arrays and words, no drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.analyses.mains import MainsState
from tubekit.errors import InputError
from tubekit.result_fields import Array
from tubekit.units import show

MOST_RAILS = 4
"""As many rails as there are strokes."""


@dataclass(frozen=True, eq=False)
class Waveform:
    """One curve over the line cycle: its name, the words beside it and its values."""

    name: str
    words: str
    values: Array


def milliseconds(state: MainsState) -> Array:
    """Sample times over one whole cycle, both ends included [ms], (S + 1,)."""
    return np.append(state.time, 1.0 / state.frequency_hz) * 1e3


def of_member(values: Any, member: int) -> float:
    """One member's reading, whether the result is a batch or not.

    Raises
    ------
    InputError : the batch has no such member.
    """
    array = np.asarray(values, dtype=float)
    if array.ndim == 0:  # of a single amp, or the same for all
        return float(array)
    if not 0 <= member < array.size:
        raise InputError(f"no amp number {member}: there are {array.size}", fix="The first is number 0")
    return float(array[member])


def ripple_traces(
    result: AmpReport | MainsState, nodes: Sequence[str] = (), member: int = 0
) -> tuple[Waveform, ...]:
    """Ripple of the rails about their mean [V], the largest first; of a bare state, of the nodes named.

    Raises
    ------
    InputError : a bare state without nodes: only an amp says which of them are rails.
    """
    state = result.solved.state if isinstance(result, AmpReport) else result
    return tuple(_ripple(state, node, member) for node in nodes or _rails(result, member))


def _rails(result: AmpReport | MainsState, member: int) -> list[str]:
    if not isinstance(result, AmpReport):
        raise InputError(
            "a circuit does not say which of its nodes are rails", fix="Name them: nodes=('B1',)"
        )
    ripples = {rail.node: of_member(rail.ripple_pp_v, member) for rail in result.rails}
    return sorted(ripples, key=lambda node: -ripples[node])[:MOST_RAILS]


def _ripple(state: MainsState, node: str, member: int) -> Waveform:
    mean, swing = of_member(state.mean(node), member), of_member(state.ripple_pp(node), member)
    words = f"{node}  {show(mean, 'V', 4)}, {show(swing, 'V')} p-p"
    return Waveform(node, words, _closed(_row(state.waveform(node), member)) - mean)


def current_traces(result: AmpReport | MainsState, member: int = 0) -> tuple[Waveform, ...]:
    """Current of every rectifier plate [mA]."""
    state = result.solved.state if isinstance(result, AmpReport) else result
    currents = _row(state.rectifier_currents, member)
    rectifiers = state.operating_point.network.rectifiers
    return tuple(
        Waveform(
            each.name, f"{_plate(result, each.name)}  peak {show(float(row.max()), 'A')}", _closed(row) * 1e3
        )
        for each, row in zip(rectifiers, currents, strict=True)
    )


def _plate(result: AmpReport | MainsState, name: str) -> str:
    """'V5 plate at hv_a' for the rectifier named 'V5.1' in the circuit."""
    designator, _, number = name.partition(".")
    part = result.amp.parts.get(designator) if isinstance(result, AmpReport) else None
    if isinstance(part, RectifierTube) and number.isdigit():
        return f"{designator} at {part.plates[int(number) - 1]}"
    return name


def _row(values: Array, member: int) -> Array:
    """That member of an array with the batch in front."""
    if len(values) == 1:
        return np.asarray(values[0])
    of_member(np.arange(len(values)), member)
    return np.asarray(values[member])


def _closed(values: Array) -> Array:
    """The cycle with its first sample repeated at the end."""
    return np.append(values, values[0])
