"""How far each stage can be driven, which clips first, and what input gives rated output."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.clipping import COMPRESSED_DB, RATED_THD, ClipPoint, clip_points, compressed_at, estimated
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.readings import outside_note
from tubekit.amp.signal_order import signal_order
from tubekit.amp.signal_view import SOURCE_OHMS, SignalView, signal_view
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.elimination import respond
from tubekit.analyses.large_signal import LargeSignal, large_signal
from tubekit.analyses.part_sensitivity import current_into, number
from tubekit.circuit.newton import on_one_core
from tubekit.errors import BatchWarning
from tubekit.result_fields import Array
from tubekit.text import LEAST, Printed, Table, headed, quantity
from tubekit.units import show

MOST_THD = 20.0
"""Distortion up to which the drive is listed [%]: beyond it the amp clips; common practice, no source."""
DRIVES, SAMPLES = 12, 32
BELOW, ABOVE = 0.25, 6.0
"""The run goes from and to these multiples of the drive at which the first stage is thought to clip."""
LEAST_DRIVES = 4
FINE = 8
"""Drives between the two that the rated distortion is between."""


@dataclass(frozen=True, eq=False, repr=False)
class Headroom(Printed):
    """Drive from small to far into clipping: output, distortion, and where each stage stops following."""

    amp: Amp
    jack: str
    method: str
    frequency_hz: float = quantity("Hz", "f", "of the drive")
    input_rms: Array = quantity("V RMS", "v_in", "generator levels")
    output_rms: Array = quantity("V RMS", "v", "fundamental across the output at each level")
    power_w: Array = quantity("W", "P", "power into the speaker at each level")
    thd_percent: Array = quantity("%", "d", "total harmonic distortion at each level")
    clips: tuple[ClipPoint, ...] = field(kw_only=True)
    gain: float = quantity("", "A", "small-signal gain from generator to speaker", kw_only=True)
    rated_thd: float = quantity(
        "%", "d", "distortion at which output counts as rated", default=RATED_THD, kw_only=True
    )
    view: SignalView = field(repr=False, kw_only=True)

    json_keys = (
        "amp=amp.title",
        "jack",
        "frequency_hz",
        "method",
        "clips",
        "rated_w",
        "rated_rms",
        "rated_input_rms",
        "*run",
    )

    @property
    def run(self) -> dict[str, Array]:
        """Output against drive, the drives that are listed."""
        return {
            name: getattr(self, name)[: self.listed]
            for name in ("input_rms", "output_rms", "power_w", "thd_percent")
        }

    @property
    def rated_w(self) -> float:
        """Power where the distortion first passes `rated_thd` [W]; NaN where it does not within the run."""
        return self._at(self.rated_input_rms, self.power_w)

    @property
    def rated_rms(self) -> float:
        """Output there, its fundamental [V RMS]; NaN likewise."""
        return self._at(self.rated_input_rms, self.output_rms)

    @property
    def rated_input_rms(self) -> float:
        """Input that gives it [V RMS]: the sensitivity."""
        k = _passed(self.thd_percent, self.rated_thd)
        return float(self.input_rms[k]) if k else float("nan")

    @property
    def listed(self) -> int:
        """Number of drives listed: those before the output is a clipped wave, the first at least."""
        past = np.flatnonzero(self.thd_percent > MOST_THD)
        return max(int(past[0]), 1) if len(past) else len(self.input_rms)

    def _at(self, volts: float, values: Array) -> float:
        if not np.isfinite(volts):
            return float("nan")
        return float(np.exp(np.interp(np.log(volts), np.log(self.input_rms), np.log(values))))

    def headline(self) -> str:
        """Rated output, sensitivity and the first stage to clip."""
        first = self.clips[0]
        words = f"{self.amp.title}, {self.jack} at {self.frequency_hz:g} Hz"
        if self.rated_rms < LEAST["V"]:
            words += f": no signal gets to {self.view.output.designator}"
        elif np.isfinite(self.rated_rms):
            size = f"{self.rated_w:.2g} W" if self.view.load else f"{self.rated_rms:.2g} V"
            level = show(self.rated_input_rms, "V", 2)
            words += f": {size} at {self.rated_thd:g} % distortion with {level} in"
        return f"{words}. {first.section} clips first ({first.cause})"

    def tables(self) -> list[Table]:
        """Order of clipping, then output against drive."""
        first = self.clips[0].input_rms
        tubes = self.view.solved.tubes
        marked = {t.section: t.marked for t in tubes}
        rows = [
            (
                marked.get(each.section, each.section),
                each.input_rms,
                20 * np.log10(each.input_rms / first),
                each.cause,
            )
            for each in self.clips
        ]  # fmt: skip
        heads = headed("stage", "input level [V RMS] tiny", "above the first [dB] +.1f", "why")
        tables = [
            Table(
                "What clips first",
                heads,
                rows,
                note=f"Method: {self.method}.\n{outside_note(tubes)}".rstrip(),
            )
        ]
        if len(self.input_rms):
            count = self.listed
            run = list(zip(*self.run.values(), strict=True))
            clipped = f"Above {MOST_THD:g} % distortion the output is a clipped wave and is not listed."
            note = "\n".join(self._drive_notes() + [clipped] * (count < len(self.input_rms)))
            output = f"{self.view.output_words} [V RMS]"
            under = headed("input level [V RMS] tiny", output, "power [W]", "distortion [%] .1f")
            drive = Table("Power and distortion", under, run, note=note)
            tables.append(drive if self.view.load else drive.only(*(c.name for c in under if c.unit != "W")))
        return tables

    def _drive_notes(self) -> list[str]:
        """What takes the power, and a gain that falls before anything clips."""
        result = []
        if self.view.load:
            ohms = float(self.output_rms[0] ** 2 / self.power_w[0])
            names = " and ".join(one.designator for one in self.view.load)
            result.append(
                f"Power into {names} as drawn: at {self.frequency_hz:g} Hz it takes as much as {ohms:.3g} Ω "
                f"(nominal {float(np.max(self.view.nominal_ohms)):.3g} Ω)."
            )
        level = compressed_at(self.input_rms, self.output_rms / self.input_rms)
        if level < self.clips[0].input_rms:
            percent = self._at(level, self.thd_percent)
            result.append(
                f"From {show(level, 'V RMS')} on the gain is {COMPRESSED_DB:g} dB down with {percent:.1f} % "
                "distortion: bias that shifts with the drive does that, no clipping yet."
            )
        return result

    def short(self) -> list[Table]:
        """Stages that clip first, then output against drive."""
        clips, *drive = self.tables()
        return [replace(clips, rows=clips.rows[:4]), *drive]


@on_one_core
def headroom(
    amp: Amp,
    *,
    jack: str | None = None,
    frequency_hz: float = 1000.0,
    source_ohms: float = SOURCE_OHMS,
    rated_thd: float = RATED_THD,
) -> Headroom:
    """Drive an amp from small signals far into clipping, its supply held at the idle voltages.

    The whole amp is solved in steady state at each drive; should that fail, the order of clipping is
    estimated from the slopes at idle, and `method` says so.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    frequency_hz
        Frequency of the drive [Hz].
    source_ohms
        Resistance of the generator at the jack [Ω].
    rated_thd
        Distortion at which output counts as rated [%].

    Returns
    -------
    Headroom
        Which stage clips at what drive, power and distortion along the way.

    Raises
    ------
    ChangeError
        A batch; no input jack or no output.
    SolveError
        The amp oscillates.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = headroom(load_amp("teasel"))
    >>> result.clips[0].section in ("V3", "V4")
    True
    """
    amp.refuse_batch()
    view = signal_view(amp, jack=jack, source_ohms=source_ohms)
    refuse_unstable(view.amp, view.stability)
    s = np.array([2j * np.pi * frequency_hz])
    x = respond(view.network, view.matrix, view.drive, s)[:, 0]
    gain = float(np.abs(x[0] @ view.out))
    way = signal_order(view.amp.topology, view.jack.tip)
    guess = estimated(view, x, way.order)
    volts, run = driven(view, np.geomspace(BELOW, ABOVE, DRIVES) * guess[0].input_rms, frequency_hz)
    if run is None:
        method = "the driven amp did not settle, so all limits are estimates from the gain at idle"
        clips, read = guess, np.zeros((4, 0))
    else:
        method = (
            "Signal goes through the whole amp; B+ stays at its idle voltage. Only the first stage to clip "
            "is calculated; the later ones are estimates"
        )
        clips = _with_later(clip_points(view, run, volts, way.order), guess, volts[-1])
        read = _with_rated(view, readings(view, volts, run), frequency_hz, rated_thd)
    return Headroom(
        view.amp, view.jack.designator, method, frequency_hz, read[0], read[1], read[2], read[3],
        clips=clips, gain=gain, view=view, rated_thd=rated_thd,
    )  # fmt: skip


def _passed(thd_percent: Array, limit: float) -> int:
    """The first drive with that distortion; 0 where none has, or the smallest has already."""
    past = np.flatnonzero(thd_percent >= limit)
    return int(past[0]) if len(past) else 0


def _with_rated(view: SignalView, read: Array, frequency_hz: float, limit: float) -> Array:
    """The `readings` with one drive more, where the distortion passes `limit`: solved near there."""
    k = _passed(read[3], limit)
    if not k:
        return read
    volts, run = driven(view, np.geomspace(read[0, k - 1], read[0, k], FINE), frequency_hz)
    near = read if run is None else readings(view, volts, run)
    j = _passed(near[3], limit)
    if not j:
        near, j = read, k
    part = (limit - near[3, j - 1]) / (near[3, j] - near[3, j - 1])
    between = near[:, j - 1] ** (1.0 - part) * near[:, j] ** part
    return np.insert(read, k, [*between[:3], limit], axis=1)


def readings(view: SignalView, volts: Array, run: LargeSignal) -> Array:
    """Drives [V RMS], output [V RMS], power [W] and distortion [%] of a run, (4, N)."""
    a, b = view.output.a, view.output.b
    output = np.abs(run.harmonics(a, b)[:, 1]) / np.sqrt(2.0)
    both = (output, _power(view, run), run.thd_percent(a, b))
    return np.array([volts, *(each[: len(volts)] for each in both)])


def driven(view: SignalView, volts: Array, frequency_hz: float) -> tuple[Array, LargeSignal | None]:
    """The drives that settled, from the smallest up, and the run; None where too few did."""
    circuit = held_supply(view, np.sqrt(2.0) * volts)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BatchWarning)  # the drives that are lost are left out and said
        run = large_signal(circuit, frequency_hz=frequency_hz, samples=SAMPLES, strict=False)
    settled = run.convergence.converged
    count = len(settled) if settled.all() else int(np.argmin(settled))
    return volts[:count], run if count >= LEAST_DRIVES else None


def _with_later(
    points: tuple[ClipPoint, ...], guess: tuple[ClipPoint, ...], highest: float
) -> tuple[ClipPoint, ...]:
    """Stages that followed throughout get their estimate, never below what they were seen to follow."""
    by_slope = {each.section: each for each in guess}
    later = [
        each if np.isfinite(each.input_rms) else ClipPoint(
            each.section, max(by_slope[each.section].input_rms, float(highest)),
            f"estimated: {by_slope[each.section].cause}",
        )
        for each in points
    ]  # fmt: skip
    return tuple(sorted(later, key=lambda each: each.input_rms))


def _power(view: SignalView, run: LargeSignal) -> Array:
    """Into all loudspeakers of the output stage over all harmonics [W], (N,); NaN without any."""
    network = run.idle.network
    s = 2j * np.pi * run.frequency_hz * np.arange(run.spectrum.shape[1])
    watts = np.full(len(run.spectrum), 0.0 if view.load else np.nan)
    for speaker in view.load:
        here = number(network, speaker.a)
        own = [part for part in network.circuit.parts if part.name.split(".")[0] == speaker.designator]
        amps = sum(current_into(network, part, here, run.spectrum, s) for part in own)
        volts = run.harmonics(speaker.a, speaker.b)
        watts = watts + 0.5 * (volts[:, 1:] * np.conj(amps)[:, 1:]).real.sum(axis=1)
    return watts
