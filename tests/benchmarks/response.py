"""Response of the demo amp at many frequencies, a batch of variants: replayed elimination against a loop.

The loop is the plain one: numpy.linalg.solve at each frequency of each variant, on the same matrices.

python -m tests.benchmarks.response [variants] [frequencies]
"""

from __future__ import annotations

import sys

import numpy as np

from tests.benchmarks.clock import best_of, say
from tubekit import load_amp
from tubekit.amp.signal_view import signal_view, turned
from tubekit.analyses.elimination import respond
from tubekit.circuit.newton import on_one_core

LOOPED = 3
"""Variants that the loop goes through; its time is per variant anyway."""


@on_one_core
def run(variants: int = 64, frequencies: int = 200, repeats: int = 5) -> dict[str, float]:
    """Seconds per variant of each way, their ratio, and the largest relative difference."""
    settings = np.random.default_rng(5).uniform(0.05, 0.95, (3, variants))
    view = turned(signal_view(load_amp("teasel")), dict(zip(("R31", "R32", "R33"), settings, strict=True)))
    s = 2j * np.pi * np.geomspace(10.0, 100e3, frequencies)
    row = [view.network.index[view.output.a]]
    storage = np.broadcast_to(view.network.storage, view.matrix.shape)
    matrix, drive, looped = view.matrix, view.drive, min(LOOPED, variants)

    def replayed() -> np.ndarray:
        return respond(view.network, matrix, drive, s, row)[..., 0]

    def loop() -> np.ndarray:
        return np.array(
            [
                [np.linalg.solve(matrix[k] + each * storage[k], drive)[row[0]] for each in s]
                for k in range(looped)
            ]
        )

    off = float(np.abs(replayed()[:looped] / loop() - 1).max())
    fast, slow = best_of(repeats, replayed) / variants, best_of(repeats, loop) / looped
    return {"replayed_s": fast, "loop_s": slow, "ratio": slow / fast, "off": off, "unknowns": len(drive)}


if __name__ == "__main__":
    f = run(*map(int, sys.argv[1:]))
    say(f"{f['unknowns']:.0f} unknowns; per variant: replayed {1e3 * f['replayed_s']:.3f} ms, "
        f"loop of numpy.linalg.solve {1e3 * f['loop_s']:.2f} ms, {f['ratio']:.1f} times as long")  # fmt: skip
    say(f"largest difference {f['off']:.1e}")
