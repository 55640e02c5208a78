"""The fixed-bias demo head: entire, within its ratings at its design mains, its loop negative and stable."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import analyze, load_amp
from tubekit.amp import Amp, AmpReport
from tubekit.amp.discharge import discharge
from tubekit.amp.sag import sag
from tubekit.analyses.poles import pole_form
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.full import linearised
from tubekit.decisions import limits


@pytest.fixture(scope="module")
def amp() -> Amp:
    return load_amp("burdock")


@pytest.fixture(scope="module")
def report(amp: Amp) -> AmpReport:
    return analyze(amp)


def test_the_printed_voltages_are_those_of_the_idle_amp(amp: Amp, report: AmpReport) -> None:
    for point in amp.test_points.values():
        (node,) = point.nodes
        assert report.node(node).dc_v == pytest.approx(point.volts, rel=(point.tolerance_percent or 10) / 100)


def test_every_rating_is_kept(amp: Amp, report: AmpReport) -> None:
    checks = limits(report)
    assert [c.sentence() for c in checks.exceeded] == []
    assert {"idle dissipation"} <= {c.what for c in checks if c.part == "V3"}
    assert amp.notes == ()


def test_output_tubes_are_biased_from_a_supply_of_their_own(report: AmpReport) -> None:
    for name in ("V3", "V4"):
        tube = report.tube(name)
        assert tube.bias == "fixed"
        assert 0.4 < float(tube.plate_share) < 0.7
    assert report.node("bias_1").dc_v < -50
    bias = {r.designator: r for r in report.rectifiers}["CR1"]
    assert 0 < float(bias.dc_a) < 5e-3


def test_the_bias_control_moves_the_pair(amp: Amp) -> None:
    currents = [float(analyze(amp.changed({"R46.position": p})).tube("V3").plate_a) for p in (0.1, 0.9)]
    assert currents[0] > 1.5 * currents[1]


def test_feedback_is_negative_and_the_loop_stable(amp: Amp) -> None:
    gains = []
    for change in ({}, {"R13": "open"}):
        point = analyze(amp.changed({**change, "R31.position": 1.0})).solved.state.operating_point
        gains.append(abs(frequency_response(point, "in_tip", ["ls8"], [1000.0]).gain[0, 0, 0]))
        matrix = linearised(point.network, list(point.slopes))
        unit = np.eye(len(point.network.unknowns))[:1]
        form = pole_form(point.network, matrix, unit, unit.T)
        assert form is not None
        poles = form.poles[0]
        assert np.all(poles[np.isfinite(poles)].real < 0)
    assert 3 < 20 * np.log10(gains[1] / gains[0]) < 12  # decibels of feedback


def test_the_mains_selector_undoes_another_mains(amp: Amp, report: AmpReport) -> None:
    moved = analyze(amp.changed({"S3": 2}, mains_rms=220))
    assert moved.node("B0").dc_v == pytest.approx(float(report.node("B0").dc_v), rel=0.005)


def test_standby_leaves_the_tubes_cold_of_plate_current(amp: Amp) -> None:
    waiting = analyze(amp.changed({"S2": "open"}))
    assert float(waiting.tube("V3").plate_a) < 1e-6
    assert waiting.node("B0").dc_v > 440
    assert waiting.tube("V3").grid_v == pytest.approx(-42, rel=0.1)


def test_it_sags_as_class_ab_does_and_discharges_slowly_when_cold(amp: Amp) -> None:
    result = sag(amp)
    assert 5 < result.rail("C11").sag_percent < 15
    assert result.driven_a > 2 * result.idle_a
    held = discharge(amp)
    assert {one.capacitor for one in held.held} == {"C11", "C12", "C13", "C14", "C15", "C16"}
    assert held.of("C11").to_limit_s > 30 > held.of("C11", "cooling").to_limit_s
