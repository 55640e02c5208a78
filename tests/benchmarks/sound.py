"""``python -m tests.benchmarks.sound [amp …]``: how fast and how exactly amps play, and how their bias moves.

For each amp: processor time for a second of a loud chord at 2 × 48 kHz; the error of a clipped 1 kHz tone at
2 × 48 kHz against 16 × 48 kHz, up to 20 kHz; mean cathode current of the output tubes against idle at rising
levels of a 400 Hz tone; a steady 1 kHz tone against `large_signal`.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from tests.amps import EVERY, amp
from tests.analyses.test_audio import by_scipy, db, played, sine
from tests.say import say
from tubekit.amp.headroom import headroom
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.signal_order import output_sections
from tubekit.amp.signal_view import GENERATOR
from tubekit.amp.sound import Ready
from tubekit.analyses.audio import Played, play
from tubekit.analyses.large_signal import large_signal
from tubekit.analyses.signals import resampled
from tubekit.circuit.parts import VoltageSource
from tubekit.errors import TubekitError

BASE = 48_000
LEAST_DB = -70.0
LOUD_V, LEVELS_V = 0.3, (0.003, 0.01, 0.03, 0.1)


class Bench:
    """One amp, ready to be played at any rate."""

    def __init__(self, name: str) -> None:
        ready = Ready.of(amp(name))
        self.view, self.circuit, self.start = ready.view, ready.circuit, ready.start
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

    def clipping(self) -> float:
        """Error of a clipped tone in the audio band [dB]."""
        both = []
        for more in (2, 16):
            volts = self.play(sine(LOUD_V, 1e3, 0.1, BASE * more), more).outputs[more - 1 :, 0]
            both.append(resampled(volts, BASE * more, BASE))
        coarse, fine = both
        late = slice(BASE // 20, BASE // 20 + BASE // 25)  # whole cycles, filters' ends left out
        return db((coarse - fine)[late], fine[late])

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


def main(names: list[str]) -> None:
    """Print all of it."""
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
            say(f"    clipped {bench.clipping():.0f} dB; cathodes {', '.join(bench.bias())}")
        except TubekitError as error:
            say(f"{name}: {error}")


if __name__ == "__main__":
    main(sys.argv[1:])
