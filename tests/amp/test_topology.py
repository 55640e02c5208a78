"""One topology: what rectifiers feed, what stays charged, where the chassis is joined to the line."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.amps import DEMO, EVERY, amp, solved
from tubekit.amp import Amp, analyze
from tubekit.amp.dangers import LineSide
from tubekit.amp.discharge import discharge
from tubekit.amp.load import amp_from_text
from tubekit.amp.signal_order import first_input, signal_order
from tubekit.amp.supply import supply_report
from tubekit.amp.topology import Topology
from tubekit.bench.readings import load_readings
from tubekit.decisions.judge import judge
from tubekit.decisions.limits import limits

HEAD = """[amp]
title = "Practice amp with something in B+"
design_mains = "117 V"
mains_frequency = "60 Hz"
extends = "vetch"
"""
DROPPER = '[R11]\nnodes = ["B1", "Bx"]\n'
IN_B_PLUS = {
    "selector switch": (
        '[S9]\nkind = "selector switch"\ncommon = "Bx"\ncontacts = ["B2", "spare"]\nposition = 1\n'
        '[R98]\nvalue = "1M"\nnodes = ["spare", "ground"]\n'
    ),
    "pilot lamp": '[DS9]\nnodes = ["Bx", "B2"]\nrating = "6.3 V 0.15 A"\n',
    "potentiometer": (
        '[R99]\nkind = "potentiometer"\nvalue = "1k"\ntop = "Bx"\nwiper = "B2"\nbottom = "B2"\n'
        'taper = "linear"\nposition = 0.5\n'
    ),
    "thermistor": '[RT9]\nvalue = "47"\nhot = "10"\nrating = "0.2 A"\nnodes = ["Bx", "B2"]\n',
}


def extended(text: str) -> Amp:
    return amp_from_text(HEAD + text)


@pytest.mark.parametrize("part", IN_B_PLUS)
def test_a_capacitor_that_is_fed_is_never_missing(part: str) -> None:
    """Whatever conducts feeds: a filter capacitor behind it is as charged as before."""
    report = analyze(extended(DROPPER + IN_B_PLUS[part]))
    usual = {rail.capacitor: rail.dc_v for rail in solved("vetch").rails}
    now = {rail.capacitor: rail.dc_v for rail in report.rails}
    assert list(now) == list(usual)
    assert {one.capacitor for one in supply_report(report.amp, near=report).filters} >= set(usual)
    assert all(abs(now[name] - usual[name]) < 8.0 for name in now)


def test_each_of_two_stacked_reservoirs_is_listed_with_its_own_volts() -> None:
    report = solved("four-output-tubes")
    rails = {rail.capacitor: rail for rail in report.rails}
    upper, lower = rails["C20"], rails["C27"]
    assert (upper.node, lower.node) == ("B1", "Bmid")
    assert upper.across_v + lower.across_v == pytest.approx(upper.dc_v)
    assert 200 < upper.across_v < 250
    assert "C20" in {one.capacitor for one in supply_report(report.amp, near=report).filters}
    reservoirs = {one.designator: one.reservoir_f for one in report.rectifiers}
    assert reservoirs["CR2"] == pytest.approx(50e-6)  # two of 100 µF in series


DOUBLER = """[V3]
removed = true
[T1.rectifier_heater]
removed = true
[T1.high_voltage]
nodes = ["w", "mid"]
volts = ["130 V"]
resistance = ["40"]
[CR1]
type = "1N4007"
nodes = ["w", "B1"]
[CR2]
type = "1N4007"
nodes = ["ground", "w"]
[C6]
value = "100u"
nodes = ["B1", "mid"]
[C60]
value = "47u"
nodes = ["mid", "ground"]
rating = "250 V"
style = "electrolytic"
"""


def test_both_capacitors_of_a_doubler_are_rails_of_b_plus() -> None:
    report = analyze(extended(DOUBLER))
    rails = {rail.capacitor: rail for rail in report.rails}
    assert [rails[name].words for name in ("C6", "C60")] == ["B1 (B+)", "mid (B+)"]
    assert rails["C6"].across_v + rails["C60"].across_v == pytest.approx(rails["C6"].dc_v)
    reservoirs = {one.designator: one.reservoir_f for one in report.rectifiers}
    assert reservoirs == pytest.approx({"CR1": 100e-6, "CR2": 47e-6})


def test_a_standby_switch_does_not_hide_the_reservoir() -> None:
    """The switch lies between rectifier and reservoir; the rectifier's limit counts all the same."""
    report = solved("fixed-bias-head")
    big = analyze(report.amp.changed({"C20": "330u"}), near=report)
    check = next(c for c in limits(big) if c.part == "V6" and c.what == "first filter cap")
    assert check.value == pytest.approx(330e-6)
    assert check.state == "exceeded"


def test_a_capacitor_behind_an_open_standby_switch_is_said_to_be_charged() -> None:
    switched = amp("fixed-bias-head")
    standby = next(n for n, p in switched.parts.items() if "v6k" in p.nodes and "B1" in p.nodes)
    opened = switched.changed({standby: "open"}).topology
    assert opened.polarity("B1") == 0
    assert set(opened.not_followed) >= {"C20", "C21", "C22", "C23"}
    assert switched.topology.not_followed == ()
    assert [rail.capacitor for rail in opened.wired.rails] == [
        rail.capacitor for rail in switched.topology.rails
    ]


def test_discharge_names_what_it_cannot_follow() -> None:
    """Standby open: those behind the switch may still be charged from before."""
    result = discharge(amp("fescue").changed({"S2": "open"}), seconds=10.0)
    assert result.not_followed == ("C22", "C23", "C24", "C10")
    assert {one.capacitor for one in result.held} == {"C21"}
    assert "Treat as charged" in str(result)
    assert result.to_json()["not_followed_treat_as_charged"] == ["C22", "C23", "C24", "C10"]


def test_a_bias_supply_is_not_called_b_plus() -> None:
    words = [rail.words for rail in solved("burdock").rails]
    assert words[-2:] == ["bias_1 (bias supply)", "bias_2 (bias supply)"]
    for name in EVERY:
        for rail in solved(name).rails:
            assert np.sign(rail.dc_v) == rail.polarity, (name, rail.node)


def test_a_live_chassis_is_found_with_what_joins_it() -> None:
    side = amp("no-transformer").line_side
    assert (side.joined_by, side.safety_ground, side.fused) == (("S1",), False, False)
    for name in EVERY:
        if name != "no-transformer":
            assert not amp(name).line_side.live_chassis, name


def test_an_open_switch_isolates_nothing() -> None:
    off = amp("no-transformer").changed({"S1": "open"})
    assert off.line_side.live_chassis


def test_a_capacitor_from_the_line_to_the_chassis_is_named() -> None:
    result = extended('[C99]\nvalue = "47n"\nnodes = ["mains_switched", "ground"]\nrating = "600 V"\n')
    assert result.line_side.capacitors_to_chassis == ("C99",)


def test_a_fuse_in_b_plus_is_no_fuse_in_the_line() -> None:
    fused = extended(
        DROPPER
        + '[F9]\nnodes = ["Bx", "B2"]\nrating = "0.5 A"\n[F1]\nremoved = true\n'
        + '[W1]\nnodes = ["mains_line", "mains_fused"]\n'
    )
    assert (fused.line_side.fused, fused.line_side.fuses) == (False, ())


def test_changes_of_value_share_the_wiring_and_changes_of_state_do_not() -> None:
    drawn = amp("teasel")
    assert drawn.changed({"R14": "330", "C14": "47u"}).topology is drawn.topology
    assert drawn.changed({"R14": ["220", "330"]}).topology is drawn.topology
    opened = drawn.changed({"R21": "open"})
    assert opened.topology is not drawn.topology
    assert opened.topology.polarity("B2") == 0
    removed = dataclasses.replace(drawn, parts={k: p for k, p in drawn.parts.items() if k != "R21"})
    assert removed.topology.fed == opened.topology.fed


def test_the_ends_of_a_rectifier_do_not_depend_on_the_order_of_parts() -> None:
    for name in EVERY:
        parts = dict(reversed(amp(name).parts.items()))
        assert Topology(parts).fed == amp(name).topology.fed
        assert LineSide(Topology(parts)).nodes == amp(name).line_side.nodes


@pytest.mark.parametrize("name", [*DEMO, "paraphase-field-coil"])
def test_neutral_is_the_reference_of_the_line_side(name: str) -> None:
    """Where the line side floats from ground; the utility grounds the neutral, not the line (any code)."""
    side, report = amp(name).line_side, solved(name)
    assert side.plug is not None
    assert report.node(side.plug.neutral).ac_rms_v == pytest.approx(0.0, abs=0.01)
    assert report.node(side.plug.line).ac_rms_v == pytest.approx(report.amp.mains_rms, rel=1e-3)


def test_a_true_reading_of_line_to_ground_is_judged_fine() -> None:
    readings = [
        {"place": "mains_line", "quantity": "AC volts", "value": "117 V"},
        {"place": "mains_neutral", "quantity": "AC volts", "value": "0 V"},
    ]
    result = judge(load_readings(readings, amp=amp("vetch")))
    assert {verdict.word for verdict in result.verdicts} <= {"fine", "within meter accuracy"}


def test_one_signal_order_ends_at_the_speaker_and_leaves_dead_ends_out() -> None:
    """The other channel meets this one at a bypassed cathode only, which passes no signal on."""
    result = signal_order(amp("fixed-bias-head").topology, "in1")
    way = [node for node, _ in result.way()]
    assert (way[0], way[-1]) == ("in1", "ls8")
    assert "k1a" in way
    assert "p1b" not in way
    assert result.before["V5"] == "V3b"
    assert "V1b" not in result.order


@pytest.mark.parametrize("name", EVERY)
def test_sections_in_order_and_nodes_in_order_agree(name: str) -> None:
    wiring = amp(name).topology
    jack = first_input(wiring)
    assert jack is not None
    result = signal_order(wiring, jack.tip)
    depth = [result.depth.get(result.entered[section], 0.0) for section in result.order]
    assert len(result.order) > 1
    assert depth[0] == min(depth)
    assert all(
        result.order.index(result.before[s]) < k for k, s in enumerate(result.order) if result.before[s]
    )
