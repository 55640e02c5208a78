"""Limits of tubes: at the line their rating system means, heater to cathode, both plates, grid leaks."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from tests.amps import DEMO, FILES, amp, reading_so, solved, variant
from tests.supplies import FIVE_VOLTS, FULL_WAVE, supply, winding
from tubekit import analyze
from tubekit.amp import AmpReport, amp_from_text
from tubekit.amp.supply import supply_report
from tubekit.decisions import RatingCheck, limits
from tubekit.decisions.limits import failures
from tubekit.decisions.rating import check

LIFTED = """
[R25]
nodes = ["h1", "lift"]
[R26]
nodes = ["h2", "lift"]
[R98]
value = "150k"
nodes = ["B1", "lift"]
[R99]
value = "110k"
nodes = ["lift", "ground"]
"""

LIFTED_PENTODE = f"""
[amp]
extends = "{FILES / "paraphase-field-coil.toml"}"
[T1.heater]
nodes = ["h1", "h0"]
[V1]
heater = ["h1", "h0"]
[V2]
heater = ["h1", "h0"]
[V4]
heater = ["h1", "h0"]
[V5]
heater = ["h1", "h0"]
[R98]
value = "220k"
nodes = ["B1", "h0"]
[R99]
value = "43k"
nodes = ["h0", "ground"]
"""

STACKED = """
[amp]
extends = "vetch"
[V1]
type = "12AU7"
[V1.b]
plate = "B3"
grid = "p1a"
cathode = "p1b"
[R4]
value = "1k"
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
"""Totem pole: the lower plate has no load but the upper triode."""


def check_of(report: AmpReport, part: str, code: str) -> RatingCheck:
    (one,) = [c for c in limits(report) if c.key == (part, code)]
    return one


def test_heaters_lifted_beside_a_cathode_near_ground_exceed():
    """90 V (handbook, 12AY7); DC and the peak of the heater's own voltage count."""
    report = analyze(variant("lifted", LIFTED).changed({"V1": "12AY7"}))
    lift, cathode = report.node("lift").dc_v, report.tube("V1a").cathode_v
    assert 130 < lift < 145
    assert cathode < 3
    check = check_of(report, "V1a", "heater_cathode_v")
    peak = report.tube("V1a").heater_rms_v * np.sqrt(2) / 2
    assert 0 < check.value - (lift - cathode + 0.9 * peak) < 6  # and the ripple of the lift
    assert (check.state, check.limit) == ("exceeded", 90.0)
    assert "heater positive" in check.what


def test_a_rectifier_with_its_heater_at_ground_is_held_to_450_volts():
    """6X4: 450 V (handbook); its cathode is B+."""
    text = FULL_WAVE.replace(FIVE_VOLTS, winding("heater", ["h", "ground"], 6.3, 0.05))
    text = text.replace('"5Y3GT"', '"6X4"').replace('["B1", "f"]', '["h", "ground"]')
    report = analyze(supply(text).changed({"R1": "30k", "T1.high.volts": [370, 370]}))
    check = check_of(report, "V1", "heater_cathode_v")
    assert report.node("B1").dc_v > 450
    assert check.value > report.node("B1").dc_v
    assert check.state == "exceeded"


def test_polarity_counts_where_the_maker_limits_by_it():
    """EF86, from memory: 100 V with the heater negative, 50 V with it positive; 6SJ7: 90 V either way."""
    for type_, code, limit in (("EF86", "heater_positive_v", 50.0), ("6SJ7", "heater_cathode_v", 90.0)):
        report = analyze(amp_from_text(LIFTED_PENTODE, "lifted").changed({"V1": type_}))
        check = check_of(report, "V1", code)
        assert 60 < check.value < 85
        assert (check.limit, check.state) == (limit, "exceeded" if limit == 50.0 else "within")


@pytest.mark.parametrize("name", DEMO)
def test_no_demo_amp_has_too_much_behind_its_rectifier(name):
    """Capacitors on both sides of a standby loop or switch count together."""
    checks = [c for c in limits(solved(name)) if c.code == "reservoir_max_f"]
    assert [c.state for c in checks if c.state == "exceeded"] == []


def test_both_plates_together_have_a_limit_of_their_own():
    """6SN7GT: 5 W for both plates (from memory), though each may have 3.5 W."""
    hot = reading_so(solved("fescue"), "V2", plate_w=3.0)
    assert check_of(hot, "V2a", "plate_w").state == "within"
    assert check_of(hot, "V2", "plates_w").state == "exceeded"
    assert check_of(hot, "V2", "plates_w").value == pytest.approx(6.0)


@pytest.mark.parametrize(("watts", "limit"), [(0.1, 10e6), (0.5, 3e6)])
def test_a_lightly_loaded_plate_allows_more_grid_leak(watts, limit):
    """EF86, from memory: 10 MΩ up to 0.2 W, 3 MΩ above."""
    report = analyze(amp("paraphase-field-coil").changed({"V1": "EF86"}))
    held = reading_so(report, "V1", plate_w=watts)
    assert check_of(held, "V1", "grid_leak").limit == pytest.approx(limit)


def test_grids_on_one_leak_are_counted_together():
    both = check_of(solved("four-output-tubes"), "V4", "grid_leak")
    alone = check_of(analyze(amp("four-output-tubes").changed({"V7": "removed"})), "V4", "grid_leak")
    assert both.value > 1.8 * alone.value
    assert "shared grid leak" in both.what
    assert "shared grid leak" not in check_of(solved("burdock"), "V3", "grid_leak").what


def test_a_grid_tied_to_its_own_cathode_is_measured_to_that_cathode():
    """Stacked triodes: the upper grid is 1 kΩ from its cathode, and no resistor leads to ground."""
    check = check_of(analyze(amp_from_text(STACKED, "stacked")), "V1b", "grid_leak")
    assert check.value == pytest.approx(1e3)
    assert (check.state, check.what) == ("within", "grid-to-cathode resistance")


def test_design_center_holds_at_nominal_line_and_design_maximum_at_the_line_in_use():
    """Rating systems of the RCA manuals, from memory."""
    drawn, high = amp("teasel"), amp("teasel").changed({}, mains_rms=123)
    center = check_of(analyze(high), "V3", "plate_w")
    assert center.value == pytest.approx(solved("teasel").tube("V3").plate_w, rel=1e-6)
    assert "design-center rating (117 V line)" in center.rule
    later = analyze(high.changed({"V3": "6V6GTA", "V4": "6V6GTA"}))
    assert check_of(later, "V3", "plate_w").value == later.tube("V3").plate_w
    assert "design-max rating" in check_of(later, "V3", "plate_w").rule
    far = analyze(drawn.changed({}, mains_rms=135))
    assert check_of(far, "V3", "plate_w").value == far.tube("V3").plate_w


def test_seventy_percent_is_of_the_rating_named():
    (check,) = [c for c in limits(solved("fixed-bias-head")) if c.key == ("V4", "idle_w")]
    assert "70 % of the 6L6GC rating of 30.0 W" in check.sentence()
    of_limit, of_rating = (float(words.split()[0]) for words in check.used.split(", "))
    assert check.used.endswith(" % of rating")
    assert of_rating == pytest.approx(100 * check.value / 30.0, abs=0.06)
    assert of_limit == pytest.approx(100 * check.value / check.limit, abs=0.06)


def test_every_tube_rating_names_its_system():
    for name in ("teasel", "ultralinear"):
        for c in limits(solved(name)):
            if "rating" in c.rule and c.part.startswith("V") and c.code != "idle_w":
                assert any(word in c.rule for word in ("design-center", "design-max", "system not stated"))


def test_too_large_a_grid_leak_runs_away_rather_than_wears_out():
    supply_of = supply_report(amp("fixed-bias-head"))
    (text,) = [f.how for f in failures(supply_of).failures if f.part == "V4" and "grid-to-ground" in f.what]
    assert "run away" in text


def test_a_limit_that_no_meter_shows_exceeded_is_at_its_limit() -> None:
    (at,) = check("V3", "plate_v", 316.0, 315.0, "6V6GT rating", "")
    (over,) = check("V3", "plate_v", 320.0, 315.0, "6V6GT rating", "")
    assert (at.state, over.state) == ("at limit", "exceeded")
    assert "316 V is at the 6V6GT rating of 315 V" in at.sentence()
    assert not at.exceeded.any()


def test_a_winding_carries_each_tubes_current_once() -> None:
    """By hand: what flows into the center tap, plate and screen currents of both tubes."""
    text = f'[amp]\nextends = "{FILES / "ultralinear.toml"}"\n[T2.primary]\nrating = "150 mA"\n'
    report = analyze(amp_from_text(text, "rated"))
    pair = [one for one in report.tubes if one.designator in ("V4", "V5")]
    worst = next(c for c in limits(report).checks if (c.part, c.code) == ("T2 primary", "coil_dc_a"))
    assert float(worst.value) == pytest.approx(sum(float(t.plate_a + t.screen_a) for t in pair), rel=2e-3)


def test_a_tube_without_a_plate_rating_prints_no_warning() -> None:
    report = solved("teasel")
    none = reading_so(report, report.tubes[0].designator, plate_share=float("nan"))
    with np.errstate(all="raise"), warnings.catch_warnings():
        warnings.simplefilter("error")
        none.short()
