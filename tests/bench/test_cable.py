"""A nine-wire cable with every single slip there is, and what a slip does to the standby loop."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import networkx as nx
import pytest

from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text
from tubekit.amp.hum import hum
from tubekit.bench import cable_trials
from tubekit.bench.cable import check_cable
from tubekit.bench.cable_errors import swapped_pins
from tubekit.bench.cable_trials import NOTHING, keep_or_cut
from tubekit.bench.continuity import cable_graph, joined_pairs, pins, read_continuity
from tubekit.bench.loop_search import loop_search
from tubekit.bench.loop_states import drawn_on, loop_states, loop_switches, unplugged
from tubekit.decisions.limits import limits
from tubekit.errors import ReadingError

WAYS = range(1, 10)


@pytest.fixture(scope="module")
def fescue():
    return load_amp("fescue")


def measured(graph: nx.Graph, amp) -> list[tuple[str, str, str]]:
    """Every pair of pins of the amp, as a meter finds them on `graph`."""
    joined = joined_pairs(graph, pins(amp))
    return [(a, b, "yes" if frozenset((a, b)) in joined else "no") for a, b in combinations(pins(amp), 2)]


def spoilt(amp, *, cut=(), join=()) -> nx.Graph:
    """The cable with wires cut (by the edges' `by`) and pins joined."""
    graph = cable_graph(amp)
    graph.remove_edges_from([(a, b) for a, b, by in graph.edges(data="by") if by in cut])
    graph.add_edges_from(join, by="slip")
    return graph


def test_a_good_cable_has_no_fault(fescue):
    report = check_cable(fescue, measured(cable_graph(fescue), fescue))
    assert report.faults == ()
    assert report.consequences == ()


@pytest.mark.parametrize("pin", WAYS)
def test_every_open_wire_is_found(fescue, pin):
    report = check_cable(fescue, measured(spoilt(fescue, cut={f"W{pin}"}), fescue))
    assert [(f.kind, set(f.pins)) for f in report.faults] == [("open", {f"P2.{pin}", f"P3.{pin}"})]


@pytest.mark.parametrize(("one", "two"), list(combinations(WAYS, 2)))
def test_every_swap_is_found(fescue, one, two):
    graph = spoilt(
        fescue, cut={f"W{one}", f"W{two}"}, join=[(f"P2.{one}", f"P3.{two}"), (f"P2.{two}", f"P3.{one}")]
    )
    report = check_cable(fescue, measured(graph, fescue))
    assert [f.kind for f in report.faults] == ["swapped"]
    assert set(report.faults[0].pins) == {f"P{p}.{n}" for p, n in product((2, 3), (one, two))}


@pytest.mark.parametrize(("one", "two"), list(combinations(WAYS, 2)))
def test_every_short_is_found(fescue, one, two):
    report = check_cable(fescue, measured(spoilt(fescue, join=[(f"P2.{one}", f"P2.{two}")]), fescue))
    assert [f.kind for f in report.faults] == ["joined"]
    assert set(report.faults[0].pins) == {f"P{p}.{n}" for p, n in product((2, 3), (one, two))}


def test_the_missing_strap_is_found(fescue):
    report = check_cable(fescue, measured(spoilt(fescue, cut={"strap"}), fescue))
    assert [(f.kind, f.pins) for f in report.faults] == [("strap missing", ("P4.3", "P4.4"))]
    assert report.consequences == (
        "With P4 in, S2 closed: no B+ at the output stage (the amp stays in standby).",
    )


@pytest.mark.parametrize(("one", "two"), [p for p in combinations(range(1, 5), 2) if p != (3, 4)])
def test_every_extra_strap_is_found(fescue, one, two):
    report = check_cable(fescue, measured(spoilt(fescue, join=[(f"P4.{one}", f"P4.{two}")]), fescue))
    assert len(report.faults) == 1
    assert report.faults[0].kind in ("strap extra", "joined")
    assert {f"P4.{one}", f"P4.{two}"} <= set(report.faults[0].pins)


def test_a_loop_bridged_in_the_cable_defeats_standby(fescue):
    report = check_cable(fescue, [("P2.7", "P2.8", "yes")])
    assert report.consequences == (
        "With P4 in, S2 open (standby): the output stage still gets B+; by the schematic it should not.",
    )


SPEAKER_IN_THE_PLUG = """[amp]
extends = "fescue"
[P4]
plug = ["horn_hot", "horn_cold", "-", "-"]
[LS1]
nodes = ["horn_hot", "horn_cold"]
[R33]
nodes = ["horn_hot", "horn_cold"]
[W20]
nodes = ["loop", "HT"]
"""


def test_a_strap_on_the_cable_side_defeats_the_interlock():
    """With the loudspeaker in the same plug, a strap behind it leaves B+ with no loudspeaker on."""
    amp = amp_from_text(SPEAKER_IN_THE_PLUG, "speaker in the plug")
    state = {s.words: s for s in loop_states(amp)}["P4 out, S2 closed"]
    assert state.high_tension
    assert not state.loudspeaker
    assert "B+ is on with no speaker on the output transformer: P4 out, S2 closed" in str(check_cable(amp))


GROUND_SIDE = """[amp]
extends = "fescue"
[T1.high_voltage]
nodes = ["hv_a", "ct", "hv_b"]
[P2]
socket = ["h1", "h2", "ground", "B3", "drive3", "drive4", "ct", "loop", "ground"]
[P4]
socket = ["speaker", "ground", "loop", "ground"]
[W20]
nodes = ["B1", "HT"]
"""


def test_a_standby_loop_on_the_ground_side_is_found_and_its_bare_pins_are_live():
    amp = amp_from_text(GROUND_SIDE, "ground side")
    assert loop_switches(amp) == ("S2",)
    on = {s.words: s.high_tension for s in loop_states(amp)}
    assert on == {
        "P4 in, S2 closed": True, "P4 in, S2 open (standby)": False,
        "P4 out, S2 closed": False, "P4 out, S2 open (standby)": False,
    }  # fmt: skip
    out = next(s for s in unplugged(amp) if s.words == "P4 out")
    loop = next(pin for pin in out.bare if pin.pin == "P4.3" and pin.side == "socket")
    # The center tap floats far below ground while B+ is at 0 V.
    assert loop.dc_v < -200
    assert loop.peak_v >= abs(loop.dc_v)
    report = analyze(replace(amp, parts={**amp.parts, "P4": replace(amp.parts["P4"], inserted=False)}))
    assert loop.dc_v == pytest.approx(report.node("loop").dc_v, rel=1e-3)
    assert abs(report.node("B1").dc_v) < 1.0
    assert "P4.3" in str(check_cable(amp).bare_pins())


def test_pin_swaps_say_what_burns(fescue):
    """Each consequence follows from the amp solved as it is wired; five of the 36 that a notebook lists."""
    drawn = drawn_on(fescue)
    assert [len(pins) for pins in cable_trials._cable_ends(fescue)] == [9]
    result = {
        (one, two): cable_trials._swap(fescue, drawn, f"P2.{one}", f"P2.{two}")
        for one, two in ("37", "17", "57", "45", "12")
    }
    short = analyze(swapped_pins(fescue, "P2.3", "P2.7"))
    amps = max(float(c.value) for c in limits(short) if c.part == "F1")
    assert result["3", "7"].harms[0].startswith(f"F1 (3.00 A slow) carries {amps:.2f} A: ")
    bias = analyze(swapped_pins(fescue, "P2.1", "P2.7"))  # B+ on a heater that is tied to the cathodes
    watts = next(float(c.value) for c in limits(bias) if c.part == "R25")
    assert watts > bias.node("k34").dc_v ** 2 / 250 > 100
    assert f"R25 will burn out: dissipation {watts:.0f} W (limit 10 W)" in result["1", "7"].harms
    assert result["5", "7"].loop == (
        "With P4 in, S2 closed: no B+ at the output stage (the amp stays in standby).",
    )
    assert drawn.tube("V3").plate_a > 0.03
    (lost,) = (one for one in result["4", "5"].moved if one.what == "gain to LS1")
    assert lost.then < 1e-3
    assert result["1", "2"].effects == (NOTHING,)


def test_a_wire_kept_or_cut_is_solved_hum_included(fescue):
    amp = amp_from_text('[amp]\nextends = "fescue"\n[W20]\nnodes = ["h1", "ground"]\n')
    stray = {one.what: one for one in keep_or_cut(amp, "W20").moved}
    assert stray["hum at LS1"].now > 2 * stray["hum at LS1"].then
    assert stray["hum at LS1"].then == pytest.approx(float(hum(fescue).total_rms[0]), rel=0.05)
    with pytest.raises(ReadingError, match="no wire 'W99'"):
        keep_or_cut(fescue, "W99")


def test_a_poor_joint_is_in_the_report_of_a_list_with_ohms(fescue, tmp_path):
    path = tmp_path / "ohms.csv"
    path.write_text("from,to,beeps,ohms\nP2.7,P3.7,yes,12\nP2.1,P3.1,yes,0.3\n", encoding="utf-8")
    report = check_cable(fescue, path)
    assert len(report.joints) == 1
    assert report.joints[0] in str(report)
    assert report.joints[0].startswith("P2.7 to P3.7 reads 12.0 Ω: connected, but should read under 1 Ω")
    assert "1 poor joint" in report.headline()
    assert report.to_json()["poor_joints"] == list(report.joints)


def test_the_search_along_the_loop_halves_what_is_left(fescue):
    search = loop_search(fescue)
    assert len(search.suspects) == 8
    assert search.next_point == "standby_out (P3.8)"
    nearer = loop_search(fescue, read_continuity([("P2.7", "P3.7", "yes"), ("P4.3", "P4.4", "yes")], fescue))
    assert {"W7", "P4.3-4"}.isdisjoint(set(nearer.joints) - set(nearer.suspects) - {"P4.3-4", "W7"})
    assert nearer.suspects[-1] == "P2.8"
    assert loop_search(load_amp("teasel")) is None


def test_states_as_drawn(fescue):
    on = {s.words: (s.high_tension, s.loudspeaker) for s in loop_states(fescue)}
    assert on == {
        "P4 in, S2 closed": (True, True),
        "P4 in, S2 open (standby)": (False, True),
        "P4 out, S2 closed": (False, True),
        "P4 out, S2 open (standby)": (False, True),
    }


def test_swapped_loop_and_drive_wires_are_told_by_what_they_do(fescue):
    graph = spoilt(fescue, cut={"W8", "W6"}, join=[("P2.8", "P3.6"), ("P2.6", "P3.8")])
    report = check_cable(fescue, measured(graph, fescue))
    assert "R24 will burn out" in report.consequences[0]  # B+ on the grid stopper: danger first
    assert any("stays in standby" in text for text in report.consequences)


def test_a_partial_list_is_normal(fescue):
    assert check_cable(fescue, [("P2.1", "P3.1", "yes")]).faults == ()


def test_readings_that_contradict_each_other_are_pointed_out(fescue):
    rows = [("P2.1", "P3.1", "yes"), ("P3.1", "P3.2", "yes"), ("P2.1", "P3.2", "no")]
    report = check_cable(fescue, rows)
    assert report.faults[0].kind == "contradiction"
    assert "measure these again" in report.faults[0].text


def test_a_file_is_read_and_the_table_ticked(fescue, tmp_path):
    path = tmp_path / "cable.csv"
    path.write_text("from,to,beeps\np2-1, P3.1, yes\nP2 7,P3 7,no\n", encoding="utf-8")
    report = check_cable(fescue, path)
    assert [f.pins for f in report.faults] == [("P2.7", "P3.7")]
    cells = report.tick_off().cells()
    assert ("P2.1", "P3.1", "W1", "gray", "heater pair", "yes") in cells
    assert cells[-1][-1] == "☐"


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        ([("P2.10", "P3.1", "yes")], "there is no pin 'P2.10'"),
        ([("P2.1", "P2.1", "yes")], "both leads are on P2.1"),
        ([("P2.1", "P3.1", "perhaps")], "neither yes nor no"),
        ([("P2.1", "P3.1", "yes"), ("P3.1", "P2.1", "no")], "beeps in one row and not in another"),
    ],
)
def test_lists_that_cannot_be_are_refused(fescue, rows, text):
    with pytest.raises(ReadingError, match=text):
        check_cable(fescue, rows)


def test_an_amp_without_a_cable_says_so():
    with pytest.raises(ReadingError, match="no multi-pin cable"):
        check_cable(load_amp("teasel"))
