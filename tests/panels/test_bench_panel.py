"""The bench panel against judge, suspects and predict_readings called directly."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from tubekit import load_amp
from tubekit.bench.fault_prediction import predict_readings
from tubekit.bench.places import electrodes, part_measured, probe_of
from tubekit.bench.readings import load_readings
from tubekit.bench.suspects import suspects
from tubekit.decisions.judge import judge
from tubekit.errors import ChangeError, ReadingError
from tubekit.panels import bench
from tubekit.panels.background import BackgroundTask
from tubekit.panels.bench_panel import BenchPanel
from tubekit.panels.bench_sheet import Row, Sheet, check, place_options, settled
from tubekit.plots.spread_bands import EDGE

LISTS = Path(__file__).resolve().parents[2] / "notebooks" / "readings"
HOT = LISTS / "teasel-runs-hot.csv"


@pytest.fixture(scope="module")
def shared() -> BenchPanel:
    """A panel whose book of faults is solved once; tests begin with `reset`."""
    panel = bench(readings=HOT)
    panel.which_part()
    return panel


@pytest.fixture
def panel(shared: BenchPanel) -> BenchPanel:
    shared.reset()
    return shared


# ---- what is seen is what the package says


def test_verdicts_are_those_of_judge(panel):
    wanted = judge(load_readings(HOT, load_amp("teasel")))
    assert [v.word for v in panel.verdicts.verdicts] == [v.word for v in wanted.verdicts]
    for mine, alone in zip(panel.verdicts.verdicts, wanted.verdicts, strict=True):
        assert_allclose([mine.low, mine.high], [alone.low, alone.high], atol=0.04 * (alone.high - alone.low))
        assert mine.unloaded == pytest.approx(alone.unloaded)
    lines = {
        row.place: line.word.value for row, line in zip(panel.sheet.rows, panel.lines.lines, strict=True)
    }
    assert "OUT OF RANGE" in lines["k34"]
    assert "fine" in lines["B1"]
    wrong = sum(v.word == "out of range" for v in wanted.verdicts)
    assert wrong > 0
    assert f"{wrong} out of range" in panel.told.value


def test_marks_stand_where_the_readings_lie(panel):
    view = panel.figure.view
    rows = {row.name: (k, row) for k, row in enumerate(view.rows)}
    for verdict in panel.verdicts.verdicts:
        k, row = rows[verdict.reading.probe.place[0]]
        half = row.high - row.typical if verdict.unloaded >= row.typical else row.typical - row.low
        at = (verdict.unloaded - verdict.typical) / half
        assert view.marks[k].get_xdata()[0] == pytest.approx(max(-EDGE, min(EDGE, at)), abs=1e-6)
        assert (view.marks[k].get_marker() in "<>") == (abs(at) > EDGE)
        assert verdict.reading.describe() in view.words[k].get_text()
        assert ("OUT" in view.words[k].get_text()) == (verdict.word == "out of range")


def test_suspects_are_those_of_suspects_and_a_new_reading_is_weighed_at_once(panel):
    wanted = suspects(panel.checked.readings, book=panel.accused.accused.found.book)
    assert panel.suspects.parts == wanted.parts
    assert wanted.suspects[0].words in panel.accused.told.value
    assert ("Looks the same as" in panel.accused.told.value) == any(one.alike for one in wanted.suspects[:5])
    assert "Measure next" in panel.accused.next.value
    assert "one hand" in panel.accused.next.value  # the caution stands where the hand would go
    book = panel.suspects.book
    panel.put("g3", "18.88")  # the reading that was asked for
    assert panel.suspects.book is book  # nothing was solved again
    assert panel.suspects.parts[0] == "C11"  # the part that was made faulty
    assert "C11 leaky" in panel.accused.told.value


def test_the_next_reading_is_added_by_its_button(panel):
    button = panel.accused.adds.children[0]
    assert button.description == "Add g3"
    button.click()
    assert panel.sheet.rows[-1] == Row("g3")
    assert panel.lines.details.where.value == "g3"


def test_a_healthy_list_accuses_nobody():
    panel = bench(readings=LISTS / "fescue-after-service.csv")
    assert panel.amp.name == "fescue"
    found = panel.which_part()
    assert found.parts == ()
    assert "No part is suspected" in panel.accused.told.value
    assert {v.word for v in panel.verdicts.verdicts} <= {"fine", "within meter accuracy"}


def test_the_lost_gain_is_found_by_its_signals():
    panel = bench(readings=LISTS / "burdock-lost-gain.csv")
    assert panel.tone.layout.display == ""
    found = panel.which_part()
    assert found.parts[0] == "C5"
    direct = tuple(r for r in panel.checked.readings.readings if r.probe.quantity == "dc_v")
    alone = suspects(replace(panel.checked.readings, readings=direct), book=found.book)
    assert alone.parts == ()  # direct voltages alone do not show an open bypass


def test_another_mains_asks_for_a_new_book(panel):
    assert panel.suspects is not None
    panel.meter.fields["mains"].value = "119 V"
    assert float(panel.checked.readings.amp.mains_rms) == 119.0
    assert panel.suspects is None
    assert "Press the button again" in panel.accused.said.value
    assert not panel.accused.button.disabled
    panel.undo()
    assert panel.suspects is not None


def test_a_fault_shows_its_readings(panel):
    found = panel.fault("C11 leaky", 2)
    probes = tuple(panel.checked.probes.values())
    meters = [r.meter.input_ohms for r in panel.checked.readings.readings]
    wanted = predict_readings(panel.checked.readings.amp, "C11 leaky", probes, grade=2, meter_ohms=meters)
    assert_allclose(found.faulty, wanted.faulty)
    rows = {row.name: row.predicted for row in panel.figure.view.rows}
    k = [str(p) for p in probes].index("DC volts at k34")
    assert rows["k34"] == pytest.approx(wanted.free[k])
    assert wanted.headline() in panel.faults.told.value
    with pytest.raises(ChangeError, match=r"no such fault.*Near: C11 leaky"):
        panel.fault("C11 leeky")
    panel.fault("")
    assert panel.figure.view.rows[0].predicted is None


def test_a_fault_is_chosen_by_hand(panel):
    panel.faults.part.value = "R14"
    assert panel.faults.mode.value == ("R14 open", 0)
    assert panel.prediction.fault.words == "R14 open"
    panel.faults.mode.value = ("R14 drifted up", 2)
    assert panel.prediction.severity == "2.5 times its value"
    panel.faults.part.value = ""
    assert panel.prediction is None
    assert panel.faults.mode.layout.display == "none"


def test_a_blown_fuse_is_said(panel):
    panel.fault("C14 shorted")
    assert "opens F1" in panel.faults.told.value


# ---- typing


def test_values_are_taken_as_they_are_written(panel):
    k = panel.row("p1a")
    panel.lines.lines[k].entry.value = "0.1325k"
    reading = panel.checked.readings.readings[panel.checked.owners.index(k)]
    assert reading.value == pytest.approx(132.5)
    panel.undo()
    assert panel.lines.lines[k].entry.value == "132.5"
    panel.redo()
    assert panel.lines.lines[k].entry.value == "0.1325k"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("14O", "14O"),
        ("20 kV", "more than this amp has anywhere"),
        ("-140", "negative"),
        ("140 ohm", "140 ohm"),
    ],
)
def test_what_cannot_be_stands_beside_its_row(panel, value, words):
    k, before = panel.row("p1a"), len(panel.checked.readings.readings)
    panel.put("p1a", value)
    assert words in panel.checked.complaints[k]
    assert "line" not in panel.checked.complaints[k].lower()
    assert words.split()[0] in panel.lines.lines[k].complaint.value
    assert panel.lines.lines[k].complaint.layout.display == ""
    assert len(panel.checked.readings.readings) == before - 1  # the others are judged
    assert "1 row is not used" in panel.told.value


def test_a_slip_of_milli_is_asked_about(panel):
    k = panel.row("k34")
    panel.put("k34", "24.84 mV")
    assert "a thousandth of the expected value. Is it V?" in panel.checked.notes[k]
    assert "V?" in panel.lines.lines[k].complaint.value


def test_rows_are_found_by_codes_whatever_the_words(amp, reworded):
    """A slip of each kind: no place, twice, no tone, a prefix, a measured part, a tone that cannot be."""
    lists = [
        Sheet((Row("k34", value="18.4"), Row("p1a", value="14O"), Row("nowhere", value="3"))),
        Sheet((Row("k34", value="18.4"), Row("p1a", value="143"), Row("k34", value="18.5"))),
        Sheet((Row("k34", value="18.4"), Row("p1a", quantity="signal", value="0.3 V"))),
        Sheet((Row("k34", value="24.84 mV"), Row("B1", value="-300"), Row("p1a", value="143"))),
        Sheet((Row("R14", quantity="resistance", value="1 M"), Row("k34", value="18.4"))),
        Sheet((Row("J1", quantity="tone level", value="loud"), Row("k34", value="18.4"))),
    ]  # fmt: skip

    def found():
        checks = [check(sheet, amp) for sheet in lists]
        return [(sorted(c.complaints, key=str), sorted(c.notes), c.owners) for c in checks]

    as_worded = found()
    assert [bool(one[0]) for one in as_worded] == [True] * 6
    reworded()
    assert found() == as_worded


def test_an_unknown_place_lists_near_ones_and_the_same_place_twice_is_told(panel):
    panel.take(panel.sheet.added(Row("k35", value="18")))
    last = len(panel.sheet.rows) - 1
    assert "Did you mean R35, k34?" in panel.checked.complaints[last]
    assert "k34" in panel.checked.complaints[last]
    panel.take(panel.sheet.with_row(last, place="k34"))
    assert "already in the list (24.84)" in panel.checked.complaints[last]
    panel.take(panel.sheet.with_row(last, value=""))  # and before anything is read there
    assert "already in the list" in panel.checked.complaints[last]


def test_a_signal_without_a_tone_says_what_to_choose(panel):
    panel.take(panel.sheet.added(Row("p1a", "signal", "0.3 V")))
    assert "needs a test tone" in panel.checked.complaints[len(panel.sheet.rows) - 1]
    assert panel.tone.layout.display == ""
    panel.tone.fields["jack"].value = "J1"
    panel.tone.fields["level"].value = "10 mV"
    assert not panel.checked.complaints
    panel.tone.fields["level"].value = "ten"
    assert "ten" in panel.tone.complaint.value


def test_a_wrong_meter_is_told_beside_the_rows(panel):
    panel.meter.fields["accuracy"].value = "90 %"
    assert not panel.checked.complaints  # every row here carries its own
    panel.take(Sheet((Row("k34", value="18"),), accuracy="90 %"))
    assert "No meter" in panel.checked.complaints[0]
    panel.take(Sheet((Row("k34", value="18"),), mains="a lot"))
    assert panel.meter.complaint.layout.display == ""


def test_electrodes_and_test_points_are_places(amp):
    assert settled(amp, "V3 screen · s3", "DC volts") == "s3"
    assert settled(amp, "v1A Plate", "DC volts") == "p1a"
    assert settled(amp, "V3 screen", "current") == "V3 screen"
    offered = place_options(amp)
    assert {"V1a plate · p1a", "B1"} <= set(offered)
    assert any(words.startswith("TP1 ") for words in offered)
    assert any(words.startswith("R14 ") for words in offered)
    for words in offered:  # every place offered can be read, by one quantity at least
        place = settled(amp, words, "DC volts")
        by_itself = any(part_measured(amp, place, code) for code in ("ohms", "farads", "emission"))
        assert by_itself or probe_of(amp, place, "dc_v", "", ""), words
    assert len(set(electrodes(amp))) == len(electrodes(amp))


def test_rows_come_and_go(panel):
    count = len(panel.sheet.rows)
    panel.add.click()
    assert len(panel.sheet.rows) == count + 1
    panel.lines.details.where.value = "V2a cathode · k2a"
    assert panel.sheet.rows[-1].place == "k2a"
    panel.lines.details.quantity.value = "ripple p-p"
    panel.lines.details.texts["note"].value = "with the cover on"
    assert panel.sheet.rows[-1] == Row("k2a", "ripple p-p", note="with the cover on")
    panel.lines.details.remove.click()
    assert len(panel.sheet.rows) == count
    panel.undo()
    assert panel.sheet.rows[-1].note == "with the cover on"
    panel.reset()
    assert panel.sheet == panel.first


def test_a_part_measured_by_itself_overrides_the_drawing(panel):
    panel.put("R14", "301", "resistance")
    assert panel.checked.readings.amp.parts["R14"].ohms == 301.0
    assert "R14 is 11 % high" in panel.told.value
    assert panel.suspects is None  # another amp to solve


# ---- work done aside


def test_slow_work_goes_on_aside_and_only_the_last_counts():
    told: list[object] = []

    async def moves() -> None:
        aside = BackgroundTask()

        def work(name):
            def run(progress):
                for step in range(20):
                    progress(step, 20)
                return name

            return run

        aside(work("first"), told.append)
        aside(work("second"), told.append, progress=lambda step, of: told.append((step, of)))
        while aside.busy:  # noqa: ASYNC110 - no event tells of it
            await asyncio.sleep(0.01)

    asyncio.run(moves())
    assert told[-1] == "second"
    assert "first" not in told
    assert (19, 20) in told


def test_an_error_aside_is_handed_on():
    def fails(progress):
        raise ReadingError("too few")

    with pytest.raises(ReadingError, match="too few"):
        BackgroundTask()(fails, print)
    told: list[str] = []
    BackgroundTask()(fails, print, lambda error: told.append(str(error)))
    assert told == ["too few."]


def test_the_question_is_answered_aside_with_progress(shared):
    shared.reset()

    async def asks() -> None:
        box = shared.accused
        box.forget()
        box.accused.found = None  # as if it had never been asked
        box.follow(shared.checked)
        assert "a few seconds" in box.said.value
        box.button.click()
        assert box.progress.layout.display == ""
        assert box.task.busy
        while box.task.busy:  # noqa: ASYNC110 - no event tells of it
            await asyncio.sleep(0.02)
        assert box.progress.layout.display == "none"

    asyncio.run(asks())
    assert shared.accused.progress.max > 1
    assert "most likely" in shared.accused.told.value
