"""The bench's benchmarks still run, at a tiny size; only their answers are judged, never the clock."""

from __future__ import annotations

from tests.benchmarks import bench


def test_ten_thousand_amps_and_hundreds_of_faults() -> None:
    figures = bench.run("teasel", amps=40, full=20, repeats=1)
    assert figures["faults"] > 200
    assert figures["line_worst_v"] < 0.6
    assert figures["line_rms_v"] < 0.15
