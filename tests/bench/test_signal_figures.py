"""Trace, drive and procedures state one figure: level below clipping, watts of the load, probe rating."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.amps import amp, solved, variant
from tests.supplies import (
    FILTER,
    FIVE_VOLTS,
    HEAD,
    RESERVOIR,
    SMOOTHING,
    TUBE,
    two,
    winding,
)
from tubekit.amp import Amp, amp_from_text
from tubekit.amp.headroom import MOST_THD, Headroom, headroom
from tubekit.amp.signal import signal_path
from tubekit.bench.procedures import current_under_drive
from tubekit.bench.trace import Trace, trace
from tubekit.decisions.probe import Tone

LIFTED = """
[T1.heater]
nodes = ["h1", "k34", "h2"]
volts = ["3.35 V", "3.35 V"]
resistance = ["0.08", "0.08"]
"""
DIRECT = (
    HEAD + winding("high", ["a", "ground", "b"], 290.0, 60.0) + FIVE_VOLTS + TUBE
    + RESERVOIR + FILTER + SMOOTHING + winding("filament_2", ["f1", "k", "f2"], 1.25, 0.02)
    + two("R2", "750", "k", "ground") + two("C5", "50u", "k", "ground") + two("R3", "470k", "g", "ground")
    + """
[V2]
type = "2A3"
plate = "p"
grid = "g"
heater = ["f1", "f2"]
[J1]
tip = "g"
sleeve = "ground"
direction = "input"
plugged = true
[T2]
kind = "output transformer"
[T2.primary]
nodes = ["B2", "p"]
turns = [17.7]
resistance = ["150"]
inductance = "15 H"
leakage = "30m"
[T2.secondary]
nodes = ["spk", "ground"]
turns = [1]
resistance = ["0.5"]
[LS1]
nodes = ["spk", "ground"]
ohms = "8"
dummy = true
"""
)  # fmt: skip
"""A power triode whose filament, on a winding of the power transformer, is its cathode."""


@cache
def driven(one: Amp) -> Headroom:
    return headroom(one)


@cache
def traced(name: str) -> Trace:
    return trace(amp(name))


def test_heaters_lifted_onto_the_output_cathodes_leave_the_output_as_it_is() -> None:
    lifted = variant("lifted", LIFTED, gone=("R25", "R26"))
    assert driven(lifted).rated_w == pytest.approx(driven(amp("teasel")).rated_w, rel=0.02)


def test_a_tube_whose_cathode_is_its_filament_gives_its_watts() -> None:
    """2A3 in class A1, 250 V, -45 V, 2500 Ω: 3.5 W at 5 % (from memory), less the transformer.

    Where all that is on the power transformer is cut off with the line, 6e-11 W are left.
    """
    assert 2.0 < driven(amp_from_text(DIRECT, "direct")).rated_w < 3.5


def test_the_level_of_a_trace_is_below_clipping() -> None:
    result = traced("teasel")
    assert result.tone.level_rms_v < 0.5 * driven(amp("teasel")).clips[0].input_rms
    speaker = result.point("speaker").level_v
    run = driven(amp("teasel"))
    assert speaker == pytest.approx(run.gain * result.tone.level_rms_v, rel=0.01)
    path = signal_path(amp("teasel"))
    assert speaker == pytest.approx(abs(path.reference_gain[0]) * result.tone.level_rms_v, rel=1e-6)


def test_path_and_trace_begin_at_one_level_and_say_where_a_level_is_not_reached() -> None:
    """With 10 mV the slopes alone put 173 V RMS on a plate that cannot swing so far."""
    path, result = signal_path(amp("teasel")), traced("teasel")
    assert path.level_rms == result.tone.level_rms_v
    assert f"Levels are for {path.level_rms * 1e3:g} mV" in path.headline()
    plates = {node: volts[0] for place, node, volts, _ in path.levels() if "plate" in place}
    assert plates == pytest.approx({node: result.point(node).level_v for node in plates}, rel=1e-6)
    assert not any("Not reached" in str(each) for each in (path, result))
    hard = signal_path(amp("teasel"), level_rms=0.01)
    assert hard.level_rms == 0.01
    assert max(volts[0] for place, _, volts, _ in hard.levels() if "plate" in place) > 150.0
    for each in (hard, trace(amp("teasel"), Tone("J1", 0.01))):
        assert "Not reached: with 10.0 mV in, V4 clips" in " ".join(str(each).split())


def test_of_a_batch_the_variant_that_clips_first_sets_the_level() -> None:
    open_and_shut = signal_path(amp("teasel").changed({"R31.position": [0.1, 1.0]}))
    assert open_and_shut.level_rms == signal_path(amp("teasel").changed({"R31.position": 1.0})).level_rms
    assert open_and_shut.level_rms < signal_path(amp("teasel").changed({"R31.position": 0.1})).level_rms


def test_a_probe_is_rated_by_a_figure_from_the_peak() -> None:
    result = traced("teasel")
    peak = max(abs(p.dc_v) + np.sqrt(2.0) * p.level_v for p in result.points)
    assert result.probe_peak_v >= 2.0 * peak
    assert result.probe_peak_v < 2.0 * peak + 100.0
    assert f"{result.probe_peak_v:.0f} V peak" in " ".join(str(result).split())


def test_a_tremolo_does_not_stop_the_trace() -> None:
    assert traced("reverb-tremolo").point("p3b").level_v > 0


def test_watts_under_drive_are_those_of_the_dummy_load() -> None:
    (step,) = (words for words in current_under_drive(amp("teasel")).steps if "across the load" in words)
    volts, watts = step.rsplit("about ", 1)[1].split(" V RMS")[0], step.split("(")[1].split(" W")[0]
    assert float(watts) == pytest.approx(float(volts) ** 2 / 8.0, rel=0.02)


def test_drive_is_listed_up_to_clipping_and_says_so() -> None:
    table = next(one for one in driven(amp("teasel")).tables() if one.title == "Power and distortion")
    assert max(row[3] for row in table.rows) <= MOST_THD
    assert "not listed" in table.note
    run = driven(amp("teasel")).to_json()
    assert len(run["thd_percent"]) == len(run["input_rms"]) == len(table.rows)


@pytest.mark.parametrize("name", ["teasel", "no-transformer", "reverb-tremolo"])
def test_report_and_trace_state_one_gain_of_a_stage(name: str) -> None:
    """A pair drives its load together; a generator takes no bias away; a tremolo's tube is no way in."""
    path = signal_path(amp(name))
    gains = {t.section: t.gain for t in solved(name).tubes}
    assert len(path.stages) >= 3
    for each in path.stages:
        assert gains[each.section] == pytest.approx(float(abs(each.gain[0])), rel=2e-3), each.section
        assert abs(each.gain[0]) > 0.1  # a tube with a third of its heater voltage among them


def test_a_stage_the_signal_does_not_reach_is_driven_alone() -> None:
    report = solved("fescue")
    assert report.tube("V1b").gain == pytest.approx(report.tube("V1a").gain, rel=1e-3)
    assert "a stage that the signal does not reach is driven directly" in " ".join(str(report).split())


def test_a_report_says_that_a_tremolo_was_held_still() -> None:
    (words,) = (each for each in solved("reverb-tremolo").assumptions if "tremolo" in each)
    assert "not oscillating" in words
