"""The spec sheet of an amp before and after a change: output, gain, distortion, damping, sag.

The terms are those of IEC 60268-3 (from memory). Rated output is limited by distortion; other distortions are
taken 6 dB below it, at the same output at every frequency. Only intermodulation is new here, from the amp in
time with its supply running; the rest is what `drive`, `trace` and `sag` say of the amp.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.clipping import RATED_THD
from tubekit.amp.headroom import LEAST_DRIVES, Headroom, driven, headroom, readings
from tubekit.amp.sag import sag
from tubekit.amp.signal import path_of
from tubekit.amp.signal_view import gain_at
from tubekit.amp.sound import READ_S, TONE_HZ, Ready
from tubekit.analyses import audio_kernel
from tubekit.errors import ChangeError, SolveError
from tubekit.result_fields import printed_as
from tubekit.text import LEAST, Printed, Table, headed, quantity
from tubekit.units import show

BELOW = 0.5
"""Distortions are taken at this share of the rated output voltage: 6 dB below it."""
HERTZ = (63.0, 250.0, 1000.0, 4000.0, 10000.0)
LEVELS = (0.1, 0.25, 0.5, 1.0, 2.0)
"""Inputs at which power and distortion are listed, against the rated input before the change."""
MIXED_HZ, MIXED = (250.0, 8000.0), 4.0
"""Tones of the intermodulation [Hz], and how much larger the low one is at the output: DIN 45403, from
memory; SMPTE has 60 Hz and 7 kHz, where the hum of the line comes in."""
CLOSE_HZ = (13e3, 14e3)
"""Equal tones whose difference is read [Hz]; common practice, no source."""
RUN = ("input_rms", "output_rms", "power_w", "thd_percent")
NAN = float("nan")
Progress = Callable[[float], None]
"""Called with the share that is done; a KeyboardInterrupt from it ends all and keeps what is done."""
Values = dict[str, Any]
Notes = dict[str, None]


@dataclass(frozen=True, eq=False)
class AmpSpecs:
    """Figures of one amp; NaN where it has none, or where the calculation was stopped."""

    rated_w: float = quantity("W", "P", "power at the rated distortion", label="rated output", default=NAN)
    rated_rms: float = quantity(
        "V RMS", "V", "output at the rated distortion", label="rated output voltage", default=NAN
    )
    rated_input_rms: float = quantity(
        "V RMS", "v_in", "input that gives it", label="input for rated output", default=NAN
    )
    gain_db: float = quantity("dB", "A", "jack to output", label="gain at 1 kHz", default=NAN)
    low_hz: float = quantity("Hz", "f_1", "gain is 3 dB down", label="-3 dB, low end", default=NAN)
    high_hz: float = quantity("Hz", "f_2", "gain is 3 dB down", label="-3 dB, high end", default=NAN)
    thd_percent: float = quantity(
        "%", "d", "1 kHz, 6 dB below rated output", label="THD 6 dB below rated", default=NAN
    )
    im_percent: float = quantity(
        "%", "d_m", "250 Hz and 8 kHz, 4:1", label="intermodulation, 250 Hz + 8 kHz", default=NAN
    )
    difference_percent: float = quantity(
        "%", "d_d", "13 and 14 kHz, equal", label="difference tones, 13 + 14 kHz", default=NAN
    )
    output_ohms: float = quantity("ohm", "Z_o", "at 1 kHz", label="output impedance", default=NAN)
    damping_factor: float = quantity("", "", "nominal ohms over that", default=NAN)
    sag_percent: float = quantity("%", "", "of B+", label="B+ drop at full power", format=".1f", default=NAN)
    recovery_s: float = quantity(
        "s", "τ", "63 %, slowest rail", label="slowest rail recovers in", default=NAN
    )
    thd_by_hz: Sequence[float] = (NAN,) * len(HERTZ)
    """At `HERTZ`, 6 dB below rated output [%]."""
    by_level: Mapping[str, Sequence[float]] = field(default_factory=dict)
    """Output at rising inputs, by the names of `RUN`."""


@dataclass(frozen=True, eq=False, repr=False)
class Specs(Printed):
    """Figures of an amp as changed, and `before` as it was."""

    amp: Amp
    after: AmpSpecs
    before: AmpSpecs | None
    rated_thd: float = quantity("%", "d", "distortion at which output counts as rated")
    notes: tuple[str, ...] = ()
    hertz: tuple[float, ...] = field(default=HERTZ, init=False)

    json_keys = ("amp=amp.title", "rated_thd", "after", "before", "hertz", "notes")

    @property
    def both(self) -> tuple[AmpSpecs, ...]:
        """Before, where there is one, and after."""
        return (self.after,) if self.before is None else (self.before, self.after)

    def headline(self) -> str:
        """Rated output before and after."""
        words = [_output_words(one) for one in self.both]
        said = words[0] if len(words) == 1 else f"{words[0]} before and {words[1]} after"
        return " ".join((f"{self.amp.title}: output at {self.rated_thd:g} % distortion {said}.", *self.notes))

    def tables(self) -> list[Table]:
        """Figures; distortion by frequency; output and distortion at the same input."""
        states = ("",) if self.before is None else ("before", "after")
        note = (
            f"Rated output: 1 kHz, {self.rated_thd:g} % THD, B+ held at idle. Intermodulation (4:1) and "
            "difference tones (1:1): 6 dB below rated output. Terms of IEC 60268-3, from memory."
        )
        heads = headed("what", *(f"{state or 'value'} [] >" for state in states))
        figures = Table("Specifications", heads, list(self._figures()), note, "figures")
        heads = headed("frequency [Hz]", *(f"THD {state}".rstrip() + " [%] .2f" for state in states))
        rows = list(zip(HERTZ, *(one.thd_by_hz for one in self.both), strict=True))
        by_hz = Table("Distortion 6 dB below rated output", heads, rows, key="hertz")
        kinds = ("output [V RMS]", "power [W]", "THD [%] .2f")
        names = [f"{state} {kind}".strip() for state in states for kind in kinds]
        runs = [[*zip(*one.by_level.values(), strict=True)] for one in self.both]
        rows = [(lines[0][0], *(x for line in lines for x in line[1:])) for lines in zip(*runs, strict=False)]
        heads = headed("input [V RMS] tiny", *names)
        return [figures, by_hz, Table("Output at the same input", heads, rows, key="levels")]

    def short(self) -> list[Table]:
        """The figures."""
        return [self.table("figures")]

    def _figures(self) -> Iterator[tuple[object, ...]]:
        """A row for each figure that either amp has; watts where there is a speaker, else volts."""
        watts = np.isfinite([one.rated_w for one in self.both]).any()
        for each in fields(AmpSpecs):
            how, cells = printed_as(AmpSpecs, each.name), [getattr(one, each.name) for one in self.both]
            if "doc" not in how or np.isnan(cells).all() or (watts and each.name == "rated_rms"):
                continue
            form, unit = how.get("format"), how["unit"]
            yield (
                how["label"],
                *(f"{cell:{form}} {unit}" if form and np.isfinite(cell) else (cell, unit) for cell in cells),
            )


def _output_words(one: AmpSpecs) -> str:
    if not one.rated_rms >= LEAST["V"]:
        return "unknown" if np.isnan(one.rated_rms) else "none"
    return show(one.rated_rms, "V") if np.isnan(one.rated_w) else show(one.rated_w, "W")


def specs(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    jack: str | None = None,
    rated_thd: float = RATED_THD,
    progress: Progress | None = None,
) -> Specs:
    """Work out the spec sheet of an amp before and after a change.

    Parameters
    ----------
    amp
        The amp, from `load_amp`.
    changes
        As for `Amp.changed`; with none there is no before.
    jack
        Designator of the driven input jack.
    rated_thd
        Distortion at which output counts as rated [%].
    progress
        Called with the share that is done; a KeyboardInterrupt from it, or Ctrl-C, keeps what is done.

    Returns
    -------
    Specs
        Output, gain, distortion, intermodulation, damping and sag.

    Raises
    ------
    ChangeError
        A batch, or no such part, jack or output.
    SolveError
        The amp oscillates.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = specs(load_amp("vetch"), {"V2.emission": 0.7})
    >>> result.before.rated_w > result.after.rated_w
    True
    """
    changed = amp.changed(changes or {})
    amps = [amp, changed] if changes else [changed]
    found: list[dict[str, Any]] = [{} for _ in amps]
    notes: dict[str, None] = {}
    try:
        for k, one in enumerate(amps):
            result = headroom(one, jack=jack, rated_thd=rated_thd)
            levels = result.rated_input_rms if not k else found[0]["rated_input_rms"]
            work = (
                partial(_rated, result, levels),
                partial(_small, result),
                partial(_mixed, result),
                partial(_sag, result, one),
            )
            for j, each in enumerate(work, 1):
                found[k] |= each(notes)
                if progress is not None:
                    progress((k + j / len(work)) / len(amps))
    except KeyboardInterrupt:
        notes["Stopped: what is missing was not calculated."] = None
    both = [AmpSpecs(**values) for values in found]
    return Specs(changed, both[-1], both[0] if changes else None, rated_thd, tuple(notes))


def _rated(result: Headroom, level: float, notes: Notes) -> Values:
    """Rated output; distortion by frequency 6 dB below it; output and distortion at multiples of `level`."""
    view = result.view
    found: Values = {key: getattr(result, key) for key in ("rated_w", "rated_rms", "rated_input_rms")}
    if result.rated_rms < LEAST["V"]:
        notes[f"No signal gets to {view.output.designator}: distortion is not read."] = None
    elif np.isnan(result.rated_rms):
        limit = f"{result.rated_thd:g} %"
        over = (result.thd_percent[:1] > result.rated_thd).any()
        where = f"is over {limit} at the smallest drive" if over else f"does not reach {limit} at any drive"
        notes[f"Distortion {where}: name another limit (--thd)."] = None
    else:
        gains = np.abs(gain_at(view, np.array([TONE_HZ, *HERTZ]))[0])
        volts = BELOW * result.rated_input_rms * gains[0] / gains[1:]
        found["thd_by_hz"] = [_thd(result, volt, hz) for volt, hz in zip(volts, HERTZ, strict=True)]
        found["thd_percent"] = found["thd_by_hz"][HERTZ.index(TONE_HZ)]
    if np.isfinite(level):
        volts, run = driven(view, level * np.array(LEVELS), TONE_HZ)
        if run is not None:
            found["by_level"] = dict(zip(RUN, readings(view, volts, run).tolist(), strict=True))
    return found


def _thd(result: Headroom, volt: float, hertz: float) -> float:
    """Distortion at one input; NaN where the drive does not settle."""
    volts, run = driven(result.view, np.full(LEAST_DRIVES, volt), hertz)
    return NAN if run is None else float(readings(result.view, volts, run)[3, 0])


def _small(result: Headroom, notes: Notes) -> Values:  # noqa: ARG001 - as the others
    path = path_of(result.view)
    ohms = np.abs(path.output_ohms)
    return {
        "gain_db": float(20 * np.log10(np.abs(path.reference_gain[0]))),
        "low_hz": float(path.whole.low.hz[0]), "high_hz": float(path.whole.high.hz[0]),
        "output_ohms": float(ohms[0]), "damping_factor": float(path.damping_factor[0]),
    }  # fmt: skip


def _mixed(result: Headroom, notes: Notes) -> Values:
    """Intermodulation and difference tones 6 dB below rated output, from the amp in time."""
    if not result.rated_rms >= LEAST["V"]:
        return {}
    if not audio_kernel.installed():
        notes["Intermodulation needs numba: pip install 'tubekit[sound]'."] = None
        return {}
    ready, peak = Ready.of(result.amp, jack=result.jack), np.sqrt(2.0) * BELOW * result.rated_rms

    def lines(tones: tuple[float, float], ratio: float) -> Callable[[float], float]:
        """Sizes of lines at the output, where the tones have this ratio and the peak of the sine."""
        wanted = peak * np.array([ratio, 1.0]) / (ratio + 1.0)
        found = ready.steady(wanted / np.abs(gain_at(result.view, np.array(tones))[0]), tones)
        return lambda hertz: float(np.abs(found[round(hertz * READ_S)]))

    (low, high), size = MIXED_HZ, lines(MIXED_HZ, MIXED)
    second, third = (size(high - k * low) + size(high + k * low) for k in (1, 2))
    mixed = np.hypot(second, third) / size(high)
    (low, high), size = CLOSE_HZ, lines(CLOSE_HZ, 1.0)
    close = np.hypot(size(high - low), size(2 * low - high) + size(2 * high - low)) / (size(low) + size(high))
    return {"im_percent": 100.0 * float(mixed), "difference_percent": 100.0 * float(close)}


def _sag(limit: Headroom, amp: Amp, notes: Notes) -> Values:
    if limit.rated_rms < LEAST["V"]:
        return {}
    try:
        result = sag(amp)
    except (ChangeError, SolveError) as error:  # a preamp, or too weak a drive
        notes[f"No sag: {str(getattr(error, 'problem', error)).rstrip('.')}."] = None
        return {}
    back = [one.back_s for one in result.rails if np.isfinite(one.back_s)]
    return {"sag_percent": result.b_plus.sag_percent, "recovery_s": max(back, default=NAN)}
