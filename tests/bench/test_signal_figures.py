"""Trace, drive and procedures state one figure: level below clipping, watts of the load, probe rating."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.amps import amp, solved
from tubekit.amp import Amp, amp_from_text
from tubekit.amp.headroom import MOST_THD, Headroom, headroom
from tubekit.amp.signal import signal_path
from tubekit.bench.procedures import current_under_drive
from tubekit.bench.trace import Trace, trace

LIFTED = """
[amp]
extends = "teasel"
title = "Heater center tap on the output cathodes"
design_mains = "117 V"
mains_frequency = "60 Hz"
[T1.heater]
nodes = ["h1", "k34", "h2"]
volts = ["3.35 V", "3.35 V"]
resistance = ["0.08", "0.08"]
[R25]
removed = true
[R26]
removed = true
"""


@cache
def driven(one: Amp) -> Headroom:
    return headroom(one)


@cache
def traced(name: str) -> Trace:
    return trace(amp(name))


def test_heaters_lifted_onto_the_output_cathodes_leave_the_output_as_it_is() -> None:
    lifted = amp_from_text(LIFTED, "lifted")
    assert driven(lifted).rated_w == pytest.approx(driven(amp("teasel")).rated_w, rel=0.02)


def test_the_level_of_a_trace_is_below_clipping() -> None:
    found = traced("teasel")
    assert found.tone.level_rms_v < 0.5 * driven(amp("teasel")).clips[0].input_rms
    speaker = found.point("speaker").level_v
    run = driven(amp("teasel"))
    assert speaker == pytest.approx(run.gain * found.tone.level_rms_v, rel=0.01)
    path = signal_path(amp("teasel"))
    assert speaker == pytest.approx(abs(path.reference_gain[0]) * found.tone.level_rms_v, rel=1e-6)


def test_a_probe_is_rated_by_a_figure_from_the_peak() -> None:
    found = traced("teasel")
    peak = max(abs(p.dc_v) + np.sqrt(2.0) * p.level_v for p in found.points)
    assert found.probe_peak_v >= 2.0 * peak
    assert found.probe_peak_v < 2.0 * peak + 100.0
    assert f"{found.probe_peak_v:.0f} V peak or more" in " ".join(str(found).split())


def test_a_tremolo_does_not_stop_the_trace() -> None:
    assert traced("reverb-tremolo").point("p3b").level_v > 0


def test_watts_under_drive_are_those_of_the_dummy_load() -> None:
    (step,) = (words for words in current_under_drive(amp("teasel")).steps if "across the load" in words)
    volts, watts = step.split("about ")[1].split(" V rms")[0], step.split("(")[1].split(" W")[0]
    assert float(watts) == pytest.approx(float(volts) ** 2 / 8.0, rel=0.02)


def test_drive_is_listed_up_to_clipping_and_says_so() -> None:
    table = next(one for one in driven(amp("teasel")).tables() if one.title == "Drive")
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
        assert abs(each.gain[0]) > 0.5


def test_a_stage_the_signal_does_not_reach_is_driven_alone() -> None:
    report = solved("fescue")
    assert report.tube("V1b").gain == pytest.approx(report.tube("V1a").gain, rel=1e-3)
    assert "a stage that it does not reach is driven alone" in " ".join(str(report).split())


def test_a_report_says_that_a_tremolo_was_held_still() -> None:
    (words,) = (each for each in solved("reverb-tremolo").assumptions if "tremolo" in each)
    assert "held still" in words
