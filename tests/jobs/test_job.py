"""A job as a technician keeps it, through the command."""

from __future__ import annotations

import json
import shutil

import pytest

from tests.amps import amp
from tubekit.cli import main
from tubekit.decisions.judge import Judgement
from tubekit.errors import ReadingError
from tubekit.files import data_file
from tubekit.jobs import actions
from tubekit.jobs.job import STOP, open_job
from tubekit.jobs.journal import JobError, append, copy_until
from tubekit.jobs.owner import sentences
from tubekit.jobs.visits import hand_back
from tubekit.jobs.words import rows_typed


@pytest.fixture
def unjudged(monkeypatch):
    """Readings are entered without the second it takes to judge them."""
    monkeypatch.setattr(actions, "judge", lambda readings: Judgement(readings, (), (), (), None))


@pytest.fixture
def job(tmp_path, capsys):
    """A job on the demo amp, and what answers a command about it."""
    folder = tmp_path / "job"

    def said(do: str, *words: str, code: int = 0) -> str:
        assert main(["job", do, str(folder), *words]) == code
        out = capsys.readouterr()
        text = out.out if code == 0 else out.err
        assert len(text.splitlines()) <= 25
        assert max(map(len, out.out.splitlines()), default=0) <= 100
        return " ".join(text.split())

    said.folder = folder
    said("new", "teasel", "--by", "R. Vale", "--owner", "M. Hollin", "--complaint", "runs hot")
    return said


def test_readings_are_judged_as_they_are_entered(job):
    text = job("read", "line=121", "B1=345.6", "V3.k=24.84", "V3=45mA")
    assert "1 of 3 out of range" in text or "2 of 3 out of range" in text
    assert "V3, V4 too hot: switch off until the cause is found." in text
    assert "names the part" in text
    assert open_job(job.folder).line_v == 121
    result = open_job(job.folder).readings()
    assert [str(each.probe) for each in result.readings] == [
        "DC volts at B1", "DC volts at k34", "cathode current of V3",
    ]  # fmt: skip
    # the same place again, by its other name: the later one holds
    job("read", "k34=18.7")
    assert [each.value for each in open_job(job.folder).readings().readings] == [345.6, 18.7, 0.045]


def test_what_is_fitted_makes_another_amp_and_readings_begin_again(job, unjudged):
    job("read", "line=121", "k34=24.84", "R14=281", "C13=19u")
    job("decide", "R14=330", "runs hot")
    job("decide", "R5=keep", "within 10 %")
    job("fit", "R14", "--hours", "1.5")
    now = open_job(job.folder)
    assert now.amp.parts["R14"].ohms == 330
    assert now.amp.mains_rms == 121
    assert now.state == "after R14"
    # the value of the old R14 is gone with it; that of C13 still holds
    assert [row["place"] for row in now.rows()] == ["C13"]
    assert now.hours == 1.5
    assert [(each.part, each.state) for each in now.decisions] == [("R14", "installed"), ("R5", "kept")]
    job("decide", "C14=new", "dried out")
    job("fit", "C14.rating=600 V")
    assert open_job(job.folder).decisions[-1].state == "installed"


def test_a_part_renewed_as_drawn_is_bought_fitted_and_named(job, unjudged):
    job("found", "C14=9u")
    job("decide", "C14=new", "dried out")
    assert "C14 electrolytic capacitor" in job("order")
    job("have", "C14")
    assert "nothing needs to be bought" in job("order", code=2)
    assert "C14 electrolytic capacitor 22 µF 500 V" in job("fit", "C14")
    now = open_job(job.folder)
    assert now.amp.parts["C14"].farads == pytest.approx(20e-6)
    assert now.amp_at(2).parts["C14"].farads == pytest.approx(20e-6)  # before it was found so
    assert now.amp_at(3).parts["C14"].farads == pytest.approx(9e-6)


@pytest.mark.parametrize(
    ("text", "do"),
    [
        ("60 W lamp in the line", "Take it out of the line"), ("clip from grid to ground", "Unplug"),
        ("3 A fuse", "shown on the schematic"), ("lifted lead of C12", "solder it back"),
        ("test speaker", "own speaker"), ("cardboard", "Take it off"),
    ],
)  # fmt: skip
def test_hand_back_is_refused_while_something_is_fitted(job, text, do):
    job("temp", text)
    words = job("hand-back", code=2)
    assert text in words
    assert do in words
    assert "job off 2" in words
    assert "1 temporary item to take off before pickup" in job("status")
    job("off", text.split()[-1])
    assert "the next visit has nothing to compare with" in job("hand-back", "--reason", "not repaired")
    assert "already handed back" in job("hand-back", code=2)


DECLINED = "owner declined the repair"


def test_hand_back_names_what_is_not_measured_or_checked_and_what_mends_it(job):
    words = job("hand-back", "collected", code=2)
    for text in ("no readings of the amp as it is now", "first power-up on a variable transformer: not begun",
                 "check before pickup: not begun", "job next up; ", "--reason"):  # fmt: skip
        assert text in words
    assert not open_job(job.folder).handed_back
    done = job("hand-back", "--reason", DECLINED)
    assert f"hand-back: handed back; {DECLINED}; not done: no readings" in done
    page = job("owner")
    assert f"NOT DONE, because {DECLINED}: no readings of the amp as it is now" in page
    assert "How it works now was not measured." in page


@pytest.mark.parametrize(
    ("undo", "missing", "fix"),
    [
        (("fit", "R14=330"), "readings at idle: not begun", "job next idle"),
        (("correct", "LAST idle", "slipped"), "readings at idle: 1 step open", "job next idle"),
        (("correct", "FOUND", "wrong amp"), "no readings as found", ""),
        (("read", "line=131"), "", ""),  # what was checked is not undone by another line voltage
        (("stop",), "the last result of a step is STOP (it smells)", "job next hand-back"),
    ],
)  # fmt: skip
def test_a_job_that_was_checked_is_closed_and_one_that_lacks_something_is_not(
    tmp_path, capsys, unjudged, undo, missing, fix
):
    shipped, folder = data_file("jobs", "teasel-runs-hot"), tmp_path / "job"
    whole = open_job(shipped)
    copy_until(shipped, folder, whole.last - 1)
    say = lambda do, *words: main(["job", do, str(folder), *words])  # noqa: E731
    if undo[0] == "stop":
        last = whole.of_kind("step")[-1]
        append(folder, "step", "R. Vale", {**last.says, "go": STOP, "text": "it smells"})
    elif undo[0] == "correct":
        fitted = whole.of_kind("fit")[0].number
        steps = [each.number for each in whole.of_kind("step") if each["name"] == "idle"]
        found = [each.number for each in whole.of_kind("readings") if each.number < fitted]
        for number in found if undo[1] == "FOUND" else steps[-1:]:
            assert say("correct", str(number), undo[2]) == 0
    else:
        assert say(*undo) == 0
    code = say("hand-back", "collected")
    out = capsys.readouterr()
    assert code == (2 if missing else 0)
    assert missing in out.err
    assert (fix in out.err) if fix else ("Do first" not in out.err)
    if missing:
        assert say("hand-back", "--reason", DECLINED) == 0
        closing = open_job(folder).of_kind("hand-back")[-1]
        assert closing["reason"] == DECLINED
        assert any(missing in each for each in closing["open"])
        assert DECLINED in " ".join(sentences(open_job(folder)))


def test_what_is_put_on_while_another_hands_back_is_seen(job, monkeypatch):
    """The check and the entry are one turn: nothing comes in between."""
    from tubekit.jobs import visits
    from tubekit.jobs.actions import put_on

    opened = visits.open_job

    def later(folder):
        result = opened(folder)
        put_on(folder, "jumper")
        return result

    monkeypatch.setattr(visits, "open_job", later)
    with pytest.raises(JobError, match="jumper"):
        hand_back(job.folder)


def test_a_correction_withdraws_an_entry_and_keeps_it(job, unjudged):
    job("read", "k34=29")
    job("correct", "2", "typed 29, the meter said 18.9")
    job("read", "k34=18.9")
    now = open_job(job.folder)
    assert [each.value for each in now.readings().readings] == [18.9]
    assert len(now.journal.entries) == 4
    assert "entry 2 withdrawn" in job("status")
    assert "this entry cannot be withdrawn" in job("correct", "1", "no", code=2)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("read", "k35=18"), "is called 'k35'"), (("read",), "nothing was read"),
        (("read", "V3=34"), "volts or current"), (("read", "k34=-18"), "leads were swapped"),
        (("read", "hot"), "is not a reading"), (("decide", "R14=330"), "a part and a reason"),
        (("decide", "R99=330", "x"), "R99"), (("fit", "R14"), "nothing was decided"),
        (("have", "R14"), "nothing was decided"), (("off", "lamp"), "no temporary item"),
        (("temp",), "nothing to enter"), (("note",), "nothing to note"),
        (("order",), "nothing needs to be bought"), (("compare",), "no last visit"),
        (("photo", "no.jpg"), "cannot be read"), (("reed", "k34=1"), "read"),
    ],
)  # fmt: skip
def test_refusals_name_the_fix_and_enter_nothing(job, unjudged, words, text):
    before = (job.folder / "job.toml").read_bytes()
    assert text in job(*words, code=2)
    assert (job.folder / "job.toml").read_bytes() == before


def test_the_folder_can_be_left_out_where_the_terminal_is_in_it(job, monkeypatch, capsys):
    monkeypatch.chdir(job.folder)
    assert main(["job", "note", "solder joint of C12 = dull"]) == 0
    assert main(["job", "status", "--json"]) == 0
    entries = json.loads(capsys.readouterr().out.split("dull.")[1])["entries"]
    assert entries[-1]["text"] == "solder joint of C12 = dull"
    assert entries[-1]["by"] == "R. Vale"


def test_the_next_visit_is_compared_with_the_readings_it_left_with(job, unjudged, tmp_path, capsys):
    job("read", "line=117", "B1=334", "k34=17.9")
    job("hand-back", "--reason", "only measured")
    again = str(tmp_path / "again")
    assert main(["job", "new", again, "teasel", "--last-visit", str(job.folder)]) == 0
    assert main(["job", "read", again, "line=123", "B1=352", "k34=24.1", "p1a=140"]) == 0
    capsys.readouterr()
    assert main(["job", "compare", again]) == 0
    text = capsys.readouterr().out
    assert "1 of 2 readings have changed" in text  # B1 rose with the line voltage alone
    assert "DC volts at V3, V4 cathode (k34)" in text.split("MOVED")[0].splitlines()[-1]


def test_commands_take_the_folder_for_this_amp_and_say_so(job, unjudged, tmp_path, capsys):
    job("read", "line=121", "B1=345", "B2=303", "k34=17.1", "p3=341")
    assert "this amp (matched to 4 readings on" in job("twin")
    assert main(["swap", str(job.folder), "R14=330", "--json"]) == 0
    assert "this amp (matched to 4 readings" in capsys.readouterr().out
    job("fit", "R14=330")  # the same tubes with another resistor
    now = open_job(job.folder)
    assert now.rows() == []
    assert now.this_amp.title.endswith("), R14 changed since")
    assert (now.this_amp.parts["R14"].ohms, now.good_amp.parts["R14"].ohms) == (330, 330)
    assert now.this_amp.trim == now.twin.amp.trim
    file = amp("teasel").changed({"R14": "300"}).save_as(tmp_path / "chassis.toml")
    job("found", str(file))  # whatever was read before may have been another chassis
    assert open_job(job.folder).this_amp.title.endswith(
        "the amp as drawn (no readings since the last change, 5 before it)"
    )
    assert "too few readings" in job("twin", code=2)


def test_the_next_visit_begins_with_the_amp_as_it_left(job, tmp_path, capsys):
    job("fit", "R14=330")
    again = tmp_path / "again"
    assert main(["job", "new", str(again), "--last-visit", str(job.folder)]) == 0
    assert open_job(again).drawn.parts["R14"].ohms == 330
    assert open_job(again).amp.changes == {}


def test_the_amp_as_found_can_be_an_amp_file(job, tmp_path):
    file = amp("teasel").changed({"R14": "300"}).save_as(tmp_path / "chassis.toml")
    assert "R14 value is 300 Ω; the schematic shows 270 Ω" in job("found", str(file))
    assert open_job(job.folder).amp.parts["R14"].ohms == 300
    assert open_job(job.folder).drawn.parts["R14"].ohms == 270
    assert "already has the amp as found" in job("found", str(file), code=2)


def test_a_photo_is_copied_into_the_job(job, tmp_path):
    file = tmp_path / "a.jpg"
    file.write_bytes(b"not looked at")
    assert "solder side" in job("photo", str(file), "solder side")
    (entry,) = open_job(job.folder).of_kind("photo")
    assert (job.folder / "enclosed" / entry["file"]).read_bytes() == file.read_bytes()


def test_a_job_is_found_again_where_its_folder_was_moved(job, tmp_path):
    job("found", "R14=281")
    moved = tmp_path / "elsewhere"
    shutil.move(job.folder, moved)
    assert open_job(moved).amp.parts["R14"].ohms == 281


def test_words_become_rows_by_their_unit():
    text = ("k34=18V", "V3=34 mA", "p1a=12Vac", "B1=3Vpp", "R14=4R7", "C14=18u", "B1 to B2=43", "R14=2.5V")
    rows = rows_typed(text, amp("teasel"))
    assert [row["quantity"] for row in rows] == [
        "DC volts", "current", "AC volts", "ripple p-p", "resistance", "capacitance", "DC volts", "DC volts",
    ]  # fmt: skip
    assert rows[2]["value"] == "12V"
    with pytest.raises(ReadingError, match="PLACE=VALUE"):
        rows_typed(["hot"], amp("teasel"))


def test_an_amp_stays_off_until_what_was_decided_is_in(job):
    job("read", "line=117", "B1=330", "B2=280", "k34=24", "p3=320", "g3=9")
    assert "Leave it off. Out of range:" in job("next")
    job("decide", "C11=new", "leaks")
    out = job("next")
    assert "Leave it off. C11 is decided but not in: fit it first, then job fit C11. Out of range:" in out
    job("fit", "C11=new")
    assert "Leave it off" not in job("next")


def test_a_lamp_in_the_line_is_said_before_the_sheet_that_has_none(job):
    job("next")
    job("temp", "60 W lamp in the line")
    lamp = open_job(job.folder).lamps[0].number
    said = " ".join(job("next").split())
    assert f"In the line now: 60 W lamp in the line (entry {lamp})." in said
    assert f"take it out first, then job off {lamp}" in said
    job("temp", "pilot lamp of the panel lifted")
    assert [each.number for each in open_job(job.folder).lamps] == [lamp]
