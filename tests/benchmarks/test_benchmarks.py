"""Each benchmark still runs, at a tiny size; only its answers are judged, never the clock."""

from __future__ import annotations

from tests.benchmarks import idle, mains, poles, response


def test_idle_points() -> None:
    figures = idle.run(members=6, looped=2, repeats=1)
    assert figures["ports"] >= 14
    assert figures["converged"] == figures["root_found"] == 1.0
    assert max(figures["root_off_v"], figures["root_jacobian_off_v"]) < 1e-6


def test_supplies() -> None:
    for figures in mains.run(members=3, cycles=100, repeats=1).values():
        assert figures["mean_pct"] < 0.01
        assert figures["ripple_pct"] < 0.1
        assert figures["lsoda_mean_pct"] < 0.1


def test_poles() -> None:
    assert poles.run(frequencies=20, repeats=1)["off"] < 1e-7


def test_response_of_a_whole_amp() -> None:
    assert response.run(variants=4, frequencies=30, repeats=1)["off"] < 1e-9
