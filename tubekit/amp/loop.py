"""Overall feedback of an amp: which part carries it, and its loop gain with margins."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts import Capacitor, OutputTransformer, Resistor
from tubekit.amp.signal_view import SOURCE_OHMS, signal_view
from tubekit.amp.topology import edges, reached
from tubekit.analyses.feedback import LoopGain, loop_gain
from tubekit.circuit.parts import GROUND
from tubekit.errors import ChangeError, near_matches

Array = np.ndarray


@dataclass(frozen=True, eq=False, repr=False)
class AmpLoop(LoopGain):
    """Loop gain of an amp's overall feedback."""

    amp: Amp = field(repr=False, kw_only=True)


def overall_feedback(
    amp: Amp,
    part: str | None = None,
    *,
    jack: str | None = None,
    frequencies_hz: Array | Sequence[float] | None = None,
    source_ohms: float = SOURCE_OHMS,
) -> AmpLoop:
    """Loop gain of an amp's feedback loop, broken at the part that carries it.

    Parameters
    ----------
    part : designator; the resistor from the output transformer's secondary when not given.
    jack, source_ohms : see `signal_path`.
    frequencies_hz : (K,) rising; 0.1 Hz to 2 MHz when not given.

    Raises
    ------
    ChangeError : no such part, or no overall feedback in this amp.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> loop = overall_feedback(load_amp("burdock"))
    >>> loop.part, bool(loop.stable.all())
    ('R13', True)
    """
    carriers = list(feedback_parts(amp))
    if part is None and not carriers:
        raise ChangeError(
            "no resistor leads from the output transformer's secondary back into the amp", where=amp.name,
            fix="Name the part at which the loop is to be broken",
        )  # fmt: skip
    named = part or carriers[0]
    fitted = amp.parts.get(named)
    if not isinstance(fitted, Resistor | Capacitor) or fitted.condition != "fitted":
        choices = [p.designator for p in amp.parts.values() if isinstance(p, Resistor | Capacitor)]
        raise ChangeError(
            f"there is no fitted resistor or capacitor '{named}' to break the loop at", where=amp.name,
            fix=f"Name the feedback resistor{': ' + ', '.join(carriers) if carriers else ''}",
            near=near_matches(named, choices),
        )  # fmt: skip
    view = signal_view(amp, jack=jack, source_ohms=source_ohms)
    return AmpLoop(**vars(loop_gain(view.point, named, frequencies_hz)), amp=amp)


def feedback_parts(amp: Amp) -> Iterator[str]:
    """Designators of fitted resistors from an output transformer's secondary to somewhere else than ground.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> list(feedback_parts(load_amp("teasel")))
    []
    """
    taps = {
        tap for part in amp.parts.values() if isinstance(part, OutputTransformer)
        for winding in part.windings[1:] for tap in winding.taps
    }  # fmt: skip
    wires = [part for part in amp.parts.values() if not isinstance(part, Resistor | OutputTransformer)]
    output = set(reached(taps - {GROUND}, edges(wires), stops=[GROUND])) - {GROUND}
    for part in amp.parts.values():
        if isinstance(part, Resistor) and part.condition == "fitted":
            outside = [node for node in part.nodes if node not in output and node != GROUND]
            if len(outside) == 1 and set(part.nodes) & output:
                yield part.designator
