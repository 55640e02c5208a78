"""Suspects agree with verdicts, and every hypothesis is weighed by what it predicts itself."""

from __future__ import annotations

from functools import lru_cache
from importlib import import_module

import numpy as np
import pytest

from tubekit import load_amp
from tubekit.amp import amp_from_text
from tubekit.bench.fault_prediction import predict_readings
from tubekit.bench.fault_table import fault_table
from tubekit.bench.next_reading import tube_readings
from tubekit.bench.suspects import suspects
from tubekit.decisions.judge import good_bands, judge
from tubekit.decisions.probe import Probe
from tubekit.decisions.reading import Reading, taken

AT_CONTROL = Probe("dc_v", ("volume_in", "ground"))


@lru_cache(maxsize=2)
def book(feed=""):
    """The faults of the smallest amp, a fuse in the feed of its output transformer or of its screen."""
    fuse = '[F2]\nkind = "fuse"\nnodes = ["{}", "fused"]\nrating = "100 mA"\n'
    with_fuse = {
        "": "",
        "plate": fuse.format("B1") + '[T2.primary]\nnodes = ["fused", "p2"]\n',
        "screen": fuse.format("B2") + '[R10]\nnodes = ["fused", "s2"]\n',
    }[feed]
    amp = amp_from_text(f'[amp]\nextends = "vetch"\n{with_fuse}') if feed else load_amp("vetch")
    return fault_table(amp, (*tube_readings(amp), AT_CONTROL))


def read(result, **other):
    """What the typical amp shows, some places otherwise."""
    return taken(result.amp, [
        Reading(probe, float(other.get(probe.place[0], result.seen[0, k])))
        for k, probe in enumerate(result.probes)
    ])  # fmt: skip


@pytest.mark.parametrize("feed", ["plate", "screen"])
def test_a_fuse_in_a_feed_is_not_blown_where_readings_are_healthy(feed):
    """Its rating is for its own current; the line carries more than that."""
    result = suspects(read(book(feed)), book=book(feed))
    assert result.healthy > 0.6
    assert not result.accuses


def test_a_blown_fuse_in_a_feed_is_named():
    one = book("plate")
    row = int(np.flatnonzero(one.owner == [f.words for f in one.faults].index("F2 blown"))[0])
    shown = [Reading(p, float(v)) for p, v in zip(one.probes, one.seen[row], strict=True)]
    result = suspects(taken(one.amp, shown), book=one)
    assert any(s.words in ("F2 blown", "T2 primary open") for s in result.suspects[:1])
    assert "F2" in result.parts


def test_a_control_is_not_accused_of_volts_that_it_cannot_show():
    """Ohm's law: 10 M of leak into the 1 M track and the meter makes some volts, an open track end 0.3 V."""
    one = book()
    own = predict_readings(one.amp, "R31 top end open", [AT_CONTROL])
    assert abs(own.faulty[0]) < 1.0
    result = suspects(read(one, volume_in=8.0), book=one)
    assert result.suspects[0].words == "C2 leaky"
    assert "R31" not in result.parts


@lru_cache(maxsize=1)
def bands():
    return good_bands(read(book()), size=1000)


@pytest.mark.parametrize("share", [0.0, 0.6, 0.9, 1.1, 1.25])
def test_no_reading_is_wrong_for_one_and_good_for_the_other(share):
    one = book()
    volts = share * float(one.seen[0, one.probes.index(Probe("dc_v", ("B1", "ground")))])
    readings = read(one, B1=volts)
    wrong = [
        str(v.reading.probe) for v in judge(readings, bands=bands()).verdicts if v.word == "out of range"
    ]
    result = suspects(readings, book=one, bands=bands())
    assert [str(v.reading.probe) for v in result.wrong] == wrong
    assert result.accuses or not wrong
    assert ("readings are normal" in result.headline()) == (not result.accuses)
    if share == 0.0:
        assert wrong == ["DC volts at B1"]
        assert "Read DC volts at B1 again" in result.headline()


def test_a_low_rail_is_shared_out_where_nothing_is_convicted():
    """Shares add up to the whole; the line is the largest unknown, and known once it was read."""
    one = book()
    names = {p.place[0]: float(v) for p, v in zip(one.probes, one.seen[0], strict=True)}
    low = {node: 0.95 * volts for node, volts in names.items() if node in ("B1", "B2", "B3", "p2", "s2")}
    result = judge(read(one, **low), size=500)
    assert result.shares.probe.place[0] in ("B1", "B2", "B3")
    assert sum(s.amount for s in result.shares.shares) == pytest.approx(result.shares.off, rel=1e-6)
    line = next(s for s in result.shares.shares if s.cause == "line voltage")
    assert result.shares.off < line.amount < 0 < line.sd
    assert "% low: line voltage -" in result.shares.headline()
    stated = taken(one.amp, read(one, **low).readings, mains_rms=float(one.amp.mains_rms))
    known = next(s for s in judge(stated, size=500).shares.shares if s.cause == "line voltage")
    assert abs(known.amount) < 0.01
    assert known.sd < 0.01


def test_a_fault_without_a_solution_is_named_and_not_weighed(monkeypatch):
    room = import_module("tubekit.bench.fault_table")
    monkeypatch.setattr(room.FaultSolver, "_one_rewired", lambda self, fault: None)
    amp = load_amp("vetch")
    one = fault_table(amp, tube_readings(amp))
    assert "S1 contact does not close" in one.lost
    assert len(one.lost) == len({f.words for f in one.faults} - {one.faults[k].words for k in one.owner[1:]})
    assert "could not be calculated and are left out: F1 blown" in str(suspects(read(one), book=one))
