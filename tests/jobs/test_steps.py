"""Sheets of steps: expected values from the solvers, cautions before the step, go on or stop."""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import pytest

from tests.amps import amp, solved
from tubekit.bench.bring_up import bring_up
from tubekit.bench.recordings import recording
from tubekit.cli import main
from tubekit.decisions.judge import Judgement
from tubekit.decisions.probe import Probe
from tubekit.errors import ReadingError
from tubekit.jobs import actions, progress, sheets
from tubekit.jobs.job import STOP, open_job
from tubekit.jobs.journal import JobError
from tubekit.jobs.progress import next_step
from tubekit.jobs.sheets import Missing, sheet, usable
from tubekit.jobs.steps import DONE, GO, LOOK, Step, outcome, recorded, typed
from tubekit.jobs.sweep import _end_to_end, _soak, speaker_steps

CATHODE = Step(
    3, "Meter on V3 cathode", "k34", "DC volts", "V", 5.7, 5.2, 6.2, None, 6.5, 40.0, clip=True
)  # fmt: skip


@cache
def made(name: str, kind: str):
    return sheet(amp(name), kind)


def test_a_step_reads_as_it_is_said_at_the_bench():
    text = "Meter on V3 cathode, clipped on with the amp off: 5.70 V within 40 s; stop at 6.50 V or more."
    assert CATHODE.sentence() == text


@pytest.mark.parametrize(
    ("word", "go"),
    [
        ("5.7", GO),
        ("5.7 V", GO),
        ("5,7", GO),
        ("5.7VDC", GO),
        ("5700 mV", GO),
        ("6.3", LOOK),
        ("0.2", LOOK),
        ("6.5", STOP),
        ("no", STOP),
        ("NO, it smells", STOP),
    ],
)
def test_a_typed_value_is_a_word_to_act_on(word, go):
    assert typed(CATHODE, word).go == go


def test_what_is_no_answer_is_refused():
    for step, word in ((CATHODE, "ok"), (CATHODE, "hot"), (CATHODE, "1,200 V"), (Step(1, "Look"), "5.7")):
        with pytest.raises(ReadingError, match=f"step {step.number}"):
            typed(step, word)
    assert typed(Step(1, "Look"), "ok").go == DONE
    bias = Step(1, "bias", unit="V", expect=-52.0, low=-55.0, high=-49.0, stop_high=-47.0)
    with pytest.raises(ReadingError, match="Check the leads"):
        typed(bias, "52")
    assert bias.sentence().endswith("-47.0 V or closer to 0 V.")


def test_limits_below_stop_as_well():
    bias = Step(1, "bias", unit="V", expect=-52.0, low=-55.0, high=-49.0, stop_high=-47.0)
    assert [outcome(bias, volts).go for volts in (-52.0, -48.0, -40.0)] == [GO, LOOK, STOP]
    rail = Step(1, "B+", unit="V", expect=335.0, low=327.0, high=344.0, stop_low=285.0)
    assert outcome(rail, 280.0).go == STOP


@pytest.mark.parametrize(
    ("values", "go", "why"),
    [
        ([0, 2, 5, 5.7, 5.7, 5.7], GO, "5.70 V"), ([0, 5, 7, 6, 5.7, 5.7], STOP, "passed after 20 s"),
        ([0, 1, 2, 2, 2, 2], LOOK, "low side"),
    ],
)  # fmt: skip
def test_a_recording_is_judged_by_its_worst_moment_and_its_end(tmp_path, values, go, why):
    file = tmp_path / "meter.csv"
    file.write_text("s,V\n" + "".join(f"{10 * k},{v}\n" for k, v in enumerate(values)), encoding="utf-8")
    result = recorded(CATHODE, str(file))
    assert (result.go, why in result.why) == (go, True)
    file.write_text("s,V\n0,1\n5,2\n", encoding="utf-8")
    assert "wait 40 s" in recorded(CATHODE, str(file)).why
    file.write_text("hello\nthere\n", encoding="utf-8")
    with pytest.raises(ReadingError, match="not a recording"):
        recorded(CATHODE, str(file))


@pytest.mark.parametrize(
    "text",
    [
        "s,V\n0,1.5\n5,2.5\n", "Time (s);Volt (V)\n0,0;1,5\n5,0;2,5\n", "0\t1,5\n5\t2,5\n",
        "Elapsed Time\tReading\tUnit\n0\t1500\tmV DC\n5\t2500\tmV DC\n", "sep=;\nt;V\n0;1,5\n5;2,5\n",
        "Model: 7\n\nNo.,Date,Time,Value,Unit\n1,2026-12-02,23:59:58,1.5,V\n2,2026-12-03,00:00:03,2.5,V\n",
        "Timestamp,DC Voltage [mV]\n2026-12-02 13:00:00.0,1500\n2026-12-02 13:00:05.0,2500\n",
        "time (ms),volts\n0,1.5\n2000,OL\n5000,2.5\n", '"t","V"\n"0,0","1,5"\n"5,0","2500 mV"\n',
    ],
)  # fmt: skip
def test_recordings_of_any_logger_are_read(tmp_path, text):
    file = tmp_path / "log.csv"
    file.write_text(text, encoding="utf-8-sig")
    assert [column.tolist() for column in recording(str(file), "V")] == [[0.0, 5.0], [1.5, 2.5]]
    file.write_text("t,V\n0,0,1,5\n5,0,2,5\n", encoding="utf-8")
    with pytest.raises(ReadingError, match="not a recording"):
        recording(str(file), "V")


def test_bring_up_has_the_figures_of_the_procedure_and_line_current_before_volts():
    result, steps = bring_up(amp("teasel")), made("teasel", "up").steps
    currents = [step for step in steps if step.place == "line current"]
    assert [step.expect for step in currents] == [one.mains_a for one in result.steps]
    assert [step.by_s for step in currents] == [one.wait_s for one in result.steps]
    assert currents[-1].stop_high == pytest.approx(1.3 * result.steps[-1].mains_a)
    rail = [step for step in steps if step.place == "B1"]
    assert [step.expect for step in rail] == [one.volts[0] for one in result.steps]
    assert all(step.expect < step.high < step.stop_high <= 475.0 for step in rail)  # C14 is rated 475 V
    for place in ("B1", "k34"):  # a reading that is right at full line voltage stops the steps far below it
        of = [step for step in steps if step.place == place]
        assert all(step.stop_high < of[-1].expect for step in of[:2])
    assert steps[0].do.startswith("Set 29 V")
    assert steps[1].place == "line current"


def test_idle_values_are_those_of_the_solved_amp_with_the_time_they_take():
    steps = {step.place: step for step in made("teasel", "idle").steps}
    report = solved("teasel")
    for node in ("B1", "k34", "B4", "p1a"):
        assert steps[node].expect == pytest.approx(float(report.node(node).dc_v), rel=0.03)
        assert steps[node].low < steps[node].expect < steps[node].high
    assert steps["k34"].stop_high == pytest.approx(1.15 * steps["k34"].expect)
    assert 10.0 <= steps["k34"].by_s <= 30.0  # indirectly heated output tubes take some 20 s
    assert steps["p1a"].stop_high is None  # nothing burns there


@pytest.mark.slow
def test_a_fixed_bias_is_read_first_and_its_caution_comes_before_it():
    steps = made("fixed-bias-head", "idle").steps
    assert [step.place for step in steps[:2]] == ["mains", "g4"]
    assert steps[1].sentence().startswith("Read the bias first. With too little bias")
    assert steps[1].stop_high == pytest.approx(0.9 * steps[1].expect)
    assert any(step.place == "B1 to p4" for step in steps)  # the cathodes are grounded


@pytest.mark.slow
@pytest.mark.parametrize("name", ["teasel", "fixed-bias-head", "burdock"])
def test_a_stop_limit_is_outside_every_normal_range_of_its_place_and_state(name, monkeypatch):
    """Between sheets too: the range that one gives at idle holds on all of them."""
    monkeypatch.setattr(sheets, "_reached", lambda *_: 0.0)
    monkeypatch.setattr(sheets, "warming_up", lambda *_, **__: None)
    made = {kind: usable(amp(name), kind) for kind in ("up", "lamp", "idle", "drive")}
    steps = {kind: each.steps for kind, each in made.items() if not isinstance(each, Missing)}
    steps["hand-back"] = tuple(_soak(amp(name)))
    normal = {step.place: step for step in steps["idle"] if step.measures}
    for kind, every in steps.items():
        full = max(k for k, step in enumerate(every) if step.measures or not step.place)
        last = {step.place: step.number for step in every[: full + 1]}
        for step in (each for each in every if each.measures):
            node = step.place.partition(" ")[0]
            at_idle = kind in ("idle", "drive", "hand-back") and "under" not in step.place
            same = [step]
            if node in normal and (at_idle or (kind == "up" and step.number == last[step.place])):
                same.append(normal[node if " to " not in step.place else step.place])
            for other in same:
                assert step.stop_high is None or other.high < step.stop_high, (kind, step)
                assert step.stop_low is None or step.stop_low < other.low, (kind, step)
            assert step.low <= step.expect <= step.high, (kind, step)


def test_a_line_current_is_stopped_at_where_a_good_amp_is(monkeypatch):
    """A hot amp draws more; its stop limit is not wider for that."""
    hot = amp("teasel").changed({"R14": "100"})
    (now, *_), (good, *_) = (
        [each for each in one.steps if each.place == "line current"][::-1]
        for one in (sheet(hot, "up", amp("teasel")), made("teasel", "up"))
    )
    assert now.expect > 1.05 * good.expect
    assert now.stop_high <= 1.01 * good.stop_high


@pytest.mark.slow
@pytest.mark.parametrize("name", ["fescue", "vetch"])
def test_hum_and_drive_have_the_figures_of_their_procedures(name):
    from tubekit.bench.procedures import current_under_drive, hum_procedure

    tubes = current_under_drive(amp(name)).result
    driven = [step for step in made(name, "drive").steps if step.do.startswith("Same signal")]
    assert driven[0].expect == pytest.approx(tubes[0].driven_k_v, rel=1e-6)
    if name == "fescue":
        null = next(step for step in made(name, "hum").steps if step.place == "hum null")
        assert f"{100 * hum_procedure(amp(name)).result['null']:.0f} %" in null.do


def test_the_sweep_has_every_jack_and_control():
    steps = made("teasel", "hand-back").steps
    text = "\n".join(step.do for step in steps)
    for words in (
        "into J1",
        "into J2",
        "R31 (volume)",
        "R32 (bass)",
        "R33 (treble)",
        "S1",
        "Soak",
        "LS1: 20 W",
    ):
        assert words in text
    hum, quiet = (next(s for s in steps if s.place == place) for place in ("hum, full volume", "J1 noise"))
    assert hum.expect > 1e-3
    assert np.isfinite(quiet.expect)


def test_a_control_is_tried_from_the_jack_that_it_acts_on():
    """The second volume of this amp changes nothing for a tone in the first jack."""
    moved, _ = _end_to_end(amp("fescue"), "R52")
    assert moved.max() > 60.0


def test_a_speaker_too_weak_for_the_amp_is_a_caution():
    """Enough for the 5 W at 5 % distortion, less than the 8 W of a sine at full drive."""
    (step,) = speaker_steps(amp("teasel").changed({"LS1.rating": "6 W"}))
    assert "LESS THAN" in step.do
    assert step.sentence().startswith("Do not hand it back on this speaker")


@pytest.mark.parametrize("kind", ["up", "idle"])
def test_a_capacitor_rated_too_low_is_a_caution_and_no_stop_below_what_is_expected(kind):
    """The drawn one of this amp is rated 150 V and gets 163 V."""
    steps = [step for step in made("no-transformer", kind).steps if step.place == "B1"]
    assert all(step.stop_high > step.expect for step in steps)
    assert "rated 150 V only" in steps[-1].sentence()


@pytest.mark.parametrize("kind", ["up", "idle", "hum", "hand-back"])
def test_a_live_chassis_is_never_grounded(kind):
    before = " ".join(made("no-transformer", kind).before)
    assert "isolation transformer" in before
    assert "Check that the chassis is grounded" not in before


def test_a_sheet_that_an_amp_has_no_use_for_says_why():
    deaf = amp("teasel").changed({"LS1": "removed"})
    result = usable(deaf, "hum")
    assert isinstance(result, Missing)
    assert result.why


@lru_cache
def once(name: str, changes: tuple, line: float):
    return usable(amp("teasel").changed(dict(changes), mains_rms=line), name)


@pytest.fixture
def job(tmp_path, capsys, monkeypatch):
    """A job on the demo amp; each of its sheets is calculated once for all tests."""
    monkeypatch.setattr(
        progress,
        "usable",
        lambda now, name, *_fitted: once(
            name, tuple((k, v) for k, (_, v) in now.changes.items() if k != "mains"), now.mains_rms
        ),
    )
    folder = tmp_path / "job"
    assert main(["job", "new", str(folder), "teasel", "--by", "R. Vale"]) == 0
    capsys.readouterr()
    return folder


def test_values_typed_one_after_the_other_enter_the_job(job):
    first = next_step(job)
    assert first.step.number == 1
    done = next_step(job, ["ok", "90mA", "15", "0.01", "ok"])
    assert [result.go for _, result, _ in done.results] == [DONE, GO, GO, GO, DONE]
    assert done.step.number == 6
    assert len(open_job(job).of_kind("sheet")) == 1  # made once, before the power was on
    stop = next_step(job, ["0.9A", "141"])
    assert [result.go for _, result, _ in stop.results] == [STOP]  # the second value is not taken
    assert "a short on B+" in stop.headline()
    assert main(["job", "hand-back", str(job)]) == 2
    assert next_step(job, ["165mA"]).step.number == 7
    assert open_job(job).stopped == []


def test_a_value_can_be_typed_with_its_place(job):
    done = next_step(job, ["k34", "17,9", "B1=334", "V", "line=117"], sheet="idle")
    assert [(step.place, result.value) for step, result, _ in done.results] == [
        ("k34", 17.9), ("B1", 334.0), ("mains", 117.0),
    ]  # fmt: skip
    assert next_step(job, ["V3 k 17.9"], sheet="idle").results[0][0].place == "k34"
    with pytest.raises(JobError, match="no step of this sheet"):
        next_step(job, ["V9", "k", "3"], sheet="idle")


def test_cautions_come_first_where_the_line_was_read_before(job):
    main(["job", "read", str(job), "line=117"])
    assert next_step(job, sheet="idle").step.place == "B1"
    assert "BEFORE YOU START" in str(next_step(job, sheet="idle"))
    assert "BEFORE YOU START" not in str(next_step(job, ["334"], sheet="idle"))


def test_sheets_are_about_the_amp_as_its_readings_have_it(job, monkeypatch):
    monkeypatch.setattr(actions, "judge", lambda readings: Judgement(readings, (), (), (), None))
    assert "the amp as drawn (no readings yet)" in open_job(job).this_amp.title
    main(["job", "read", str(job), "line=117", "B1=334", "k34=19.5", "p3=329", "p1a=140"])
    seen = []
    monkeypatch.setattr(progress, "usable", lambda *given: seen.append(given) or Missing("hum", "none"))
    with pytest.raises(JobError, match="none"):
        next_step(job, sheet="hum")
    ((this, _, good, ranges),) = seen
    assert "this amp (matched to 4 readings on" in this.title
    assert good.parts["R14"].ohms == 270
    low, middle, high = (float(each[0]) for each in ranges([Probe("dc_v", ("k34", "ground"))]))
    assert low < 19.5 < high
    assert middle > 19.0
    assert high - low < 1.0  # good amps: 2.7 V


def test_a_line_voltage_to_stop_at_is_not_calculated_with(job):
    assert next_step(job, ["346"], sheet="idle").stopped
    assert open_job(job).line_v is None
    assert next_step(job, ["117"], sheet="idle").step.place == "B1"


def test_a_stop_at_idle_names_parts_and_the_reading_that_shows_which(job):
    done = next_step(job, ["121", "345", "24.8"], sheet="idle")
    # the line voltage that was read made the sheet again
    assert done.sheet.line_v == 121
    assert [step.number for step, _, _ in done.results] == [1, 2, 3]
    assert done.results[1][0].expect == pytest.approx(347, abs=1.5)
    assert done.stopped
    assert "Likely cause:" in done.headline()
    assert any(part in done.headline() for part in ("C11", "C12", "R14", "R15", "R16", "R17", "R18"))
    assert "g3" in done.then or "g4" in done.then
    (entry,) = [each for each in open_job(job).of_kind("step") if each["go"] == STOP]
    assert entry["likely"]


def test_a_list_of_readings_fills_all_steps_it_has_places_of(job, root):
    file = root / "notebooks" / "readings" / "teasel-runs-hot.csv"
    done = next_step(job, sheet="idle", file=str(file))
    by_place = {step.place: result.go for step, result, _ in done.results}
    assert by_place["mains"] == GO
    assert by_place["k34"] == STOP


def test_a_lamp_takes_the_place_of_the_variable_transformer(job):
    lamp = next_step(job, ["ok"], sheet="lamp")
    assert lamp.sheet.steps[0].do.startswith("Lamp 40 W in the line")
    assert lamp.sheet.steps[1].expect == pytest.approx(
        bring_up(amp("teasel"), in_series=True).steps[0].mains_a
    )
    assert next_step(job).sheet.name == "lamp"  # goes on, without being named again


def test_a_recording_is_enclosed(job, tmp_path):
    file = tmp_path / "b-plus.csv"
    file.write_text("s,A\n0,0.2\n50,0.086\n100,0.085\n", encoding="utf-8")
    done = next_step(job, ["ok"], sheet="up")
    done = next_step(job, file=str(file))
    assert [outcome.go for _, outcome, _ in done.results] == [STOP]  # 0.2 A is above the limit from the start
    (entry,) = [each for each in open_job(job).of_kind("step") if each["go"] == STOP]
    assert (job / "enclosed" / entry["file"]).read_bytes() == file.read_bytes()


def test_after_a_change_every_sheet_begins_again(job):
    next_step(job, ["ok"])
    assert main(["job", "fit", str(job), "R14=330"]) == 0
    again = next_step(job)
    assert again.step.number == 1
    assert again.sheet.amp.parts["R14"].ohms == 330
