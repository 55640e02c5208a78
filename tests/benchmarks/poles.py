"""Gain of a whole amp at many frequencies: pole form against one dense solve per frequency.

python -m tests.benchmarks.poles [frequencies]
"""

from __future__ import annotations

import sys

import numpy as np

from tests.benchmarks.clock import best_of, say
from tests.circuits import amp
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.poles import direct_transfer, transfer
from tubekit.circuit.full import linearised
from tubekit.circuit.newton import on_one_core


@on_one_core
def run(frequencies: int = 200, repeats: int = 5) -> dict[str, float]:
    """Seconds of each way, ratio, and the largest relative difference."""
    point = operating_point(amp())
    matrix = linearised(point.network, list(point.slopes))
    inputs = np.zeros((len(point.network.unknowns), 1))
    inputs[point.network.index["g1"]] = 1.0
    rows = np.zeros((2, len(inputs)))
    rows[[0, 1], [point.network.index["g1"], point.network.index["sp"]]] = 1.0
    parts = (point.network, matrix, rows, inputs, 2j * np.pi * np.geomspace(20.0, 20e3, frequencies))
    by_poles, directly = transfer(*parts), direct_transfer(*parts)
    fast, slow = (best_of(repeats, lambda f=f: f(*parts)) for f in (transfer, direct_transfer))
    off = float(np.abs(by_poles / directly - 1).max())
    return {"poles_s": fast, "direct_s": slow, "ratio": slow / fast, "off": off}


if __name__ == "__main__":
    f = run(*map(int, sys.argv[1:]))
    say(
        f"poles {1e3 * f['poles_s']:.2f} ms, direct {1e3 * f['direct_s']:.2f} ms, "
        f"{f['ratio']:.1f} times as long"
    )
    say(f"largest difference {f['off']:.1e}")
