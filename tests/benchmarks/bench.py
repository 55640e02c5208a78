"""The bench's speed: 10,000 amps at idle, their spread, and hundreds of faults re-solved.

python -m tests.benchmarks.bench [amps]

Wanted on two cores: the spread of ten thousand amps under 2 s, about 220 faults under 20 ms. In the same run
stand the same faults by the ordinary path (the network assembled and reduced anew for each, as one batch and
one by one), and how far the regulation line misses full mains solves of freshly drawn amps. Beside other
programs the clock tells little: the processor's own time stands beside it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from time import process_time

import numpy as np

from tests.benchmarks.clock import best_of, say
from tubekit import load_amp
from tubekit.amp.parts.faults import Change, CircuitParameter
from tubekit.bench.dc_faults import dc_faults
from tubekit.bench.faults import single_faults
from tubekit.circuit.parts import GROUND
from tubekit.decisions.population import dc_population, variables
from tubekit.decisions.probe import Probe
from tubekit.decisions.spread import default_probes, drawn_values, full_values, spread


def run(name: str, amps: int = 10_000, full: int = 120, repeats: int = 5) -> dict[str, float]:
    """Times [s], counts, and the line's miss [V]."""
    amp = load_amp(name)
    ready, varied = dc_population(amp), variables(amp)
    direct = [p for p in default_probes(ready) if p.quantity != "ripple_pp_v"]
    rng = np.random.default_rng(1)
    x = np.stack([v.draw(rng, amps) for v in varied], axis=1)
    quick = dc_faults(ready)
    faults = [f for f in single_faults(amp) if f.grades and quick.takes(f.grades[0])]
    changes = [f.grades[len(f.grades) // 2] for f in faults]
    nodes = [Probe("dc_v", (n, GROUND)) for n in amp.nodes if n in ready.point.network.index]
    settings = as_settings(changes)
    alone = [as_settings([change]) for change in changes]
    some = x[:full]
    by_line = drawn_values(ready, nodes, varied, some, None)
    off = np.abs(by_line - full_values(ready, nodes, varied, some, None))
    return {
        "readings": len(direct),
        "idle_s": best_of(repeats, lambda: drawn_values(ready, direct, varied, x, None)),
        "spread_s": best_of(repeats, lambda: spread(amp, direct, size=amps)),
        "spread_cpu_s": best_of(repeats, lambda: spread(amp, direct, size=amps), process_time),
        "faults": len(changes),
        "faults_s": best_of(repeats, lambda: quick.volts(changes)),
        "faults_cpu_s": best_of(repeats, lambda: quick.volts(changes), process_time),
        "anew_s": best_of(repeats, lambda: ready.solve(settings, len(changes))),
        "singly_s": best_of(1, lambda: [ready.solve(one, 1) for one in alone]),
        "line_worst_v": float(off.max()),
        "line_rms_v": float(np.sqrt((off**2).mean())),
    }


def as_settings(changes: Sequence[Change]) -> dict[CircuitParameter, tuple[np.ndarray, np.ndarray]]:
    """Changes as a batch of settings, one amp for each."""
    size = len(changes)
    result: dict[CircuitParameter, tuple[np.ndarray, np.ndarray]] = {}
    for k, change in enumerate(changes):
        for parameter, (factor, addend) in change.items():
            both = result.setdefault(parameter, (np.ones(size), np.zeros(size)))
            both[0][k], both[1][k] = factor, addend
    return result


def main(amps: int = 10_000) -> None:
    """Run it for all demo amps."""
    for name in ("teasel", "burdock", "fescue"):
        f = run(name, amps)
        say(f"{name}: {amps} amps at idle {f['idle_s']:.2f} s ({1e6 * f['idle_s'] / amps:.0f} µs each);")
        say(
            f"  their spread, {f['readings']} readings, lines and slopes included {f['spread_s']:.2f} s "
            f"({f['spread_cpu_s']:.2f} s of processor);"
        )
        took = f"{1e3 * f['faults_s']:.1f} ms ({1e3 * f['faults_cpu_s']:.1f} of processor)"
        anew, singly = (f[key] / f["faults_s"] for key in ("anew_s", "singly_s"))
        say(f"  {f['faults']} faults {took}; assembled anew {anew:.0f}, one by one {singly:.0f} times that;")
        say(
            f"  the line misses full solves by {f['line_worst_v']:.2f} V at most, {f['line_rms_v']:.3f} V RMS"
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
