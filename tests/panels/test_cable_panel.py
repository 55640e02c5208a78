"""The cable panel against `check_cable` called directly."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from tests.bench.test_cable import measured, spoilt
from tubekit import load_amp, plots
from tubekit.amp import amp_from_text
from tubekit.bench.cable import check_cable
from tubekit.bench.cable_errors import MISTAKES, joined_nodes, miswired
from tubekit.bench.continuity import cable_graph, joined_pairs, pins
from tubekit.errors import ReadingError
from tubekit.panels import cable
from tubekit.panels.cable_panel import CablePanel
from tubekit.panels.cable_sheet import BEEP, SILENT, Tried, cells, grids, list_options, of_slip

LISTS = Path(__file__).resolve().parents[2] / "notebooks" / "readings"
WAYS = range(1, 10)


@pytest.fixture(scope="module")
def fescue():
    return load_amp("fescue")


@pytest.fixture(scope="module")
def shared() -> CablePanel:
    return cable("fescue")


@pytest.fixture
def panel(shared: CablePanel) -> CablePanel:
    shared.reset()
    return shared


def pair(one: str, two: str) -> frozenset[str]:
    return frozenset((one, two))


# ---- slips are what a meter finds


@pytest.mark.parametrize(("one", "two"), list(combinations(WAYS, 2)))
def test_a_swap_is_that_of_the_wires(fescue, one, two):
    """Swapping what is soldered to two pins is the same metal as crossing the wires."""
    graph = spoilt(
        fescue, cut={f"W{one}", f"W{two}"}, join=[(f"P2.{one}", f"P3.{two}"), (f"P2.{two}", f"P3.{one}")]
    )
    wanted = {(pair(a, b), word == "yes") for a, b, word in measured(graph, fescue)}
    found = miswired(fescue, "swap two pins", f"P2.{one}", f"P2.{two}")
    assert {(r.pair, r.beeps) for r in found} == wanted


def test_every_slip_is_found_and_none_as_drawn(fescue):
    assert check_cable(fescue, miswired(fescue)).faults == ()
    kinds = {
        ("open at a pin", ("P3.5",)): ["open"],
        ("join two pins", ("P2.1", "P2.7")): ["joined"],
        ("leave a strap out", ()): ["strap missing"],
        ("swap two pins", ("P3.2", "P3.3")): ["swapped"],
    }
    for (slip, at), wanted in kinds.items():
        assert [f.kind for f in check_cable(fescue, miswired(fescue, slip, *at)).faults] == wanted


def test_a_slip_that_cannot_be_done_says_what_to_name(fescue):
    with pytest.raises(ReadingError, match=r"unknown wiring error 'burn it'.*swap two pins"):
        miswired(fescue, "burn it")
    with pytest.raises(ReadingError, match="Name 2 different pins"):
        miswired(fescue, "swap two pins", "P2.1", "P2.1")
    with pytest.raises(ReadingError, match="does not work with P9"):
        miswired(fescue, "open at a pin", "P9.1")


def test_what_meets_is_what_stands_on_the_sockets(fescue):
    faults = check_cable(fescue, miswired(fescue, "swap two pins", "P2.7", "P2.3")).faults
    assert set(map(frozenset, joined_nodes(fescue, faults))) == {
        frozenset(("B1", "ground")), frozenset(("ground", "standby_in")),
    }  # fmt: skip


# ---- the panel


def test_a_touch_goes_from_beep_to_silent_and_back(panel):
    cell = panel.grid.buttons[pair("P2.4", "P3.4")]
    assert cell.description == "○"
    cell.click()
    assert (panel.tried.at(pair("P2.4", "P3.4")), cell.description) == (BEEP, "●")
    assert panel.report.faults == ()
    cell.click()
    assert cell.description == "– !"
    assert panel.report.faults[0].text == "P2.4 to P3.4 (W4) is open"
    assert "OPEN" in panel.told.value
    assert "W4 orange" in cell.tooltip
    cell.click()
    assert cell.description == "○"
    assert not panel.tried.found
    panel.undo()
    assert cell.description == "– !"
    panel.redo()
    assert not panel.tried.found


def test_what_is_seen_is_what_check_cable_says(panel, fescue):
    for slip, count in MISTAKES.items():
        panel.slip(slip, *("P2.4", "P2.7")[:count])
        wanted = check_cable(fescue, miswired(fescue, slip, *("P2.4", "P2.7")[:count]))
        assert [f.text for f in panel.report.faults] == [f.text for f in wanted.faults]
        for sentence in (*(f.text for f in wanted.faults), *wanted.consequences):
            assert sentence in panel.told.value
        for state in wanted.drawn_states:
            assert state.words in panel.states.value
    assert "strap P4.3 to P4.4 is missing" in panel.told.value


def test_a_miswire_says_which_volts_meet(panel):
    panel.slip("swap two pins", "P2.7", "P2.4")
    b1 = panel.volts["B1"]
    assert 380 < b1 < 410
    assert f"B1 ({b1:.0f} V per schematic) is connected to B3_box" in panel.told.value
    panel.slip("swap two pins", "P2.7", "P2.3")
    assert "is shorted to ground" in panel.told.value


def test_b_plus_without_a_loudspeaker_is_a_stop(tmp_path):
    path = tmp_path / "speaker-in-the-plug.toml"
    ends = 'nodes = ["horn_hot", "horn_cold"]'
    plug = 'plug = ["horn_hot", "horn_cold", "-", "-"]'
    path.write_text(
        f'[amp]\nextends = "fescue"\n[P4]\n{plug}\n[LS1]\n{ends}\n[R33]\n{ends}\n', encoding="utf-8"
    )
    panel = cable(str(path))
    panel.slip("swap two pins", "P2.4", "P2.8")
    assert "STOP" in panel.told.value
    assert "no speaker" in panel.told.value
    panel.reset()
    assert "STOP" not in panel.told.value


def test_ohms_stand_for_a_beep_or_a_silence(panel):
    panel.grid.buttons[pair("P2.8", "P3.8")].click()
    assert panel.ohms.description.startswith("P2.8 to P3.8")
    panel.ohms.value = "3.8"
    assert panel.tried.at(pair("P2.8", "P3.8")) == "3.8"
    assert panel.report.faults == ()  # it beeps
    assert "reads 3.80 Ω: connected, but should read under 1 Ω" in panel.told.value
    panel.ohms.value = "220k"
    assert panel.report.faults[0].kind == "open"
    assert "high-resistance joint or leakage" in panel.told.value
    panel.ohms.value = "much"
    assert "not a resistance" in panel.ohms_box.complaint.value
    assert panel.tried.at(pair("P2.8", "P3.8")) == "220k"
    with pytest.raises(ReadingError, match="below zero"):
        panel.put("P2.8", "P3.8", "-2")
    with pytest.raises(ReadingError, match="there is no pin"):
        panel.put("P2.10", "P3.8", "beep")


def test_the_rest_is_taken_as_drawn(panel, fescue):
    panel.put("P2.5", "P3.5", "silent")
    panel.rest()
    count = len(pins(fescue))
    assert len(panel.tried.found) == count * (count - 1) // 2
    assert [f.text for f in panel.report.faults] == ["P2.5 to P3.5 (W5) is open"]
    assert "not tested yet" not in panel.told.value


def test_slips_are_chosen_by_hand(panel):
    panel.slips.value = "swap two pins"
    assert panel.second.layout.display == ""
    panel.first.value, panel.second.value = "P2.7", "P2.8"
    assert panel.report.faults[0].kind == "swapped"
    panel.second.value = "P2.7"
    assert "different pins" in panel.slip_box.complaint.value
    panel.slips.value = "as drawn"
    assert panel.report.faults == ()
    assert panel.first.layout.display == "none"


def test_every_pair_of_pins_stands_in_one_grid(panel, fescue):
    seen = [frozenset(each) for one, two in grids(fescue).values() for each in cells(fescue, one, two)]
    assert len(seen) == len(set(seen))
    assert set(seen) == {frozenset(two) for two in combinations(pins(fescue), 2)}
    due = joined_pairs(cable_graph(fescue), pins(fescue))
    foremost = list(grids(fescue).values())[:2]  # what should beep comes first
    assert due <= {frozenset(each) for two in foremost for each in cells(fescue, *two)}
    for name in grids(fescue):
        panel.grid.choice.value = name
        assert len(panel.grid.buttons) == len(list(cells(fescue, *grids(fescue)[name])))
    panel.grid.choice.value = "P4 by itself"
    panel.grid.buttons[pair("P4.3", "P4.4")].click()
    panel.grid.buttons[pair("P4.3", "P4.4")].click()
    assert panel.report.faults[0].kind == "strap missing"


def test_a_list_is_saved_and_read_again(panel, tmp_path, monkeypatch, fescue):
    monkeypatch.chdir(tmp_path)
    panel.put("P2.1", "P3.1", "0.3")
    panel.put("P2.2", "P3.2", "silent")
    first, second = panel.save(), panel.save()
    assert (first.name, second.name) == ("fescue-cable.csv", "fescue-cable-2.csv")
    assert [f.kind for f in check_cable(fescue, first).faults] == ["open"]  # the command reads it too
    kept = panel.tried
    panel.lists.look_again()
    panel.lists.choice.value = str(first.resolve())
    assert panel.tried.found == kept.found
    panel._file_taken("other.csv", b"pin,pin\n")
    assert "Start the file with the line from,to,beeps" in panel.lists.complaint.value


def test_the_list_that_comes_along(panel):
    path = LISTS / "fescue-cable.csv"
    assert path.read_text(encoding="utf-8").startswith("# Invented")
    assert ("fescue-cable", str(path)) in list_options(LISTS.parent)
    panel.lists.complain("")
    panel._list_chosen(str(path))
    assert [f.kind for f in panel.report.faults] == ["swapped"]
    assert "3.80 Ω" in panel.told.value


def test_an_amp_without_a_connector_says_so(panel):
    fescue = panel.amp_list.value
    panel.amp_list.choice.value = "teasel"
    assert panel.report is None
    assert "has no multi-pin connector" in panel.told.value
    assert panel.grid.layout.display == "none"
    panel.reset()
    assert "has no multi-pin connector" in panel.told.value
    panel.saver.picture()
    assert "no cable to draw" in panel.saver.value
    panel.amp_list.choice.value = fescue
    assert panel.report is not None
    assert panel.grid.layout.display == ""
    assert cable("teasel").report is None


def test_any_amp_with_connectors_will_do():
    """A connector by itself, with a strap and no wire."""
    amp = amp_from_text(
        load_amp("teasel").copy_as_text()
        + '\n[P7]\nkind = "connector"\nplug = ["-", "-", "spare"]\nsocket = ["B1", "ground", "spare_2"]\n'
        'straps = ["1-2"]\n[R98]\nvalue = "1k"\nnodes = ["spare", "ground"]\n[R99]\nvalue = "1k"\n'
        'nodes = ["spare_2", "ground"]\n'
    )
    panel = cable(amp)
    assert list(grids(amp)) == ["P7 by itself"]
    panel.put("P7.1", "P7.2", "silent")
    assert panel.report.faults[0].kind == "strap missing"
    assert set(panel.figure.view.places) == {"P7.1", "P7.2", "P7.3"}


# ---- the figure


def test_every_pin_stands_once_and_wires_go_from_pin_to_pin(panel, fescue):
    places = panel.figure.view.places
    assert set(places) == set(pins(fescue))
    assert len({(p.x, p.y) for p in places.values()}) == len(places)
    ends = {frozenset(((l.get_xdata()[0], l.get_ydata()[0]), (l.get_xdata()[-1], l.get_ydata()[-1])))
            for l in panel.figure.view.lines}  # fmt: skip
    for two in joined_pairs(cable_graph(fescue), pins(fescue)):
        assert frozenset((places[pin].x, places[pin].y) for pin in two) in ends


@pytest.mark.parametrize(
    ("slip", "at", "words"),
    [
        ("open at a pin", ("P2.5",), {"P2.5 to P3.5 open"}),
        ("leave a strap out", (), {"P4.3 to P4.4 open"}),
        ("swap two pins", ("P2.4", "P2.7"), {"P2.4 to P3.4 swapped", "P2.4 to P3.7 joined"}),
        ("join two pins", ("P4.1", "P4.2"), {"P4.1 to P4.2 joined"}),
    ],
)
def test_a_fault_is_marked_in_words(fescue, slip, at, words):
    drawing = plots.cable(check_cable(fescue, of_slip(fescue, slip, *at).readings()))
    assert all(each in drawing.words for each in words)
    said = {text.get_text() for text in drawing.axes[0].texts}
    wanted = {"open": "OPEN", "swapped": "SWAPPED", "joined": "JOINED"}
    for each in words:
        word = wanted[each.rpartition(" ")[2]]
        assert any(word in text for text in said) or any("from" in text for text in said)


def test_a_cable_as_drawn_has_no_mark(fescue):
    drawing = plots.cable(check_cable(fescue, of_slip(fescue, "as drawn").readings()))
    assert not any("✖" in text.get_text() for text in drawing.axes[0].texts)
    assert drawing.words.endswith("per schematic.")
    assert Tried().readings() == ()
    assert SILENT != BEEP
