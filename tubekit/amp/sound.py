"""An amp that plays: what comes out of the speaker, and what meters show while it does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import scipy

from tubekit.amp.amp import Amp
from tubekit.amp.build import signal_strays
from tubekit.amp.hum_paths import generator
from tubekit.amp.mains_solve import solve_circuit
from tubekit.amp.parts import GROUND
from tubekit.amp.signal_order import output_sections
from tubekit.amp.signal_view import GENERATOR, SignalView, signal_view
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.audio import Played, play
from tubekit.analyses.mains import MainsState
from tubekit.analyses.signals import resampled
from tubekit.circuit.parts import Circuit
from tubekit.errors import ChangeError
from tubekit.text import LEAST, Printed, Table, quantity
from tubekit.units import show

Array = np.ndarray
STEPS_HZ, FINEST = 88_200, 8
"""Steps a second at least: twice the samples of the usual files; and how many times as many at most."""
FINE_DB = -60.0
"""Fine steps leave an error below this share of the output, where `FINEST` allows it [dB]."""
ERROR_S, BAND_HZ = 0.03, 20e3
"""The error of the steps is that of so much of a tone [s], up to this frequency [Hz]."""
CYCLE_PARTS = 16
"""Traces are means over this part of a line cycle."""
METER_S, METER_OVERSHOOT = 0.3, 0.0125
"""A moving-coil meter shows 99 % of a step after this time [s], and at most this share more than the step.
IEC 60268-17 (from memory: 300 ms, 1 to 1.5 %)."""
TONE_HZ = 1000.0
"""Distortion is that of a sine of this frequency [Hz]."""
TONE_RATE_HZ, SETTLE_S, READ_S = 96_000, 0.25, 0.1
"""Steady tones are made at the rate of the steps, so that nothing is resampled; they are read so long after
their start, over whole cycles of the line, too [s]."""
HARMONICS = 20
HOLDS_V = 0.5
"""A cathode that is nearer to ground has no bias resistor to speak of [V]; common practice, no source."""


@dataclass(frozen=True)
class TubePlayed:
    """An output tube while the amp plays: highest reading of a moving-coil meter in each lead."""

    section: str
    cathode_idle_a: float = quantity("A", "I_k", "cathode current at idle", label="cathode idle")
    cathode_a: float = quantity(
        "A", "I_k", "highest meter reading in the cathode lead", label="cathode played"
    )
    plate_idle_a: float = quantity("A", "I_p", "plate current at idle", label="plate idle")
    plate_a: float = quantity("A", "I_p", "highest meter reading in the plate lead", label="plate played")


@dataclass(frozen=True)
class NodePlayed:
    """A rail or a cathode while the amp plays, as means over a line cycle."""

    place: str
    node: str
    idle_v: float = quantity("V", "V", "mean voltage at idle", label="idle")
    played_v: float = quantity("V", "V", "lowest mean of a rail, highest of a cathode", label="played")


@dataclass(frozen=True, eq=False, repr=False)
class AmpSound(Printed):
    """An amp while a signal plays; `volts` (T,) at the output, `played` has every other trace."""

    amp: Amp
    output: str
    volts: Array = field(repr=False)
    rate_hz: int = quantity("Hz", "f_s", "samples a second")
    rms_v: float = quantity("V RMS", "V", "output level", label="level")
    peak_v: float = quantity("V", "V", "highest output voltage", label="peak")
    thd_percent: float = quantity(
        "%", "THD", "distortion of a 1 kHz sine of the same peak at the jack", label="THD", format=".1f"
    )
    step_error_db: float = quantity(
        "dB", "err", "error of the steps in that tone up to 20 kHz, against its level", format=".0f"
    )
    tubes: tuple[TubePlayed, ...] = ()
    rails: tuple[NodePlayed, ...] = ()
    cathodes: tuple[NodePlayed, ...] = ()
    played: Played = field(repr=False, kw_only=True)
    view: SignalView = field(repr=False, kw_only=True)
    tone: Array = field(repr=False, kw_only=True)
    """Harmonics of a steady 1 kHz sine of `tone_v` peak, from 0 on, as phasors [V]."""
    tone_v: float = field(repr=False, kw_only=True)

    @property
    def silent(self) -> bool:
        """Whether nothing of the tone gets to the output: less than went in, and no meter shows it."""
        return self.tone_v > 0.0 and bool(abs(self.tone[1]) < min(self.tone_v, np.sqrt(2.0) * LEAST["V"]))

    json_keys = (
        "amp=amp.title", "output", "rate_hz", "rms_v", "peak_v", "thd_percent", "step_error_db", "tubes",
        "rails", "cathodes",
    )  # fmt: skip

    def headline(self) -> str:
        """Level and distortion."""
        return f"{self.amp.title}: {self.rms_v:.3g} V RMS at {self.output}, {self.peak_v:.3g} V peak"

    @property
    def doubts(self) -> str:
        """In words, what the sound leaves out: an oscillation that is too fast, steps that are too coarse."""
        words, rate, hertz = [], self.played.rate_hz, float(self.view.stability.naturals.oscillates_hz[0])
        if not self.view.stability.stable.all() and hertz > rate / 4:
            words.append(f"The steps are too long for {show(hertz, 'Hz')}: the sound leaves it out.")
        if self.step_error_db > FINE_DB:
            words.append(f"{rate:,.0f} steps a second leave an error of {self.step_error_db:.0f} dB.")
        return " ".join(words)

    def shown(self, section: str, lead: str) -> Array:
        """What a moving-coil meter in a tube's lead shows, at the times of `played.run` (K,) [A]."""
        known = {one.section: one for one in self.tubes}[section]
        idle = known.plate_idle_a if lead == "plate" else known.cathode_idle_a
        return metered(section, lead, self.played, idle)

    def smooth(self, node: str) -> tuple[Array, Array]:
        """Times [s] and change from idle of a node's voltage as means over a line cycle [V]."""
        idle = {one.node: one.idle_v for one in (*self.rails, *self.cathodes)}[node]
        means = _means(self.played.run.volts(node))
        time = self.played.run.time
        late = len(time) - len(means)
        return time[late // 2 : len(time) - (late - late // 2)], means - idle

    def tables(self) -> list[Table]:
        """Tubes, rails and cathodes."""
        return [
            Table.of("Output tubes", self.tubes, "section", "cathode_idle_a", "cathode_a", "plate_idle_a",
                     "plate_a", key="tubes"),
            Table.of("Rails and cathodes", (*self.rails, *self.cathodes), "place", "node", "idle_v",
                     "played_v", key="nodes"),
        ]  # fmt: skip


def play_amp(
    amp: Amp,
    signal_v: Array,
    rate_hz: int,
    *,
    jack: str | None = None,
    fine: bool = False,
    unstable: bool = False,
    progress: Callable[[float], None] | None = None,
) -> AmpSound:
    """Play a signal through an amp that idles, its line and rectifiers running.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    signal_v
        The signal (T,) at the jack, behind the generator's 600 Ω [V].
    rate_hz
        Its samples a second; steps are twice as many or more.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    fine
        Whether more steps are taken where two a sample leave an error above -60 dB.
    unstable
        Whether an amp that oscillates is played, too.
    progress
        Called now and then with the share done.

    Returns
    -------
    AmpSound
        The output, and what meters show; what there is by then, where Ctrl-C ends it.

    Raises
    ------
    ChangeError
        A batch; no input jack or no output.
    CircuitError
        The signal has a sample that is no number, or is beyond what a jack gets.
    SolveError
        The amp oscillates, or a step does not arrive.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = play_amp(load_amp("vetch"), np.zeros(480), 48_000)
    >>> len(result.volts), bool(result.rms_v < 0.1)
    (480, True)
    """
    ready = Ready.of(amp, jack=jack, unstable=unstable)
    return ready.play(signal_v, rate_hz, fine=fine, progress=progress)


@dataclass(frozen=True, eq=False)
class Ready:
    """An amp that idles, ready to be played: its circuit with strays and generator, its state on the line."""

    view: SignalView
    circuit: Circuit
    start: MainsState

    @classmethod
    def of(cls, amp: Amp, *, jack: str | None = None, unstable: bool = False) -> Ready:
        """Solve an amp; see `play_amp`. One that oscillates is refused, or `unstable` plays it."""
        if amp.batch is not None:
            raise ChangeError(
                "only one amp is played at a time", where=amp.name, fix="Take one with member(0)"
            )
        view = signal_view(amp, jack=jack)
        if not unstable:
            refuse_unstable(amp, view.stability)
        solved = view.solved
        circuit = solved.built.circuit.with_parts(
            *signal_strays(view.amp), *generator(view.jack, 0.0, view.source_ohms, view.blocked)
        )
        return cls(view, circuit, solve_circuit(circuit, view.amp, solved.state))

    def heard(
        self,
        signal_v: Array,
        rate_hz: int,
        progress: Callable[[float], None] | None = None,
        least_hz: int = STEPS_HZ,
    ) -> Played:
        """A signal played in a whole number of steps a sample, at least so many a second."""
        more = -(-least_hz // rate_hz)
        fine = resampled(np.asarray(signal_v, float), rate_hz, rate_hz * more)
        every = max(1, round(rate_hz * more / (CYCLE_PARTS * self.view.amp.mains_hz)))
        output = self.view.output
        return play(
            self.circuit, fine, rate_hz * more, source=GENERATOR, outputs=[(output.a, output.b)],
            start=self.start, every=every, progress=progress,
        )  # fmt: skip

    def step_error_db(self, peak: float) -> float:
        """Error of `TONE_RATE_HZ` steps a second in a tone of that peak [dB]; NaN for silence.

        The rule is of order 2, so twice as many steps have a quarter of it: Richardson's estimate.
        """
        time = np.arange(1, round(2 * ERROR_S * TONE_RATE_HZ) + 1) / (2 * TONE_RATE_HZ)
        drive = peak * np.sin(2.0 * np.pi * TONE_HZ * time)
        fine = self.heard(drive, 2 * TONE_RATE_HZ).outputs[1 : len(time) : 2, 0]
        coarse = self.heard(drive[1::2], TONE_RATE_HZ).outputs[: len(fine), 0]
        late = slice(-round(2 * TONE_RATE_HZ * ERROR_S / 3), None)
        kept = round(BAND_HZ * 2 * ERROR_S / 3)
        off, level = (np.linalg.norm(np.fft.rfft(each[late])[1:kept]) for each in (coarse - fine, fine))
        with np.errstate(divide="ignore", invalid="ignore"):
            return float(20.0 * np.log10(4.0 / 3.0 * off / level)) if peak > 0.0 else float("nan")

    def play(
        self,
        signal_v: Array,
        rate_hz: int,
        *,
        fine: bool = False,
        progress: Callable[[float], None] | None = None,
    ) -> AmpSound:
        """A signal played, and read; see `play_amp`."""
        view, start = self.view, self.start
        peak = float(np.abs(signal_v).max(initial=0.0))
        error, least = self.step_error_db(peak), STEPS_HZ
        while fine and least < FINEST * STEPS_HZ and error - _gained_db(least, rate_hz) > FINE_DB:
            least *= 2
        played = self.heard(signal_v, rate_hz, progress, least)
        volts = resampled(played.outputs[:, 0], round(played.rate_hz), rate_hz)[: len(signal_v)]
        lines = self.steady([peak], [TONE_HZ]) if peak > 0.0 else np.zeros(1)
        tone = lines[:: round(TONE_HZ * READ_S)][: HARMONICS + 1]
        watched = tuple(one.name for one in output_sections(view.amp))
        return AmpSound(
            view.amp, view.output.designator, volts, rate_hz,
            float(np.std(volts)) if len(volts) else 0.0, float(np.abs(volts).max(initial=0.0)), _thd(tone),
            error - _gained_db(least, rate_hz),
            tuple(_tube(name, played, start) for name in watched),
            tuple(_rails(view, played, start)), tuple(_cathodes(view, played, start, watched)),
            played=played, view=view, tone=tone, tone_v=peak,
        )  # fmt: skip

    def steady(self, peaks: Sequence[float], hertz: Sequence[float]) -> Array:
        """What steady tones [V peak, Hz] give at the output: peak phasors at every multiple of 1/`READ_S`."""
        count = round(READ_S * TONE_RATE_HZ)
        time = np.arange(1, round(SETTLE_S * TONE_RATE_HZ) + count + 1) / TONE_RATE_HZ
        drive = np.sin(2.0 * np.pi * np.outer(time, hertz)) @ np.asarray(peaks, float)
        volts = self.heard(drive, TONE_RATE_HZ).outputs[len(time) - count : len(time), 0]
        return np.asarray(np.fft.rfft(volts) * 2.0 / count)


def _gained_db(least_hz: int, rate_hz: int) -> float:
    """How much smaller the error is than that of `TONE_RATE_HZ` steps a second."""
    return float(40.0 * np.log10(-(-least_hz // rate_hz) * rate_hz / TONE_RATE_HZ))


def _thd(tone: Array) -> float:
    """Harmonics against the first [%]; NaN where nothing comes out."""
    lines = np.abs(tone[1:])
    if not (len(lines) and lines[0] > 0.0):
        return float("nan")
    return float(100.0 * np.sqrt(np.square(lines[1:]).sum()) / lines[0])


@cache
def _ballistics() -> tuple[float, float]:
    """Natural frequency [rad/s] and damping of the meter's pointer, a mass on a spring (any textbook)."""
    log = np.log(METER_OVERSHOOT)
    damping = float(-log / np.hypot(np.pi, log))
    ring = np.sqrt(1.0 - damping**2)

    def short(turn: float) -> float:
        return float(np.exp(-damping * turn) * np.cos(ring * turn - np.arcsin(damping)) / ring - 0.01)

    return float(scipy.optimize.brentq(short, 0.1, 0.999 * np.pi / ring)) / METER_S, damping


def meter(values: Array, idle: float, rate_hz: float) -> Array:
    """What a moving-coil meter shows of a current that was idle before, (T,).

    Examples
    --------
    >>> shown = meter(np.ones(1000), 0.0, 1000.0)
    >>> [round(float(shown[k]), 2) for k in (49, 299)], round(float(shown.max()), 3)
    ([0.16, 0.99], 1.013)
    """
    natural, damping = _ballistics()
    over, under = scipy.signal.bilinear([natural**2], [1.0, 2.0 * damping * natural, natural**2], fs=rate_hz)
    return np.asarray(idle + scipy.signal.lfilter(over, under, values - idle))


def metered(name: str, lead: str, played: Played, idle: float) -> Array:
    """What a moving-coil meter in a tube's lead shows at the times of `played.run`, (K,) [A]."""
    return meter(played.run.current(name, lead), idle, played.rate_hz / played.every)


def _tube(name: str, played: Played, start: MainsState) -> TubePlayed:
    shown = []
    for lead in ("cathode", "plate"):
        idle = float(np.ravel(start.operating_point.current(name, lead))[0])
        shown += [idle, float(metered(name, lead, played, idle).max(initial=idle))]
    return TubePlayed(name, *shown)


def _rails(view: SignalView, played: Played, start: MainsState) -> Iterator[NodePlayed]:
    for rail in view.solved.rails():
        yield _node(f"{rail.node} ({rail.capacitor})", rail.node, played, start, np.argmin)


def _cathodes(
    view: SignalView, played: Played, start: MainsState, watched: tuple[str, ...]
) -> Iterator[NodePlayed]:
    known = {one.name: one.cathode for one in view.amp.topology.sections}
    nodes = dict.fromkeys(known[name] for name in watched if known[name] != GROUND)
    for node in nodes:
        if abs(float(start.mean(node)[0])) > HOLDS_V:
            names = ", ".join(name for name in watched if known[name] == node)
            yield _node(f"{names} cathode", node, played, start, np.argmax)


def _node(
    place: str, node: str, played: Played, start: MainsState, end: Callable[[Array], np.intp]
) -> NodePlayed:
    """Idle, and the lowest or highest mean over a line cycle."""
    idle, means = float(start.mean(node)[0]), _means(played.run.volts(node))
    return NodePlayed(place, node, idle, float(means[end(np.abs(means))]) if len(means) else idle)


def _means(volts: Array) -> Array:
    """Means over a line cycle about each moment that has a whole one."""
    if len(volts) < CYCLE_PARTS:
        return np.empty(0)
    return np.convolve(volts, np.full(CYCLE_PARTS, 1.0 / CYCLE_PARTS), "valid")
