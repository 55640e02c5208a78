"""Multi-pin connectors and wires: what they join, and how their slips are told."""

from __future__ import annotations

import pytest

from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text
from tubekit.errors import AmpFileError


@pytest.fixture(scope="module")
def fescue():
    return load_amp("fescue")


def test_the_cable_carries_the_control_box(fescue):
    report = analyze(fescue)
    assert report.node("B3_box").dc_v == pytest.approx(report.node("B3").dc_v, abs=1e-6)
    assert 100 < report.node("p1a").dc_v < 160
    assert "C10" in {rail.capacitor for rail in report.rails}


@pytest.mark.parametrize("change", [{"S2": "open"}, {"P4.inserted": False}, {"P3.inserted": False}])
def test_each_break_of_the_standby_loop_takes_the_high_tension_off(fescue, change):
    report = analyze(fescue.changed(change))
    assert abs(report.node("HT").dc_v) < 1.0
    assert report.node("B1").dc_v > 420  # the reservoir then stands at the peak


def test_an_open_wire_is_a_break_too(fescue):
    assert abs(analyze(fescue.changed({"W8": "open"})).node("HT").dc_v) < 1.0


def test_a_connector_copies_as_text(fescue):
    again = amp_from_text(fescue.copy_as_text())
    assert again.parts["P4"].straps == ((3, 4),)
    assert again.parts["P2"].socket == fescue.parts["P2"].socket


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        ('plug = ["horn_hot", "horn_cold", "-"]', "the plug has 3 pins and the socket 4"),
        ('straps = ["3-9"]', "a strap goes to pin 9, the last is 4"),
        ('straps = ["3-3"]', "not a strap between two pins"),
        ("inserted = 3", "inserted is 3"),
    ],
)
def test_slips_name_the_connector(lines, text):
    with pytest.raises(AmpFileError, match="P4") as slip:
        amp_from_text(f'[amp]\nextends = "fescue"\n[P4]\n{lines}\n')
    assert text in str(slip.value)
