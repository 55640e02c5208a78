"""Overall feedback of an amp: which part carries it, and its loop gain with margins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts import GROUND, Capacitor, Resistor
from tubekit.amp.signal_order import signal_order
from tubekit.amp.signal_view import SOURCE_OHMS, SignalView, signal_view
from tubekit.amp.stability import feedback_parts
from tubekit.analyses.feedback import LoopGain, loop_gain
from tubekit.errors import ChangeError, near_matches
from tubekit.result_fields import Array

MIDDLE_HZ = (200.0, 1000.0, 5000.0)
"""Where the loops of several feedback resistors are compared [Hz]."""

NO_LOOP = 1e-6
"""Loop gain below which nothing comes back: what is left is rounding, or strays between distant nodes."""


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
    view: SignalView | None = None,
) -> AmpLoop:
    """Loop gain of an amp's feedback loop, broken at the part that carries it.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    part
        Designator; of the resistors from the output transformer's secondary to where the signal of the jack
        comes the one whose loop has the largest gain, when not given.
    jack, source_ohms
        See `signal_path`.
    frequencies_hz
        (K,) rising; 0.1 Hz to 2 MHz when not given.
    view
        This amp with its generator, to save the solve.

    Returns
    -------
    AmpLoop
        Loop gain over frequency, margins, closed-loop gain.

    Raises
    ------
    ChangeError
        No such part, or no overall feedback in this amp.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> loop = overall_feedback(load_amp("burdock"))
    >>> loop.part, bool(loop.stable.all())
    ('R13', True)
    """
    carriers = list(feedback_parts(amp))
    none = ChangeError(
        "this amp has no overall feedback loop", where=amp.name,
        fix="To check another loop, say which part to open it at (--at R6)",
    )  # fmt: skip
    if part is None and not carriers:
        raise none
    named = carriers[0] if part is None else part
    fix = f"Type the feedback resistor{': ' + ', '.join(carriers) if carriers else ''}"
    fitted = amp.parts.get(named)
    if not isinstance(fitted, Resistor | Capacitor) or fitted.condition != "fitted":
        choices = [p.designator for p in amp.parts.values() if isinstance(p, Resistor | Capacitor)]
        raise ChangeError(
            f"no resistor or capacitor {named} is installed, so the loop cannot be opened "
            f"there", where=amp.name,
            fix=fix,
            near=near_matches(named, choices),
        )  # fmt: skip
    view = view or signal_view(amp, jack=jack, source_ohms=source_ohms)
    if part is None and len(carriers) > 1:  # a resistor into a muted channel or a meter carries next to none
        heard = signal_order(view.amp.topology, view.jack.tip).depth.keys()
        own = [name for name in carriers if set(amp.parts[name].nodes) - {GROUND} <= heard] or carriers
        named = max(own, key=lambda name: float(np.abs(loop_gain(view.point, name, MIDDLE_HZ).gain).max()))
    loop = loop_gain(view.point, named, frequencies_hz)
    if np.abs(loop.gain).max() < NO_LOOP:
        raise (
            none
            if part is None
            else ChangeError(f"{named} is not in a feedback loop", where=amp.name, fix=fix)
        )
    return AmpLoop(**vars(loop), amp=amp)
