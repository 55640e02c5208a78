"""Runs in time against Radau on the same equations, and a batch of supplies that differ in every part.

python -m tests.benchmarks.supply_in_time [members] [seconds of the run]

Radau follows every mains cycle of the hand-written equations (rtol 1e-6, loose); the slow run follows their
means. A second ratio is that of the whole demo amp's switch-on to the time it stands for.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from scipy.integrate import solve_ivp

from tests.benchmarks.clock import best_of, say
from tests.circuits import full_wave
from tests.reference.tight_integration import centre_tap, filter_slopes
from tubekit.amp import load_amp
from tubekit.amp.build import build
from tubekit.amp.warming import emission, warmth
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.transient import slow_transient, transient
from tubekit.circuit.parts import Capacitor, Circuit, Part, Rectifier, Resistor
from tubekit.devices import TubeDiode

Array = np.ndarray
HZ = 60.0
TUBE = TubeDiode.from_drop(50.0, 0.125)
VOLTS, COPPER = (325.0, 325.0), (62.0, 65.0)
FARADS, SERIES, LOADS = np.full(3, 20e-6), np.array([4700.0, 22000.0]), np.array([4e3, 3e4, 1e5])
SAMPLES = 128


def radau(seconds: float) -> Array:
    """Rails at the end of a run from empty capacitors [V], mean of the last cycle."""
    source = centre_tap(TUBE, VOLTS, COPPER, HZ)
    last = seconds - np.arange(64) / 64 / HZ
    answer = solve_ivp(
        lambda t, y: filter_slopes(y, source(t, y[0]), FARADS, SERIES, LOADS), (0.0, seconds), np.zeros(3),
        method="Radau", rtol=1e-6, max_step=1 / (20 * HZ), t_eval=last[::-1],
    )  # fmt: skip
    return np.asarray(answer.y.mean(axis=1))


def variants(members: int) -> Circuit:
    """One supply `members` times, with every capacitor, resistor and rectifier its own."""
    rng = np.random.default_rng(7)

    def spread(value: float) -> Array:
        return value * rng.uniform(0.7, 1.4, members)

    def varied(part: Part) -> Part:
        match part:
            case Capacitor():
                return replace(part, farads=spread(part.farads))
            case Resistor():
                return replace(part, ohms=spread(part.ohms))
            case Rectifier():
                return replace(part, law=TubeDiode(perveance=spread(TUBE.perveance)))
        return part

    return Circuit(tuple(map(varied, full_wave(TUBE, volts=VOLTS, copper=COPPER).parts)), "variants")


def run(members: int = 1000, seconds: float = 2.0, repeats: int = 3) -> dict[str, float]:
    """Seconds of each way, ratios, and how far the ends are apart [%]."""
    circuit = full_wave(TUBE, volts=VOLTS, copper=COPPER)
    batch = variants(members)
    state = mains_steady_state(batch, frequency_hz=HZ, samples=SAMPLES)
    slow = slow_transient(circuit, seconds, frequency_hz=HZ)
    reference = radau(seconds)
    ends = np.array([float(slow.at(node, seconds - 0.5 / HZ)) for node in ("b0", "b1", "b2")])
    built, amp = build(load_amp("teasel")).circuit, load_amp("teasel")
    kinds = emission(amp, warmth)
    times = {
        "slow_s": best_of(repeats, lambda: slow_transient(circuit, seconds, frequency_hz=HZ)),
        "every_s": best_of(1, lambda: transient(circuit, seconds, frequency_hz=HZ)),
        "radau_s": best_of(1, lambda: radau(seconds)),
        "batch_s": best_of(repeats, lambda: mains_steady_state(batch, frequency_hz=HZ, samples=SAMPLES)),
        "amp_s": best_of(1, lambda: slow_transient(built, 15 * seconds, frequency_hz=HZ, emission=kinds)),
    }
    return {
        **times,
        "slow_ratio": times["radau_s"] / times["slow_s"],
        "every_ratio": times["radau_s"] / times["every_s"],
        "amp_ratio": 15 * seconds / times["amp_s"],
        "off_pct": 100 * float(np.abs(ends / reference - 1).max()),
        "converged": float(np.mean(state.convergence.converged)),
    }


if __name__ == "__main__":
    given = [float(word) for word in sys.argv[1:]]
    size, length = (int(given[0]) if given else 1000), (given[1] if len(given) > 1 else 2.0)
    f = run(size, length)
    say(f"{size} supplies, every part different: {f['batch_s']:.2f} s, {100 * f['converged']:.1f} % settled")
    say(f"{length:g} s from cold: Radau {f['radau_s']:.2f} s, means {f['slow_ratio']:.0f} × faster, "
        f"every instant {f['every_ratio']:.1f} ×; ends {f['off_pct']:.3f} % apart")  # fmt: skip
    say(f"switch-on of a whole amp: {15 * length:g} s in {f['amp_s']:.2f} s, {f['amp_ratio']:.0f} × as fast")
