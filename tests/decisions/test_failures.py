"""Bad states of a supply: each is solved, and answered with what would fail and how; never NaN."""

from __future__ import annotations

import math
import re

import pytest

from tests.amps import amp
from tests.supplies import BRIDGE, DOUBLER, FULL_WAVE, HALF_WAVE, supply
from tubekit import load_amp
from tubekit.amp.supply import supply_report
from tubekit.cli.short_answer import short_answer
from tubekit.cli.supply_answer import SupplyAnswer
from tubekit.decisions.limits import failures

HIGH_HALF_WAVE = HALF_WAVE.replace("volts = [250.0]", "volts = [450.0]")

CASES = {
    "load short": (FULL_WAVE, {"R1": "short"}, "V1", "direct current", "overheats"),
    "reservoir short": (FULL_WAVE, {"C1": "short"}, "V1", "works into a short", "until the fuse blows"),
    "open filament": (FULL_WAVE, {"V1.emission": 0}, "V1", "filament is open", "no B+ at"),
    "diode short": (BRIDGE, {"CR1": "short"}, "F1", "line current", "may blow after"),
    "rectifier too small": (FULL_WAVE, {"C1": "100u"}, "V1", "first filter cap", "peaks at switch-on"),
    "choke overloaded": (FULL_WAVE, {"L1.rating": "30 mA"}, "L1", "direct current", "overheats"),
    "diode beyond its voltage": (HIGH_HALF_WAVE, {}, "CR1", "peak inverse voltage", "junction fails"),
    "ripple": (FULL_WAVE, {"C1.ripple": "50 mA"}, "C1", "ripple current", "dries out"),
    "resistor": (FULL_WAVE, {"R1.rating": "10 W"}, "R1", "dissipation", "goes open"),
    "capacitor short in a doubler": (DOUBLER, {"C3": "short"}, "F1", "line current", "blow"),
}


@pytest.mark.parametrize("name", CASES)
def test_each_bad_state_names_part_what_and_how(name: str) -> None:
    text, change, part, what, how = CASES[name]
    result = failures(supply_report(supply(text).changed(change)))
    mine = [one for one in result.failures if one.part == part and what in one.what]
    assert mine, [(one.part, one.what) for one in result.failures]
    assert how in mine[0].how
    assert "nan" not in str(result).lower()
    assert all(math.isfinite(node.dc_v) for node in result.report.report.nodes)


def test_a_sound_supply_has_nothing_that_fails() -> None:
    assert failures(supply_report(load_amp("burdock"))).failures == ()
    assert "all supply parts" in failures(supply_report(load_amp("burdock"))).headline()


def test_two_rectifiers_in_parallel_share_on_paper_and_are_warned_of() -> None:
    twin = FULL_WAVE.split("[V1]")[1].split("[C1]")[0]
    two = supply(FULL_WAVE + "[V2]" + twin)
    assert [note.code for note in two.notes] == ["rectifiers_in_parallel"]
    assert all(math.isfinite(one.peak_a) for one in supply_report(two).rectifiers)


def test_a_capacitor_above_its_rating_while_no_tube_draws_is_first_and_every_rail_is_shown() -> None:
    """330 V RMS peak at 467 V; the four capacitors of B+ are rated 450 V, and take 495 V as a surge."""
    answer = SupplyAnswer.of(amp("reverb-tremolo"))
    first = answer.failing.failures[0]
    assert (first.part, first.what) == ("C50", "464 V while no tube draws exceeds its rating of 450 V")
    brief = short_answer(answer)
    assert len(brief.splitlines()) <= 25
    names = ("C50", "C51", "C52", "C53", "C54", "C55")
    assert all(re.search(rf"^{name} +\S+ V", brief, re.MULTILINE) for name in names)
