"""A driver that feeds two output grids through a transformer with a center-tapped secondary.

Closed form: grid to grid, a tube of mu and r_p into the primary's inductance and what the grids and copper
reflect; incremental circuit, textbook, from memory.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.amps import amp
from tubekit import analyze, plots
from tubekit.amp import Amp, AmpReport, amp_from_text
from tubekit.amp.hum import hum
from tubekit.amp.signal import SignalPath, signal_path
from tubekit.amp.stability import feedback_parts
from tubekit.devices import catalogue

TURNS, HENRIES, COPPER = 0.75, 60.0, (500.0, 900.0)
GONE = ("R9", "C10", "C11", "C12", "R10", "R11", "R12", "R13")
TEXT = f"""
[amp]
extends = "teasel"
title = "Interstage transformer"
[test_points]
TP8 = {{ node = "p2a", volts = "300 V", tolerance = "20 %" }}
TP9 = {{ node = "k2a", volts = "1.5 V", tolerance = "50 %" }}
[parts]
V2.b = {{ plate = "p2a", grid = "g2a", cathode = "k2a" }}
T3.kind = "output transformer"
T3.role = "phase splitter"
T3.primary.nodes = ["B3", "p2a"]
T3.primary.turns = [1]
T3.primary.resistance = ["{COPPER[0]}"]
T3.primary.inductance = "{HENRIES} H"
T3.secondary.nodes = ["drive3", "ground", "drive4"]
T3.secondary.turns = [{TURNS}, {TURNS}]
T3.secondary.resistance = ["{COPPER[1]}", "{COPPER[1]}"]
""" + "".join(f"{name} = {{ removed = true }}\n" for name in GONE)  # fmt: skip


@cache
def drawn() -> Amp:
    return amp_from_text(TEXT, "interstage")


@cache
def idle() -> AmpReport:
    return analyze(drawn())


@cache
def path() -> SignalPath:
    return signal_path(drawn())


def test_the_plate_stands_at_b_plus_less_the_copper() -> None:
    amps = float(idle().tube("V2a").plate_a) + float(idle().tube("V2b").plate_a)
    drop = float(idle().node("B3").dc_v) - float(idle().node("p2a").dc_v)
    assert drop == pytest.approx(COPPER[0] * amps, rel=1e-3)


def test_both_grids_get_the_same_in_opposite_phase_as_the_formula_says() -> None:
    """Two halves of a tube: r_p / 2. Each 220 k leak reflects (R + copper) / n^2 to the primary."""
    one = idle().tube("V2a")
    tube = catalogue.tube("12AX7").at(plate=float(one.plate_v), grid=float(one.grid_v))
    leak = 220e3
    reflected = (leak + COPPER[1]) / TURNS**2 / 2.0
    coil = 2j * np.pi * 1000.0 * HENRIES
    load = 1.0 / (1.0 / reflected + 1.0 / coil)
    inside = float(tube.rp) / 2.0 + COPPER[0]
    gain = float(tube.mu) * abs(load / (inside + load)) * TURNS * leak / (leak + COPPER[1])
    drive = path().stage("V2a").grid_gain[0]
    upper, lower = (path().stage(name).grid_gain[0] / drive for name in ("V3", "V4"))
    assert abs(upper) == pytest.approx(gain, rel=0.03)
    assert upper / lower == pytest.approx(-1.0, rel=0.02)


def test_the_transformer_is_followed_and_the_speaker_stays_the_speaker() -> None:
    assert path().way.order[-2:] == ("V3", "V4")
    assert path().view.output.designator == "LS1"
    assert any(one.part.startswith("T3") for one in hum(drawn()).sources)
    assert "T3" in str(plots.schematic(drawn()))


def test_grid_stoppers_behind_it_are_no_feedback() -> None:
    assert list(feedback_parts(drawn())) == []
    assert list(feedback_parts(amp("reverb-tremolo"))) == ["R28"]
