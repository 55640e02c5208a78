"""A part that is off its drawn value: against its tolerance, and against what that does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, parts as drawn
from tubekit.amp.outputs import outputs
from tubekit.analyses.small_signal import frequency_response
from tubekit.decisions.probe import Tone, tip_of
from tubekit.decisions.reading import PartValue
from tubekit.text import quantity
from tubekit.units import show

LEAVE_CURRENT, LEAVE_VOLTS = 0.05, 0.05
"""Changes of a tube's current, or of a node, up to this fraction are left (common practice, no source)."""
LEAVE_DB = 1.0
"""Changes of level between 80 Hz and 5 kHz up to this are not heard in use (common practice, no source)."""
LEAVE_RIPPLE = 0.25
"""A rail's ripple may rise by this fraction (common practice, no source)."""
NOTHING = 0.05
"""Below this share of what would be left anyway a change is not told."""
HEARD_HZ = (80.0, 400.0, 5000.0)


@dataclass(frozen=True)
class Drift:
    """One measured part: how far off, within tolerance or not, what it changes, and what to do."""

    part: str
    off: float = quantity("", "", "how far the part is off its schematic value")
    tolerance: float = quantity("", "", "tolerance, as a fraction")
    effect: str = ""
    verdict: str = ""

    def sentence(self) -> str:
        """In one line, as 'R14 is 4 % high. It changes the current of V3 by 0.6 mA: leave it'."""
        percent = 100 * abs(self.off)
        way = "high" if self.off >= 0 else "low"
        within = "within its tolerance" if abs(self.off) <= self.tolerance else "outside its tolerance"
        amount = "on its value" if percent < 0.5 else f"{percent:.0f} % {way}, {within}"
        return f"{self.part} is {amount}. It {self.effect}: {self.verdict}"


def drift(amp: Amp, value: PartValue, before: AmpReport | None = None) -> Drift:
    """Find what a part's measured value does to an amp that is otherwise as drawn.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> print(drift(load_amp("teasel"), PartValue("R14", "ohms", 274.0, 0.005)).sentence())
    R14 is 1 % high, within its tolerance. It changes the current of V3 by 0.3 mA: leave it
    """
    part = amp.parts[value.part]
    nominal = float(np.max(getattr(part, value.field)))
    key = f"{value.part}.emission" if value.field == "emission" else value.part
    changed = amp.changed({key: value.value})
    before = before or analyze(amp)
    after = analyze(changed, near=before)
    effect, grave = _effect(before, after)
    off, tolerance = value.value / nominal - 1.0, part.tolerance
    return Drift(value.part, off, tolerance, effect, _verdict(off, tolerance, grave, value.field))


def _verdict(off: float, tolerance: float, grave: bool, field: str) -> str:
    if not grave:
        return "leave it"
    if field == "emission":
        return "worn: keep a spare" if off > -0.5 else "replace it"
    return "far more than normal variation: replace it" if abs(off) > tolerance else "watch it"


def _effect(before: AmpReport, after: AmpReport) -> tuple[str, bool]:
    """The change that matters most, in words, and whether it matters."""
    amps = [(float(a.cathode_a), float(b.cathode_a), a.section)
            for a, b in zip(before.tubes, after.tubes, strict=True)]  # fmt: skip
    currents = [(abs(b / a - 1.0), b - a, section) for a, b, section in amps if a > 1e-6]
    share, moved, section = max(currents, default=(0.0, 0.0, ""))
    ripple, rail = max(
        ((float(b.ripple_pp_v) / float(a.ripple_pp_v) - 1.0, a.node)
         for a, b in zip(before.rails, after.rails, strict=True) if float(a.ripple_pp_v) > 0.01),
        default=(0.0, ""),
    )  # fmt: skip
    level, where = _level(before, after)
    if max(share / LEAVE_CURRENT, abs(ripple) / LEAVE_RIPPLE, abs(level) / LEAVE_DB) < NOTHING:
        return "changes no reading", False
    if share / LEAVE_CURRENT >= max(abs(ripple) / LEAVE_RIPPLE, abs(level) / LEAVE_DB, 1e-3):
        return f"changes the current of {section} by {_amps(moved)}", share > LEAVE_CURRENT
    if abs(ripple) / LEAVE_RIPPLE > abs(level) / LEAVE_DB:
        return f"changes the ripple at {rail} by {100 * ripple:+.0f} %", ripple > LEAVE_RIPPLE
    return f"changes the level by {level:+.1f} dB at {show(where, 'Hz')}", abs(level) > LEAVE_DB


def _amps(moved: float) -> str:
    return f"{abs(moved) * 1e3:.1f} mA" if abs(moved) >= 5e-5 else f"{abs(moved) * 1e6:.0f} µA"


def _level(before: AmpReport, after: AmpReport) -> tuple[float, float]:
    """Largest change of level from an input to the output [dB], and its frequency."""
    inputs = [jack.designator for jack in drawn.input_jacks(before.amp.parts) if jack.plugged]
    out = outputs(before.amp.parts)
    if not inputs or not out:
        return 0.0, 0.0
    tip = tip_of(before.amp, Tone(inputs[0]))
    gains = [
        frequency_response(r.solved.state.operating_point, tip, [out[0].a, out[0].b], HEARD_HZ).gain[0]
        for r in (before, after)
    ]
    levels = [20 * np.log10(np.abs(g[:, 0] - g[:, 1]) + 1e-12) for g in gains]
    moved = levels[1] - levels[0]
    k = int(np.argmax(np.abs(moved)))
    return float(moved[k]), HEARD_HZ[k]
