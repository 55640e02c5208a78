"""Tubes one on the other: cascode and totem pole, against formulas worked out here at the solved idle point.

Formulas: the incremental circuit of each tube (mu·v_gk in series with r_p), solved by hand; textbook, from
memory. Source of mu and r_p: the law at the voltages that were solved.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tubekit import analyze, plots
from tubekit.amp import Amp, AmpReport, amp_from_text
from tubekit.amp.signal import SignalPath, signal_path
from tubekit.devices import catalogue
from tubekit.errors import AmpFileError

CASCODE = """
[amp]
extends = "vetch"
title = "Cascode input stage"
[V1.b]
grid = "held"
cathode = "p1a"
[R4]
removed = true
[C2]
removed = true
[R31]
removed = true
[R5]
removed = true
[R40]
value = "680k"
nodes = ["B3", "held"]
[R41]
value = "270k"
nodes = ["held", "ground"]
[C40]
value = "470n"
nodes = ["held", "ground"]
rating = "200 V"
"""
TOTEM_POLE = """
[amp]
extends = "vetch"
title = "Totem pole"
[V1.b]
plate = "B3"
grid = "p1a"
cathode = "p1b"
[R4]
value = "2.2k"
nodes = ["p1b", "p1a"]
[C2]
removed = true
[R31]
removed = true
[R5]
removed = true
[R6]
removed = true
[C3]
nodes = ["p1b", "drive"]
[C4]
removed = true
[R32]
removed = true
"""
DRAWN = {"cascode": CASCODE, "totem pole": TOTEM_POLE}


@cache
def drawn(name: str) -> Amp:
    return amp_from_text(DRAWN[name], name)


@cache
def idle(name: str) -> AmpReport:
    return analyze(drawn(name))


@cache
def path(name: str) -> SignalPath:
    return signal_path(drawn(name))


def mu_rp(name: str, section: str) -> tuple[float, float]:
    one = idle(name).tube(section)
    result = catalogue.tube("12AX7").at(plate=float(one.plate_v), grid=float(one.grid_v))
    return float(result.mu), float(result.rp)


@pytest.mark.parametrize("name", DRAWN)
def test_one_current_runs_through_both_tubes(name: str) -> None:
    """But for what the insulation of their common node takes, 1 GΩ."""
    upper, lower = (float(idle(name).tube(each).plate_a) for each in ("V1b", "V1a"))
    leak = float(idle(name).node("p1a").dc_v) / 1e9
    assert upper == pytest.approx(lower, abs=1.1 * leak)
    assert float(idle(name).node("B3").dc_v) > float(idle(name).node("p1a").dc_v) + 50.0


def test_the_gain_of_a_cascode_is_that_of_the_formula() -> None:
    """A = mu1·(mu2 + 1)·R / (rp2 + R + (mu2 + 1)·rp1), cathode and upper grid at ground for the signal."""
    (mu1, rp1), (mu2, rp2) = mu_rp("cascode", "V1a"), mu_rp("cascode", "V1b")
    load = 1.0 / (1.0 / 220e3 + 1.0 / 470e3)  # with C4 out of the way at this frequency: see below
    result = signal_path(drawn("cascode").changed({"C4": "open"}))
    stages = {one.section: one for one in result.stages}
    computed = mu1 * (mu2 + 1.0) * load / (rp2 + load + (mu2 + 1.0) * rp1)
    gain = abs(stages["V1b"].plate_gain[0] / stages["V1a"].grid_gain[0])
    assert gain == pytest.approx(computed, rel=0.02)
    offered = (rp2 + load) / (mu2 + 1.0)
    assert abs(stages["V1b"].input_ohms[0]) == pytest.approx(offered, rel=0.02)
    assert np.isnan(stages["V1b"].input_farads).all()


def test_the_gain_of_a_totem_pole_is_that_of_two_nodal_equations() -> None:
    """Upper: v_gk = p - t over R between them; unknowns p (lower plate), t (upper cathode); load at t"""
    (mu1, rp1), (mu2, rp2) = mu_rp("totem pole", "V1a"), mu_rp("totem pole", "V1b")
    r, load = 2200.0, 470e3
    matrix = np.array(
        [
            [1.0 / rp1 + 1.0 / r, -1.0 / r],
            [-1.0 / r - mu2 / rp2, 1.0 / r + 1.0 / load + (mu2 + 1.0) / rp2],
        ]
    )
    _, top = np.linalg.solve(matrix, [-mu1 / rp1, 0.0])
    stages = {one.section: one for one in path("totem pole").stages}
    gain = abs(stages["V1b"].cathode_gain[0] / stages["V1a"].grid_gain[0])
    assert gain == pytest.approx(abs(top), rel=0.02)


@pytest.mark.parametrize("name", DRAWN)
def test_trace_and_schematic_follow_the_signal_up_the_stack(name: str) -> None:
    assert path(name).way.order == ("V1a", "V1b", "V2")
    entered = "cathode" if name == "cascode" else "grid"
    assert path(name).stretches[1].stop == f"V1b {entered}"
    assert all(word in str(plots.schematic(drawn(name))) for word in ("V1a", "V1b"))


def test_a_lower_tube_under_an_unfed_one_is_still_refused() -> None:
    with pytest.raises(AmpFileError, match=r"the plate .* gets no B\+"):
        amp_from_text(
            CASCODE
            + "[R6]\nremoved = true\n[C3]\nremoved = true\n[R50]\nvalue = '1M'\nnodes = ['p1b', 'drive']\n"
        )
