"""Whole amps: two paths, any start, batches, and the readings that follow."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit import analyze, load_amp
from tubekit.amp import mains_solve
from tubekit.amp.build import build
from tubekit.analyses.operating_point import operating_point
from tubekit.errors import CircuitError


@pytest.fixture(scope="module")
def teasel():
    return load_amp("teasel")


@pytest.fixture(scope="module")
def report(teasel):
    return analyze(teasel)


def held(report):
    """Mean rectifier currents of a solved amp, for the operating point alone."""
    return report.solved.state.operating_point.rectifier_currents


def test_port_path_and_full_path_agree(teasel, report):
    circuit = build(teasel).circuit
    ports = operating_point(circuit, rectifier_currents=held(report))
    full = operating_point(circuit, rectifier_currents=held(report), path="full")
    count = ports.network.node_count
    assert_allclose(full.unknowns[:, :count], ports.unknowns[:, :count], rtol=1e-9, atol=1e-9)
    assert_allclose(full.port_currents, ports.port_currents, rtol=1e-9, atol=1e-15)


def test_ten_random_starts_arrive_at_one_point(teasel, report):
    circuit = build(teasel).circuit
    here = operating_point(circuit, rectifier_currents=held(report))
    generator = np.random.default_rng(11)
    for _ in range(10):
        start = generator.uniform(-400, 400, here.port_volts.shape)
        again = operating_point(circuit, rectifier_currents=held(report), start=start)
        assert_allclose(again.port_volts, here.port_volts, rtol=1e-9, atol=1e-9)


def test_kirchhoff_holds_to_a_nanoampere(report):
    assert report.convergence.residual_a.max() < 1e-9


def test_supply_and_amp_agree(report):
    """What the rectifiers deliver is what the operating point draws."""
    state = report.solved.state
    delivered = state.cycle.currents.mean(axis=2)
    assert_allclose(delivered, state.operating_point.rectifier_currents, rtol=1e-7)
    assert_allclose(report.node("B1").dc_v, state.operating_point.volts("B1"), rtol=1e-7)


def test_rail_current_adds_up(report):
    """Rectified current = plates + screens + preamp + bleeder, straight from the readings."""
    drawn = sum(t.plate_a + (0.0 if np.isnan(t.screen_a) else t.screen_a) for t in report.tubes)
    bleeder = report.node("B1").dc_v / 220e3
    assert_allclose(
        report.rectifiers[0].dc_a, drawn + bleeder, rtol=2e-5
    )  # less its reverse leak, about 1 µA


def test_batch_equals_one_by_one(teasel):
    ohms = [220.0, 270.0, 390.0]
    batch = analyze(
        teasel.changed({"R14": ohms, "V5": ["5Y3GT", "5AR4", "5U4GB"]}, mains_rms=[117, 120, 123])
    )
    for k, (r, rectifier, mains) in enumerate(
        zip(ohms, ("5Y3GT", "5AR4", "5U4GB"), (117, 120, 123), strict=True)
    ):
        one = analyze(teasel.changed({"R14": r, "V5": rectifier}, mains_rms=mains))
        assert_allclose(batch.tube("V3").plate_w[k], one.tube("V3").plate_w, rtol=1e-7)
        assert_allclose(batch.node("B2").dc_v[k], one.node("B2").dc_v, rtol=1e-7)
        assert_allclose(batch.rails[0].ripple_pp_v[k], one.rails[0].ripple_pp_v, rtol=1e-5)
        assert_allclose(batch.tube("V1a").gain[k], one.tube("V1a").gain, rtol=1e-7)


def test_warm_start_changes_nothing(teasel, report):
    changed = teasel.changed({"R14": "330", "C14": "47u"})
    cold = analyze(changed)
    mains_solve._ANSWERS.clear()  # else what was solved cold is found again
    warm = analyze(changed.changed({}), near=report)
    assert warm.solved.state is not cold.solved.state
    assert_allclose(warm.node("B1").dc_v, cold.node("B1").dc_v, rtol=1e-8)
    assert_allclose(warm.rails[0].ripple_pp_v, cold.rails[0].ripple_pp_v, rtol=1e-6)


def test_a_single_circuit_is_solved_once_and_anything_else_again(teasel, report):
    """Another start finds what is known; another value, line or question does not; old ones go."""
    assert analyze(teasel) is analyze(teasel, near=report)
    one, same = (analyze(teasel.changed({})).solved.state for _ in range(2))
    assert one is same
    for other in (teasel.changed({"R14": "271"}), teasel.changed({}, mains_rms=118.0)):
        assert analyze(other).node("B1").dc_v != analyze(teasel).node("B1").dc_v
    circuit = report.solved.built.circuit
    rails = mains_solve.solve_circuit(circuit, teasel, rails_only=True)
    assert rails is not mains_solve.solve_circuit(circuit, teasel)
    batch = [analyze(teasel.changed({"R14": [270, 330]})).solved.state for _ in range(2)]
    assert batch[0] is not batch[1]
    assert len(mains_solve._ANSWERS) <= mains_solve.KEPT


def test_readings_lie_near_the_print(teasel, report):
    """The invented maker's print: within its own tolerance."""
    for point in teasel.test_points.values():
        nodes = (*point.nodes, "ground")[:2]
        volts = report.solved.state.mean(*nodes)[0]
        assert abs(volts - point.volts) <= point.volts * point.tolerance_percent / 100, point


def test_unknown_node_lists_near_ones(report):
    with pytest.raises(CircuitError, match=r"b1.*Near: B1"):
        report.node("b1")


def test_more_reservoir_less_ripple_more_peak_current(teasel, report):
    bigger = analyze(teasel.changed({"C14": "47u"}))
    assert bigger.rails[0].ripple_pp_v < 0.5 * report.rails[0].ripple_pp_v
    assert bigger.rectifiers[0].peak_a > report.rectifiers[0].peak_a


def test_a_second_amp_of_another_frequency(teasel):
    """Ripple at 50 Hz mains is larger than at 60 Hz by about the ratio of the periods (textbook)."""
    text = teasel.copy_as_text().replace('mains_frequency = "60.0 Hz"', 'mains_frequency = "50 Hz"')
    text = text.replace('mains_frequency = "60 Hz"', 'mains_frequency = "50 Hz"')
    from tubekit.amp import amp_from_text

    slow = analyze(amp_from_text(text, "slow"))
    ratio = slow.rails[0].ripple_pp_v / analyze(teasel).rails[0].ripple_pp_v
    assert 1.15 < ratio < 1.25


def test_report_prints_and_turns_into_json(report):
    import json

    text = str(report)
    for word in ("Filter capacitors", "V3", "6V6GT", "Line voltage and B+ can kill"):
        assert word in text
    assert "<table" in report._repr_html_()
    data = json.loads(json.dumps(report.to_json(), allow_nan=False))
    assert data["tubes"][0]["section"] == "V1a"
    assert data["tubes"][0]["screen_a"] is None
