"""``python -m tests.benchmarks.sound [amp …]``: how fast and how exactly amps play, and how their bias moves.

For each amp: processor time for a second of a loud chord at 2 × 48 kHz; the error of a clipped 1 kHz tone at
2, 4 and 8 × 48 kHz against 16 × 48 kHz, and the time they take; mean cathode current of the output tubes
against idle at rising levels of a 400 Hz tone; a steady 1 kHz tone against `large_signal`.

``python -m tests.benchmarks.sound --minute [amp …]``: a minute of loud chords instead. Processor time, lost
steps and the energy left over in its last half second.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from tests.amps import COLD, EVERY, amp
from tests.analyses.test_audio import by_scipy, db, played, sine
from tests.say import say
from tubekit.amp.headroom import headroom
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.signal_order import output_sections
from tubekit.amp.signal_view import GENERATOR
from tubekit.amp.sound import Ready
from tubekit.analyses.audio import Played, play
from tubekit.analyses.large_signal import large_signal
from tubekit.analyses.signals import resampled, string
from tubekit.circuit.parts import VoltageSource
from tubekit.errors import SolveError, TubekitError

BASE = 48_000
LEAST_DB = -70.0
LOUD_V, LEVELS_V = 0.3, (0.003, 0.01, 0.03, 0.1)
MINUTE_S, BEAT_S, STRUM_S, BALANCED_S = 60.0, 0.5, 0.012, 0.5
OPEN_HZ = (82.41, 110.0, 146.83, 196.0, 246.94, 329.63)
"""The open strings of a guitar, equal temperament from 440 Hz."""
SHAPES: tuple[tuple[int | None, ...], ...] = (
    (0, 2, 2, 1, 0, 0), (None, 0, 2, 2, 2, 0), (None, None, 0, 2, 3, 2), (3, 2, 0, 0, 0, 3),
    (0, 2, 2, None, None, None), (None, 3, 2, 0, 1, 0), (None, None, None, None, 12, 12), (None,) * 6,
)  # fmt: skip
"""Chords by the fret of each string; None is not plucked, the last one is a rest."""


class Bench:
    """One amp, ready to be played at any rate."""

    def __init__(self, name: str) -> None:
        ready = Ready.of(amp(name))
        self.view, self.circuit, self.start = ready.view, ready.circuit, ready.start
        self.ready = ready
        self.ends = (self.view.output.a, self.view.output.b)

    def play(self, drive: np.ndarray, more: int, every: int = 1) -> Played:
        return play(
            self.circuit,
            drive,
            BASE * more,
            source=GENERATOR,
            outputs=[self.ends],
            start=self.start,
            every=every,
        )

    def speed(self) -> float:
        """Processor seconds for a second of sound, set-up left out."""
        drive = sine(LOUD_V, 196.0, 1.0, 2 * BASE) + sine(LOUD_V, 247.0, 1.0, 2 * BASE)
        self.play(drive[:10], 2)
        best = np.inf
        for _ in range(3):
            begun = time.process_time()
            self.play(drive[:960], 2, 96)
            between = time.process_time()
            self.play(drive, 2, 96)
            best = min(best, time.process_time() - between - (between - begun))
        return float(best)

    def clipping(self) -> list[str]:
        """Error of a clipped tone in the audio band [dB], by steps a sample, and what they cost."""
        late = slice(BASE // 20, BASE // 20 + BASE // 25)  # whole cycles, filters' ends left out
        heard, took = {}, {}
        for more in (16, 8, 4, 2):
            begun = time.process_time()
            volts = self.play(sine(LOUD_V, 1e3, 0.1, BASE * more), more).outputs[more - 1 :, 0]
            took[more] = time.process_time() - begun
            heard[more] = resampled(volts, BASE * more, BASE)[late]
        return [
            f"{more} × {db(heard[more] - heard[16], heard[16]):.0f} dB (time {took[more] / took[2]:.1f})"
            for more in (2, 4, 8)
        ]

    def steady(self, level_rms: float, seconds: float = 4.0) -> tuple[float, np.ndarray, np.ndarray]:
        """A steady 1 kHz tone against `large_signal` with rails at their played means.

        Power error [%]; of the first five harmonics the error [dB], and their level against the first [dB].
        """
        peak = np.sqrt(2.0) * level_rms
        played = self.play(sine(peak, 1e3, seconds, 2 * BASE), 2, 100)
        late, rows = played.outputs[-BASE // 5 :, 0], BASE // 500  # 0.1 s: whole cycles of the line, too
        lines = np.abs(np.fft.rfft(late)[100:600:100]) * 2.0 / len(late)
        held = held_supply(self.view, peak)
        parts = [
            replace(one, dc=float(played.run.volts(one.a)[-rows:].mean()))
            if isinstance(one, VoltageSource) and one.name.endswith(" held")
            else one
            for one in held.parts
        ]
        run = large_signal(held.made_of(parts), frequency_hz=1e3, samples=128)
        wanted = np.abs(run.harmonics(*self.ends)[0, 1:6])
        power = 100.0 * (np.square(lines).sum() / np.square(wanted).sum() - 1.0)
        return float(power), 20 * np.log10(lines / wanted), 20 * np.log10(wanted / wanted[0])

    def bias(self) -> list[str]:
        """Mean cathode current against idle, at each level."""
        names, result = [one.name for one in output_sections(self.view.amp)], []
        for level in LEVELS_V:
            run = self.play(sine(level, 400.0, 0.6, 2 * BASE), 2, 240).run
            late = len(run.time) * 2 // 3
            now = sum(run.current(name, "cathode")[late:].mean() for name in names)
            idle = sum(
                float(np.ravel(self.start.operating_point.current(name, "cathode"))[0]) for name in names
            )
            result.append(f"{1e3 * level:g} mV {100 * (now / idle - 1):+.1f} %")
        return result


def music(seconds: float) -> np.ndarray:
    """Chords of plucked strings in eighths, damped at each other one, `LOUD_V` RMS while they sound [V]."""
    rng, beat = np.random.default_rng(18), round(BEAT_S * BASE)
    result = np.zeros(round(seconds * BASE))
    for k in range(-(-len(result) // beat)):
        shape = SHAPES[int(rng.integers(len(SHAPES)))]
        end = min(len(result), (k + 1 + int(rng.integers(2))) * beat)
        for j, (tone, fret) in enumerate(zip(OPEN_HZ, shape, strict=True)):
            begin = k * beat + round(j * STRUM_S * BASE)
            if fret is not None and begin < end:
                note = string(tone * 2 ** (fret / 12), (end - begin) / BASE, BASE)
                result[begin : begin + len(note)] += rng.uniform(0.5, 1.0) * note
    heard = result[np.abs(result) > 1e-3]
    return result * (LOUD_V / np.sqrt(np.mean(np.square(heard))))


def energy_left(played: Played, drive: np.ndarray, source: int, hertz: float) -> float:
    """Share of the energy taken from line and jack that is neither heat nor stored; from every step.

    With D = 1 for nodes and -1 for currents, x' D times the equations of the network is power: given by the
    sources, heat in linear parts and tubes, and the rise of what C stores.
    """
    run, network = played.run, played.run.network
    x, time = run.unknowns, run.time
    signed = x * np.where(np.arange(x.shape[1]) <= max(network.index.values()), 1.0, -1.0)
    given = network.dc[0] + np.outer(np.cos(2 * np.pi * hertz * time), network.ac[0])
    given[:, source] += drive
    power = np.einsum("tn,tn->t", signed, given)
    edges = np.column_stack((network.incidence, network.rectifier_incidence))
    heat = np.einsum("tn,tn->t", signed, x @ network.conductance[0].T)
    heat += np.einsum("tp,tp->t", x @ edges, run.port_currents)
    stored = 0.5 * np.square(x[[0, -1]] @ (network.reactive @ network.storage_factor[0][0])).sum(axis=1)
    whole = np.trapezoid(power, time)
    return float((whole - np.trapezoid(heat, time) - (stored[1] - stored[0])) / whole)


def minute(name: str) -> str:
    """A minute of music: processor time, where it stops if it does, and the energy balance."""
    bench = Bench(name)
    chords = music(MINUTE_S)
    begun = time.process_time()
    try:
        played = bench.ready.heard(chords, BASE)
    except SolveError as error:
        return f"{error}, after {time.process_time() - begun:.1f} s"
    took = time.process_time() - begun
    finite = np.isfinite(played.outputs).all() and np.isfinite(played.run.unknowns).all()
    words = "every sample finite" if finite else "NOT FINITE"
    drive = resampled(chords[-round(BALANCED_S * BASE) :], BASE, 2 * BASE)
    fine = bench.play(drive, 2)
    source = fine.run.network.unknowns.index(f"I({GENERATOR})")
    left = energy_left(fine, drive[: len(fine.outputs)], source, bench.view.amp.mains_hz)
    peak = np.abs(played.outputs).max()
    return f"{took:.1f} s, no step lost, {words}, {peak:.3g} V peak, energy left over {100 * left:+.2g} %"


def main(names: list[str]) -> None:
    """Print all of it."""
    if "--minute" in names:
        for name in [each for each in names if each != "--minute"] or (*EVERY, *COLD):
            try:
                say(f"{name}: {minute(name)}")
            except TubekitError as error:
                say(f"{name}: {error}")
        return
    expected = by_scipy(3.0, 440.0, 0.05)
    found = played(sine(3.0, 440.0, 0.05, 768e3), 768e3).outputs[7::8, 0]
    say(f"50 ms of a stage that blocks, against LSODA at 1e-9: {db(found - expected, expected):.0f} dB")
    for name in names or EVERY:
        try:
            bench = Bench(name)
            took = bench.speed()
            say(f"{name}: {took:.2f} s a second ({1 / took:.1f} × real time)")
            rated = headroom(amp(name)).rated_input_rms
            for share in (0.3, 1.0) if np.isfinite(rated) else ():
                power, off, level = bench.steady(share * rated)
                heard = np.abs(off[level > LEAST_DB]).max()
                say(f"    {share:g} × rated input: power {power:+.2f} %, harmonics within {heard:.2f} dB")
            say(f"    clipped: {', '.join(bench.clipping())}; cathodes {', '.join(bench.bias())}")
        except TubekitError as error:
            say(f"{name}: {error}")


if __name__ == "__main__":
    main(sys.argv[1:])
