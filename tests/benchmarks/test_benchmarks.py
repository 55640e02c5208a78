"""Each benchmark still runs, at a tiny size; only its answers are judged, never the clock."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import idle, mains, poles, response, speed
from tubekit import operating_point
from tubekit.circuit.parts import Device, VoltageSource


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


def test_whole_amps() -> None:
    for figures in mains.amps(members=4, repeats=1).values():
        assert figures["off_pct"] < 1e-4
        assert figures["converged"] == 1.0


def test_poles() -> None:
    assert poles.run(frequencies=20, repeats=1)["off"] < 1e-7


def test_response_of_a_whole_amp() -> None:
    assert response.run(variants=4, frequencies=30, repeats=1)["off"] < 1e-9


def test_one_run_keeps_its_history(tmp_path: Path) -> None:
    grown = speed.growth("cubes", (20, 40, 80), lambda n: lambda: [0] * n**3)
    assert 2.5 < grown.memory_exponent < 3.2
    (tmp_path / "speed.json").write_text('[{"ratios": {"a way": 3.0}}]', encoding="utf-8")
    speed.keep(tmp_path, {"a way": 2.0}, [grown])
    runs = json.loads((tmp_path / "speed.json").read_text(encoding="utf-8"))
    assert [run["ratios"]["a way"] for run in runs] == [3.0, 2.0]
    assert (tmp_path / "speed.png").stat().st_size > 1000


def test_growth_is_of_circuits_that_solve() -> None:
    point = operating_point(speed.stages(3))
    assert point.volts("p2") == pytest.approx(point.volts("p0"), rel=1e-9)
    assert operating_point(speed.ladder(4)).volts("n0") == pytest.approx(187.5, rel=1e-6)
    played = speed.playing(2, 0.01)()
    assert np.ptp(played.outputs) > 100.0  # V: it clips
    whole = speed.pairs(2)
    assert [len(whole.of(kind)) for kind in (Device, VoltageSource)] == [4, 2]
