"""Periodic steady state of a supply, against LSODA until it has settled; a batch of variants; whole amps.

python -m tests.benchmarks.mains [members] [cycles of settling]

LSODA integrates the hand-written equations of the same supply (rtol 1e-6) from empty capacitors.
"""

from __future__ import annotations

import sys
from time import process_time

import numpy as np
from scipy.integrate import solve_ivp

from tests.amps import solved
from tests.benchmarks.clock import best_of, say
from tests.circuits import full_wave, one_of, varied
from tests.reference.tight_integration import centre_tap, filter_slopes, meter, settled
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import Circuit
from tubekit.devices import SiliconDiode, TubeDiode
from tubekit.devices.rectifier import RectifierLaw

HZ = 60.0
FARADS, SERIES, LOADS = np.full(3, 20e-6), np.array([4700.0, 22000.0]), np.array([4e3, 3e4, 1e5])
VOLTS, COPPER = (325.0, 325.0), (62.0, 65.0)
LAWS: dict[str, RectifierLaw] = {"tube": TubeDiode.from_drop(50.0, 0.125), "silicon": SiliconDiode()}


def settling(law: RectifierLaw, cycles: int) -> np.ndarray:
    """Reservoir voltage over the last of `cycles` mains cycles (256,)."""
    source = centre_tap(law, VOLTS, COPPER, HZ)
    last = (cycles - 1 + np.arange(256) / 256) / HZ
    answer = solve_ivp(
        lambda t, y: filter_slopes(y, source(t, y[0]), FARADS, SERIES, LOADS),
        (0.0, cycles / HZ), np.zeros(3), method="LSODA", rtol=1e-6, max_step=1 / (50 * HZ), t_eval=last,
    )  # fmt: skip
    return np.asarray(answer.y[0])


def run(members: int = 1000, cycles: int = 120, repeats: int = 3) -> dict[str, dict[str, float]]:
    """Per rectifier: seconds and errors of mean and ripple [%] of each way, ratio, seconds of the batch."""
    figures = {}
    for name, law in LAWS.items():
        circuit = full_wave(law, volts=VOLTS, copper=COPPER)
        state = mains_steady_state(circuit, frequency_hz=HZ)
        source = centre_tap(law, VOLTS, COPPER, HZ)
        tight = settled(
            lambda t, y, source=source: filter_slopes(y, source(t, y[0]), FARADS, SERIES, LOADS),
            np.array([state.waveform(node)[0, 0] for node in ("b0", "b1", "b2")]), HZ,
        )[0]  # fmt: skip
        slow = settling(law, cycles)
        taken = best_of(repeats, lambda c=circuit: mains_steady_state(c, frequency_hz=HZ))
        waited = best_of(1, lambda law=law: settling(law, cycles))
        spread = np.random.default_rng(4).uniform(0.9, 1.1, members) * VOLTS[0]
        variants = full_wave(law, volts=(spread, spread), copper=COPPER)  # type: ignore[arg-type]
        batch = best_of(repeats, lambda v=variants: mains_steady_state(v, frequency_hz=HZ))
        mean, ripple, _ = meter(tight)
        figures[name] = {
            "one_s": taken, "lsoda_s": waited, "ratio": waited / taken, "batch_s": batch,
            "mean_pct": 100 * abs(state.mean("b0")[0] / mean - 1),
            "ripple_pct": 100 * abs(state.ripple_pp("b0")[0] / ripple - 1),
            "lsoda_mean_pct": 100 * abs(slow.mean() / mean - 1),
            "lsoda_ripple_pct": 100 * abs(np.ptp(slow) / ripple - 1),
        }  # fmt: skip
    return figures


def amps(members: int = 1000, repeats: int = 3) -> dict[str, dict[str, float]]:
    """Whole amps with their mains, every resistor, capacitor and coil its own.

    Processor time of each [s], how much longer one takes alone, and how far apart they are [%].
    """
    figures = {}
    for name in ("teasel", "reverb-tremolo"):
        nominal = solved(name).solved.state
        hz, batch = nominal.frequency_hz, varied(nominal.circuit, members, 0.05, 5)

        def together(batch: Circuit = batch, hz: float = hz, near: MainsState = nominal) -> MainsState:
            return mains_steady_state(batch, frequency_hz=hz, near=near, strict=False)

        state, single = together(), one_of(batch, 0)
        alone = mains_steady_state(single, frequency_hz=hz, near=nominal)
        each = best_of(repeats, together, process_time) / members
        one = best_of(
            repeats,
            lambda c=single, hz=hz, n=nominal: mains_steady_state(c, frequency_hz=hz, near=n), process_time,
        )  # fmt: skip
        off = np.abs(state.spectrum[0, 0] - alone.spectrum[0, 0]).max() / np.abs(alone.spectrum[0, 0]).max()
        figures[name] = {"each_s": each, "alone_ratio": one / each, "off_pct": 100 * float(off),
                         "converged": float(np.mean(state.convergence.converged))}  # fmt: skip
    return figures


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for name, f in run(size, *map(int, sys.argv[2:])).items():
        say(
            f"{name}: {1e3 * f['one_s']:.2f} ms "
            f"(mean {f['mean_pct']:.4f} %, ripple {f['ripple_pct']:.4f} % off)"
        )
        say(
            f"  LSODA until settled {1e3 * f['lsoda_s']:.0f} ms, {f['ratio']:.0f} times as long "
            f"(mean {f['lsoda_mean_pct']:.4f} %, ripple {f['lsoda_ripple_pct']:.3f} % off)"
        )
        say(f"  {size} variants in {f['batch_s']:.3f} s, {1e3 * f['batch_s'] / size:.3f} ms each")
    for name, f in amps(size).items():
        say(f"{size} of {name}: {1e3 * f['each_s']:.2f} ms of processor time each, {f['converged']:.1%} "
            f"settled; alone {f['alone_ratio']:.1f} times as long, {f['off_pct']:.1e} % apart")  # fmt: skip
