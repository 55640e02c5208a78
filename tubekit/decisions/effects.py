"""What a change moves: volts, currents, ripple, gains, and what is heard of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.hum import Hum, hum
from tubekit.amp.signal_view import gain_at
from tubekit.amp.stability import OSCILLATES
from tubekit.errors import TubekitError
from tubekit.units import show

LEAST = 0.01
"""Figures that move by less than this fraction are not named."""
HEARD = 0.12
"""Hum or level that moves by less than this fraction, 1 dB, is not heard (common practice, no source)."""
LEVEL_HZ = 1000.0
TONE_HZ = (100.0, 5000.0)
"""Bass and treble, whose level against that at `LEVEL_HZ` a change of tone moves."""

NO_SIGNAL = 1e-3
"""A gain below this passes nothing."""


@dataclass(frozen=True)
class WiringEffect:
    """One figure now and then, NaN where the amp oscillates and has none."""

    what: str
    unit: str
    now: float
    then: float
    heard: bool = False

    @property
    def change(self) -> float:
        """From now to then, as a fraction of the figure now."""
        if np.isnan(self.now) or np.isnan(self.then):
            return 0.0 if np.isnan(self.now) and np.isnan(self.then) else np.inf
        if self.unit == "dB":
            return float(10.0 ** ((self.then - self.now) / 20.0) - 1.0)
        return (self.then - self.now) / max(abs(self.now), 1e-12)

    @property
    def decibels(self) -> str:
        """The change as it is heard; what falls by more than 120 dB is gone."""
        change = 20.0 * np.log10(max(1.0 + self.change, 1e-30))
        return "gone" if change < -120.0 else f"{change:+.1f} dB"

    @property
    def counts(self) -> bool:
        """Whether it moves enough to be named."""
        return abs(self.change) > (HEARD if self.heard else LEAST)

    def sentence(self) -> str:
        """As 'hum at LS1 3.40 mV → 232 µV'."""
        return f"{self.what} {' → '.join(self.texts())}"

    def texts(self) -> tuple[str, str]:
        """The figure now and then, with its unit."""
        return _value(self.now, self.unit), _value(self.then, self.unit)


def wiring_effects(now: AmpReport, then: AmpReport, most: int) -> tuple[WiringEffect, ...]:
    """List what changes between two solved amps: what is heard first, then the rest by how far it moves.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> amp = load_amp("teasel")
    >>> result = wiring_effects(analyze(amp), analyze(amp.changed({"C1": "open"})), 3)
    >>> [one.what for one in result], result[1].then < result[1].now
    (['hum at LS1', 'gain to LS1', 'V1a gain'], True)
    """
    result = [one for one in (*heard(now, then), *_idle(now, then)) if one.counts]
    return tuple(sorted(result, key=lambda one: (not one.heard, -abs(one.change)))[:most])


def heard(now: AmpReport, then: AmpReport) -> Iterator[WiringEffect]:
    """Gain from the input to the output, bass and treble against 1 kHz, hum; none without input or output."""
    try:
        old = hum(now.amp)
    except TubekitError:
        old = None
    try:
        new = hum(then.amp, near=old)
    except TubekitError:
        new = None
    output = next((each.output for each in (old, new) if each is not None), "")
    if output:
        (level, *tone), (then_level, *then_tone) = _gains(old), _gains(new)
        yield WiringEffect(f"gain to {output}", "×", level, then_level, heard=True)
        for hertz, one, two in zip(TONE_HZ, tone, then_tone, strict=True):
            if min(level, then_level) < NO_SIGNAL:
                break  # the tone of what does not pass is what the solver's last digit is
            yield WiringEffect(f"{show(hertz, 'Hz', 2)} against 1 kHz", "dB", one, two, heard=True)
        yield WiringEffect(f"hum at {output}", "V", _hum(old), _hum(new), heard=True)


def _hum(hum: Hum | None) -> float:
    return float("nan") if hum is None else float(hum.total_rms[0])


def _gains(hum: Hum | None) -> list[float]:
    """The gain at `LEVEL_HZ`, and how far above it that at each of `TONE_HZ` is [dB]."""
    if hum is None:
        return [float("nan")] * (1 + len(TONE_HZ))
    level, *tone = np.abs(gain_at(hum.view, np.array([LEVEL_HZ, *TONE_HZ])))[0].tolist()
    return [level, *(20.0 * float(np.log10(max(each, 1e-30) / max(level, 1e-30))) for each in tone)]


def _idle(now: AmpReport, then: AmpReport) -> Iterator[WiringEffect]:
    after = {t.section: t for t in then.tubes}
    for t in now.tubes:
        if t.section in after:
            other = after[t.section]
            yield WiringEffect(
                f"{t.section} cathode current", "A", float(t.cathode_a), float(other.cathode_a)
            )
            yield WiringEffect(f"{t.section} plate voltage", "V", float(t.plate_v), float(other.plate_v))
            yield WiringEffect(
                f"{t.section} gain", "×", max(float(t.gain), 0.01), max(float(other.gain), 0.01)
            )
    rails = {r.node: r for r in then.rails}
    for r in now.rails:
        if r.node in rails:
            yield WiringEffect(f"{r.node}", "V", float(r.dc_v), float(rails[r.node].dc_v))
            if max(float(r.ripple_pp_v), float(rails[r.node].ripple_pp_v)) > 0.05:
                yield WiringEffect(
                    f"{r.node} ripple", "V", float(r.ripple_pp_v), float(rails[r.node].ripple_pp_v)
                )


def _value(value: float, unit: str) -> str:
    if np.isnan(value):
        return OSCILLATES
    if unit != "×":
        return show(value, unit)
    return f"{value:.3g}" if value >= NO_SIGNAL else "no signal"
