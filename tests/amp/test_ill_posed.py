"""Amps in which only leakage sets some voltage: every command answers, and says what to expect.

Peaks are those of the winding in the same solve; that an unloaded rectifier stands at the peak, and an
unloaded doubler at twice that, is textbook knowledge (from memory).
"""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest

from tests.amp.ill_posed import ILL_POSED, starved_screen
from tests.amp.signal_amps import with_feedback
from tests.amps import amp
from tests.every_kind import every_kind, every_kind_solved
from tubekit import analyze
from tubekit.amp import AmpReport
from tubekit.amp.discharge import discharge
from tubekit.amp.hum import hum
from tubekit.amp.signal import signal_path
from tubekit.analyses.operating_point import solve_network
from tubekit.bench.readings import readings_from_text
from tubekit.cli.supply_answer import SupplyAnswer
from tubekit.decisions import swap
from tubekit.decisions.hum_remedies import hum_report
from tubekit.decisions.judge import judge
from tubekit.decisions.population import dc_population
from tubekit.decisions.spread import spread
from tubekit.errors import BatchWarning

READINGS = "place,quantity,value\nB1,DC volts,300\nB2,DC volts,290"
UNREADABLE = re.compile(r"\b-?(nan|inf)\b")


def words_of(report: AmpReport) -> str:
    return " ".join(report.assumptions)


WORST = ("doubler, no load", "floating winding", "silicon, no load", "standby open, no bleeder")


@pytest.mark.parametrize("name", ILL_POSED)
def test_every_question_is_answered_in_words(name: str) -> None:
    """All of the worst drawings; of the others the report and the supply, which all else stands on."""
    one = ILL_POSED[name]()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        answers: list[object] = [analyze(one), SupplyAnswer.of(one)]
        if name in WORST:
            answers += [
                discharge(one), hum_report(one), swap(one, {}, mains_rms=1.05 * float(one.design_mains_rms)),
                spread(one, size=20, with_effects=False), judge(readings_from_text(READINGS, one)),
            ]  # fmt: skip
    if name in WORST:
        for each in answers[:3]:
            assert "only leakage is counted" in " ".join(str(each).split()), type(each)
    for each in answers:
        assert not UNREADABLE.search(str(each)), type(each)


@pytest.mark.parametrize(
    ("name", "node", "times"),
    [("doubler, no load", "B1", 2), ("cascade, no load", "B1", 2), ("silicon, no load", "B1", 1),
     ("heater winding dead", "B1", 1), ("standby open, no bleeder", "B0", 1), ("field coil open", "B1", 1)],
)  # fmt: skip
def test_where_nothing_but_leakage_loads_it_the_peak_is_named(name: str, node: str, times: int) -> None:
    report = analyze(ILL_POSED[name]())
    state = report.solved.state
    winding = next(part for part in report.amp.parts.values() if part.kind == "power transformer").windings[1]
    peak = float(np.abs(state.waveform(winding.taps[0], winding.taps[1])).max())
    assert report.node(node).dc_v == pytest.approx(times * peak, rel=0.02)
    assert f"{node}: nothing loads" in words_of(report)
    assert f"expect the peak, {report.node(node).dc_v:.3g} V" in words_of(report)
    assert "1000 MΩ across each rectifier" in words_of(report)


def test_a_winding_on_nothing_is_said_to_float_at_up_to_its_peak() -> None:
    report = analyze(ILL_POSED["floating winding"]())
    peak = float(np.abs(report.solved.state.waveform("hv_a", "hv_b")).max())
    assert "hv_a, hv_b, tap: nothing ties this winding to ground" in words_of(report)
    assert f"expect up to its peak, {peak:.3g} V" in words_of(report)
    assert "B+ is gone: B1, B2, B3, B4 at 0 V" in report.headline()


def test_a_tube_without_heat_passes_nothing() -> None:
    for name, tubes in (("heater winding dead", "V1, V2, V3, V4"), ("series heaters, one out", "V1")):
        report = analyze(ILL_POSED[name]())
        assert max(float(tube.plate_a) for tube in report.tubes) < 1e-9
        assert f"{tubes}: no heater voltage" in words_of(report)
    assert "no heater voltage" not in words_of(analyze(amp("no-transformer")))


def test_a_spread_loses_none_of_the_amps_that_nothing_loads() -> None:
    """A line fitted to what leaks take was steep beyond reason: one amp in four had no answer."""
    result = spread(ILL_POSED["doubler, no load"](), size=200, with_effects=False)
    assert result.lost == ()
    k = next(k for k, probe in enumerate(result.probes) if probe.place[0] == "B1")
    assert result.low[k] < 367.0 < result.high[k]


def test_a_spread_takes_a_thermistor_as_hot_as_the_report_does() -> None:
    ready, report = dc_population(every_kind()), every_kind_solved()
    for node in ("B1", "B2", "B3"):
        assert float(ready.point.volts(node)) == pytest.approx(report.node(node).dc_v, abs=0.01)


def test_variants_without_an_answer_are_named_by_their_values() -> None:
    amps = with_feedback("22k", reversed_phase=True).changed({"R27": ["22k", "100M"]})
    named = "1 of 2 variants (R27 22 kΩ)"
    assert analyze(amps).stability.headline().startswith(f"{named} oscillate")
    for ask in (hum, signal_path):
        with pytest.warns(BatchWarning, match=re.escape(named)):
            result = ask(amps)
        assert named in result.headline()
        assert not UNREADABLE.search(str(result))


def test_a_starved_screen_idles_where_every_start_ends() -> None:
    """Newton on all nodes, with the tubes pulled out or hard on at first: one idle point."""
    report = analyze(starved_screen())
    point = report.solved.state.operating_point
    screen = point.network.port_names.index(("V1", "screen"))
    result = set()
    for start in (None, np.zeros_like(point.port_volts)):
        reached = solve_network(point.network, point.feed, start)
        kept = solve_network(point.network, point.feed, reached.unknowns, path="full")
        assert kept.convergence.converged.all()
        result.add(round(float(kept.port_volts[0, screen])))
    assert result == {round(float(report.tube("V1").screen_v))}
