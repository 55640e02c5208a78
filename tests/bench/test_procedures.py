"""Bringing up, tracing, drive, hum, found against drawn, order list."""

from __future__ import annotations

import re
import sys
from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp, solved, variant
from tubekit import analyze, load_amp, swap
from tubekit.amp.hum import hum
from tubekit.amp.loading import first_rail
from tubekit.amp.signal import noise_floor
from tubekit.amp.signal_order import output_sections
from tubekit.amp.solve import solve_amp
from tubekit.amp.supply import supply_report
from tubekit.bench.bring_up import bring_up, cold_rectifier
from tubekit.bench.chassis_diff import chassis_diff
from tubekit.bench.lamp import LimiterLamp, behind_lamp, usual_lamp, with_lamp
from tubekit.bench.orders import order_list
from tubekit.bench.preparations import prepare, rated_rails, watch
from tubekit.bench.procedures import cold_ohms, current_under_drive, hum_procedure
from tubekit.bench.readings import readings_from_text
from tubekit.bench.trace import trace
from tubekit.cli.short_answer import short_answer
from tubekit.decisions.hum_remedies import hum_report
from tubekit.decisions.probe import Tone
from tubekit.decisions.substitutes import substitutes
from tubekit.devices.heater import emission
from tubekit.errors import ChangeError, InputError
from tubekit.units import show


@pytest.fixture(scope="module")
def teasel():
    return load_amp("teasel")


def test_steps_on_a_variable_supply(teasel):
    result = bring_up(teasel)
    assert [round(s.mains_v / 117, 2) for s in result.steps] == [0.25, 0.5, 0.75, 1.0]
    rails = [s.volts[0] for s in result.steps]
    assert rails == sorted(rails)
    assert rails[0] < 0.1 * rails[-1]  # a tube rectifier gives next to nothing with dark heaters
    assert rails[-1] == pytest.approx(333, abs=3)
    assert any("B1 475 V (C14)" in stop for stop in result.stops)
    assert "does not isolate" in result.before[0]
    assert str(result).index("BEFORE YOU START") < str(result).index("Steps (volts")


@pytest.mark.parametrize("name", ["teasel", "burdock", "fescue"])
def test_a_stop_is_never_what_a_good_amp_shows(name):
    """Each rail stands below the rating that stops the step, also before the tubes draw current."""
    amp = load_amp(name)
    result = supply_report(amp)
    rails = list(rated_rails(result))
    assert len(rails) >= 4
    for node, _, rated in rails:
        assert abs(result.report.node(node).dc_v) < rated
    assert [s for s in bring_up(amp).stops if "above its rating" in s]


def test_fixed_bias_is_read_in_every_step():
    result = bring_up(load_amp("burdock"))
    places = [p.place[0] for p in result.probes]
    assert {"g3", "g4"} <= set(places)
    bias = [step.volts[places.index("g3")] for step in result.steps]
    assert bias == sorted(bias, reverse=True)
    assert bias[-1] == pytest.approx(-41.9, abs=0.2)
    assert any("run away" in stop for stop in result.stops)
    assert "bias at g3 and g4" in result.steps[1].watch
    assert result.before[-1].startswith("Fixed bias: pull V3 and V4. Raise the line")
    steps = short_answer(result)
    assert steps.index("BEFORE YOU START") < steps.index("V3 grid (g3), V4 grid (g4)")


@pytest.mark.parametrize(("name", "tubes"), [("burdock", "V3 V4"), ("quadrupler-modulator", "V3 V4 V5 V6")])
def test_b_plus_without_output_tubes_is_read_to_ground(name, tubes):
    drawn = amp(name)
    pulled = analyze(drawn.changed(dict.fromkeys(tubes.split(), "removed"))).node(first_rail(drawn))
    bias = {section.grid: -40.0 for section in output_sections(drawn)}
    assert f"({pulled.node} then reads {show(pulled.dc_v, 'V')}" in prepare(drawn, bias)[-1]
    assert pulled.dc_v > 400


def test_what_is_looked_at_agrees_with_the_volts(teasel):
    full = next(node.dc_v for node in solved("teasel").nodes if node.node == "B1")
    for step in bring_up(teasel, in_series=True, lamps=(40.0, 150.0)).steps:
        share = step.volts[0] / full
        assert ("near zero" in step.watch) == (share < 0.08)
        assert f"at {100 * share:.0f} %" in step.watch


def test_cold_heaters_draw_more_than_their_share(teasel):
    """At a quarter of the line heaters draw 0.25^0.55 = 0.47 of their current, 1.9 times the share.

    A resistor would draw a quarter: a good amp was stopped at the first step.
    """
    result = bring_up(teasel)
    quarter, full = result.steps[0], result.steps[-1]
    amps = [
        next(w.rms_a for w in solve_amp(teasel.changed({}, mains_rms=v)).windings() if "heater" in w.winding)
        for v in (29.25, 117.0)
    ]
    assert amps[0] / amps[1] == pytest.approx(0.25**0.55, rel=0.03)
    assert quarter.mains_a > 1.5 * 0.25 * amps[1] * 6.3 / 117
    assert all(step.first_a > step.mains_a for step in result.steps[:2])
    assert quarter.wait_s > full.wait_s > 10
    assert result.stops[0].startswith("after the wait")


def test_a_chassis_on_the_line_is_never_grounded():
    result = bring_up(amp("no-transformer"))
    assert "isolation transformer" in result.before[0]
    assert "Do NOT ground the chassis" in result.before[0]
    assert "Check that the chassis is grounded" not in str(result)


@pytest.mark.parametrize("name", ["teasel", "four-output-tubes", "no-transformer", "ultralinear"])
def test_a_lamp_settles_in_a_few_solves(name, monkeypatch):
    """Some amps took four minutes: heat and current chased each other."""
    solves = []
    module = sys.modules["tubekit.bench.lamp"]
    monkeypatch.setattr(module, "solve_amp", lambda *a, **k: solves.append(1) or solve_amp(*a, **k))
    one, lamp = amp(name), usual_lamp(60.0, float(amp(name).mains_rms))
    result = behind_lamp(one, lamp)
    assert len(solves) <= 8
    assert result.solved.amp.parts["lamp"].ohms == pytest.approx(lamp.ohms(result.lamp_v), rel=5e-3)
    heat = result.amp_v / one.design_mains_rms
    heater = next(p for p in result.solved.built.circuit.parts if p.name == "V1.heater")
    cold = next(p for p in solved(name).solved.built.circuit.parts if p.name == "V1.heater")
    if name != "no-transformer":  # a string settles by itself
        assert heater.ohms / cold.ohms == pytest.approx(heat**0.45, rel=5e-3)


def test_silicon_gives_full_volts_at_once(teasel):
    tube, silicon = bring_up(teasel).steps[0], bring_up(teasel.changed({"V5": "silicon"})).steps[0]
    assert silicon.volts[0] > 5 * tube.volts[0]
    assert "B+ already" not in tube.watch
    assert "B+ already at" in silicon.watch
    assert cold_rectifier(teasel, 0.25)
    assert not cold_rectifier(teasel, 0.5)
    assert "B+ between 0 V and 74.7 V" in watch(0.25, 74.7, 413.0, ["g6"], cold=True)


def test_emission_falls_with_the_heater():
    shares = [emission(s) for s in (1.1, 1.0, 0.75, 0.5, 0.4, 0.25)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == shares[1] == 1.0


def test_the_lamp_settles_on_its_own_law(teasel):
    lamp = LimiterLamp(60.0, 117.0)
    solved, at_amp, across = behind_lamp(teasel, lamp)
    ohms = solved.amp.parts["lamp"].ohms
    assert ohms == pytest.approx(lamp.ohms(across), rel=2e-3)
    assert 0.5 * 117 < at_amp < 117
    assert lamp.hot == pytest.approx(228.15)


def test_a_bigger_lamp_leaves_more_and_a_short_lights_it(teasel):
    result = bring_up(teasel, in_series=True, lamps=(40.0, 150.0))
    assert result.steps[0].mains_v < result.steps[1].mains_v
    assert result.shorted.mains_v < 0.9 * result.steps[0].mains_v
    assert "if C14 is shorted, the lamp glows (" in result.shorted.watch
    assert "then it glows dimly (51 V across it); if C14 is shorted" in result.stops[0]
    hard = bring_up(teasel.changed({"V5": "silicon"}), in_series=True, lamps=(40.0,)).shorted
    assert "the lamp shines at full brightness" in hard.watch  # no cathode limits the short


def test_the_lamp_law_is_that_of_a_hot_wire():
    """Tungsten: R as T^1.2, radiated heat as T^4 to T^5 (textbook physics, from memory); V^2 = P R."""
    least, most = (2 * 1.2 / (radiated + 1.2) for radiated in (5.0, 4.0))
    lamp = LimiterLamp(60.0, 120.0)
    slope = np.log(lamp.ohms(110.0) / lamp.ohms(60.0)) / np.log(110.0 / 60.0)
    assert least - 0.01 < slope < most + 0.01


def test_the_lamp_stands_in_the_line_alone(teasel):
    assert with_lamp(teasel, 50.0).parts["lamp"].b == "mains_line"


@pytest.mark.parametrize(("steps", "amp"), [((), "teasel"), ((2.0,), "teasel")])
def test_steps_out_of_range_are_refused(steps, amp):
    with pytest.raises(InputError, match="steps must be"):
        bring_up(load_amp(amp), steps=steps)


def test_levels_follow_the_signal(teasel):
    result = trace(teasel, Tone("J1", 0.002))
    nodes = [p.node for p in result.points]
    order = ["in_high", "p1a", "p1b", "p2a", "p2b", "p3", "speaker"]
    assert [n for n in nodes if n in order] == order
    assert result.point("in_high").level_v == pytest.approx(0.002, rel=0.01)
    assert abs(abs(result.point("p1a").phase_deg) - 180) < 5
    assert result.empty_inputs == ("J2 is empty and joins in_low to in_high.",)


def test_only_nodes_on_the_way_are_listed_and_the_loudspeaker_comes_last():
    """The feedback from the loudspeaker is no short cut; another channel is no way."""
    for name, last, astray in (("burdock", "ls8", "foot"), ("fescue", "speaker", "p1b")):
        result = trace(load_amp(name))
        nodes = [p.node for p in result.points]
        assert nodes[-1] == last
        assert astray not in nodes
        direct = {p.node: p.dc_v for p in result.points}
        assert direct["p3"] > 300
    assert f"rated at least {result.probe_peak_v:.0f} V peak" in " ".join(str(result).split())


def test_energy_in_the_driven_output_stage(teasel):
    """What the B+ delivers is plates, screens, cathode resistor and load: tubes and load take most of it."""
    result = current_under_drive(teasel)
    heat = sum(t.plate_w + t.screen_w for t in result.result)
    taken = sum(t.driven_a for t in result.result) * 333 * (1 - 0.126)
    shown = re.search(r"about (\S+) V RMS across the load \((\S+) W\)", result.steps[2])
    volts, watts = map(float, shown.groups())
    assert watts == pytest.approx(volts**2 / 8, rel=0.02), "two digits, 8 Ω"
    assert 0.45 * taken < heat < taken - watts
    assert "Stop if a plate" in result.steps[-1]


def test_the_low_input_is_told_apart(teasel):
    """Both grid resistors then divide: half of the level at the grid."""
    low = trace(teasel, Tone("J2", 0.002))
    assert low.point("g1a").level_v == pytest.approx(0.001, rel=0.05)
    assert "J1 is empty and grounds its tip." in low.empty_inputs


def test_the_stage_that_loses_the_signal_is_named(teasel):
    rows = "J1,tone level,2 mV\nJ1,tone frequency,1 kHz\np1a,signal,115 mV\nvolume_in,signal,0.6 mV\n"
    result = trace(teasel, readings=readings_from_text("place,quantity,value\n" + rows, teasel))
    assert "between p1a (V1a plate) and volume_in" in result.loses
    assert "C2 is between" in result.loses
    good = rows.replace("0.6 mV", "114 mV")
    agreed = trace(teasel, readings=readings_from_text("place,quantity,value\n" + good, teasel))
    assert agreed.loses == "the 2 levels you read agree with a good amp"


def test_current_under_drive_stays_near_idle_with_slight_sag(teasel):
    """Cathode bias: common practice, no source."""
    result = current_under_drive(teasel)
    assert all(abs(t.change) < 0.25 for t in result.result)
    assert "rises only" in result.verdict
    tube = solved("teasel").tube("V3")
    driven = result.result[0]
    assert driven.plate_share / driven.plate_w == pytest.approx(tube.plate_share / tube.plate_w)
    assert "STOP AFTER A FEW SECONDS" not in result.verdict
    assert "B+ drops" in result.verdict


def test_hum_balance_nulls_near_the_middle():
    """The figures are those of `hum` and `hum_report` at the same setting."""
    result = hum_procedure(load_amp("fescue"))
    report = hum_report(load_amp("fescue"))
    now = float(report.hum.total_rms[0])
    assert f"Expect {show(now, 'V RMS', 2)} of hum with R54 where it is now" in result.steps[1]
    (turned,) = (each for each in report.remedies if each.part == "R54")
    assert turned.what.removeprefix("R54 set to ") in result.verdict
    assert show(turned.total_rms, "V") in result.verdict
    assert 0.45 < result.result["null"] < 0.55
    hiss = float(noise_floor(load_amp("fescue")).output_rms[0])
    assert f"The hiss there is {show(hiss, 'V RMS', 2)}" in result.steps[2]
    with pytest.raises(ChangeError):
        hum_procedure(load_amp("teasel"))


FOUND = """
[R14]
value = "220"
[R9]
nodes = ["B4", "p2a"]
[R50]
value = "22k"
nodes = ["B1", "ground"]
[C13]
removed = true
"""


def test_every_difference_from_the_drawing_is_found_and_solved():
    report = chassis_diff(variant("found", FOUND), "teasel")
    kinds = {d.part: d.kind for d in report.differences}
    assert kinds == {
        "R14": "differs",
        "R9": "connected elsewhere",
        "R50": "not on the schematic",
        "C13": "missing",
    }
    by_part = {d.part: d for d in report.differences}
    assert by_part["R9"].text == "R9: nodes[1] on B4; the schematic shows B3"
    assert any(m.what == "V3 cathode current" and m.change < 0 for m in by_part["R14"].moved)
    assert any(m.what == "B1 ripple" and m.then < m.now for m in by_part["R50"].moved)


def test_a_stray_wire_and_a_far_ground_are_judged_by_hum(teasel):
    """Neither moves a direct voltage by 1 %; what is heard of them is what `hum` calculates."""
    wire = '[W1]\nnodes = ["h1", "ground"]\n'
    far = '[R60]\nvalue = "0.1"\nnodes = ["far", "ground"]\n[C14]\nnodes = ["B1", "far"]\n'
    far += '[R4]\nnodes = ["k1a", "far"]\n'
    for text, part in ((wire, "W1"), (far, "R60")):
        result = variant("found", text)
        by_part = {d.part: d for d in chassis_diff(result, "teasel").differences}
        first = by_part[part].moved[0]
        assert first.what == "hum at LS1"
        assert first.now == pytest.approx(float(hum(result).total_rms[0]), rel=1e-3)
        assert first.then == pytest.approx(float(hum(teasel).total_rms[0]), rel=0.05)
        assert first.now > 2 * first.then
        assert not [m for m in by_part[part].moved if m.unit == "A"]


def test_putting_a_series_part_right_bridges_it(teasel):
    text = '[R60]\nvalue = "47"\nnodes = ["k34", "kx"]\n[R14]\nnodes = ["kx", "ground"]\n'
    result = variant("found", text)
    extra = next(d for d in chassis_diff(result, "teasel").differences if d.part == "R60")
    current = next(m for m in extra.moved if m.what == "V3 cathode current")
    assert current.then == pytest.approx(analyze(teasel).tube("V3").cathode_a, rel=1e-3)
    assert current.now < current.then


def test_a_missing_series_part_goes_back_into_its_place():
    text = "[R14]\nremoved = true\n[C13]\nremoved = true\n" + '[test_points.TP12]\nnode = "B1"\n'
    text += "".join(f'[V{k}]\ncathode = "ground"\n' for k in (3, 4))
    result = variant("found", text)
    report = chassis_diff(result, "teasel")
    for part in ("R14", "V3"):
        one = next(d for d in report.differences if d.part == part)
        plate = next(m for m in one.moved if m.what == "V1b plate voltage")
        assert plate.then == pytest.approx(analyze(load_amp("teasel")).tube("V1b").plate_v, rel=0.01)
        assert plate.now < 0.7 * plate.then  # as found the pair pulls B+ down


def test_an_amp_as_drawn_has_no_difference(teasel):
    assert chassis_diff(teasel, "teasel").differences == ()


def test_an_order_has_margin_and_reason(teasel):
    result = order_list(teasel, {"R14": "330", "C14": "22u", "V5": "5AR4", "R5": "101k", "C11": "47n"})
    by_part = {o.part: o for o in result.orders}
    assert by_part["R14"].value == "330 Ω"
    assert by_part["R14"].margin >= 2
    assert by_part["C14"].rating == "500 V"  # before the tubes draw current
    assert "tubes cold" in by_part["C14"].reason
    assert by_part["C14"].margin >= 1.1
    assert by_part["R5"].value == "100 kΩ"
    assert "nearest E24" in by_part["R5"].reason
    assert by_part["V5"].rating == "octal"
    assert "safety margin" in [column.name for column in result.to_buy().columns]
    alone = replace(result, orders=(by_part["V5"],)).to_buy()
    assert "safety margin" not in [column.name for column in alone.columns]
    heat = swap(teasel, {"R14": "330", "V5": "5AR4"}).after.node("k34").dc_v ** 2 / 330
    assert f"dissipates {heat:.2f} W" in by_part["R14"].reason


def test_an_order_keeps_the_drawn_rating_agrees_with_substitutes_and_warns_where_swap_does(teasel):
    result = order_list(teasel, {"R14": "330", "C14": "47u"})
    by_part = {o.part: o for o in result.orders}
    assert float(by_part["R14"].rating.removesuffix(" W")) >= teasel.parts["R14"].watts
    for part, value in (("R14", "330"), ("C14", "47u")):
        (one,) = substitutes(teasel, part, candidates=[value]).candidates
        assert one.fit.split(",")[0] == by_part[part].rating
    warned = [f for f in swap(teasel, {"R14": "330", "C14": "47u"}).verdict if f.weight == "exceeded"]
    assert [f.text for f in result.warnings] == [f.text for f in warned]
    assert "V5: first filter cap" in str(result).split("Order list")[0]
    again = order_list(teasel.changed({"R14": "330", "C14": "47u"}))
    assert [f.text for f in again.warnings] == [f.text for f in result.warnings]


def test_an_order_of_nothing_is_refused(teasel):
    with pytest.raises(ChangeError, match="nothing to buy"):
        order_list(teasel)


def test_the_first_ohms_are_those_of_the_schematic(teasel):
    """Copper and the bleeder of the amp file: with the tubes cold nothing else joins B+ to ground."""
    table = cold_ohms(teasel).numbers[0]
    drawn = {row[0]: row[1] for row in table.rows}
    assert drawn["B1"] == show(teasel.parts["R24"].ohms, "ohm")
    assert drawn["V3 plate (p3) to B1"] == "155 Ω"
    assert "L to N" not in {row[0] for row in cold_ohms(solved("no-transformer").amp).numbers[0].rows}
