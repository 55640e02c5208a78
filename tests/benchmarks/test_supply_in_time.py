"""The benchmark of runs in time still runs; only its answers are judged, never the clock."""

from __future__ import annotations

from tests.benchmarks import supply_in_time


def test_runs_in_time() -> None:
    figures = supply_in_time.run(members=4, seconds=0.4, repeats=1)
    assert figures["converged"] == 1.0
    assert figures["off_pct"] < 0.2
