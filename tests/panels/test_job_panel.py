"""The job panel: a touch is an entry of the command's; none is made twice, lost, or for the wrong step."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tubekit.errors import TubekitError
from tubekit.files import data_file
from tubekit.jobs import actions, open_job
from tubekit.jobs.journal import FILE, copy_until
from tubekit.panels import job_panel
from tubekit.panels.job_panel import JobPanel


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job in the middle of its first power-up, with a lamp in the line; no figure is drawn."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(JobPanel, "_draw", lambda *_: None)
    copy_until(data_file("jobs", "teasel-runs-hot"), tmp_path / "teasel", 15)
    return tmp_path / "teasel"


@pytest.fixture
def panel(folder: Path) -> JobPanel:
    made = JobPanel(folder)
    made.next()
    return made


def kinds(folder: Path) -> list[str]:
    return [each.kind for each in open_job(folder).entries]


def rested(panel: JobPanel) -> None:
    """As if the step had been seen for a while."""
    panel._shown_s = time.monotonic() - 2 * job_panel.PAUSE_S
    panel._last = (None, 0.0)


def typed(panel: JobPanel, text: str) -> None:
    panel.box.value = text
    panel.box.give()


def test_a_step_is_shown_with_what_to_expect_and_answered(panel: JobPanel, folder: Path) -> None:
    step = panel.now.step
    assert step.measures
    for words in (step.do, step.expected, step.good, step.within):
        assert words in panel.step.value
    rested(panel)
    typed(panel, "86.1")  # milliamperes: the unit beside the box
    assert open_job(folder).entries[-1]["value"] == "0.0861"
    assert "GO ON" in panel.result.value
    assert panel.now.step.number == step.number + 1
    assert panel.box.value == ""
    assert panel.measured.layout.display == ""


@pytest.mark.parametrize(("text", "value"), [("19,48", 19.48), ("19.48 V", 19.48), ("19480 mV", 19.48)])
def test_a_number_as_tablets_and_meters_have_it(
    panel: JobPanel, folder: Path, text: str, value: float
) -> None:
    panel.take("86.1")
    panel.take(text)
    assert float(open_job(folder).entries[-1]["value"]) == value


@pytest.mark.parametrize("text", ["1,234", "18..2", "25 A", "ok", "hot"])
def test_what_is_no_value_stays_in_the_box(panel: JobPanel, folder: Path, text: str) -> None:
    panel.take("86.1")
    before = kinds(folder)
    rested(panel)
    typed(panel, text)
    assert panel.box.value == text
    assert text in panel.notice.value or "number" in panel.notice.value
    assert kinds(folder) == before


def test_a_second_enter_or_tap_is_not_for_the_next_step(panel: JobPanel, folder: Path) -> None:
    rested(panel)
    typed(panel, "86.1")
    after = kinds(folder)
    panel.box.give()
    typed(panel, "86.1")
    assert kinds(folder) == after
    assert panel.box.value == "86.1"
    assert "Enter it again" in panel.notice.value


def test_a_second_tap_on_a_button_is_none(panel: JobPanel, folder: Path) -> None:
    off = panel.offs.children[0]
    off.click()
    off.click()
    assert panel.notice.value == ""
    assert kinds(folder)[-1] == "off"
    panel.take("no")
    panel.next()
    after = kinds(folder)
    panel._answered("no")  # the second tap of the one before
    assert kinds(folder) == after


def test_a_box_that_is_left_enters_nothing(panel: JobPanel, folder: Path) -> None:
    before = kinds(folder)
    panel.box.value = "86.1"
    assert kinds(folder) == before
    rested(panel)
    panel.box._pressed({"event": "submit"})  # what the browser sends where nothing is new
    assert kinds(folder) == [*before, "step"]
    rested(panel)
    panel.box._pressed({"event": "submit"})  # and where the text comes late
    panel.box.value = "19.4"
    assert kinds(folder) == [*before, "step", "step"]


def test_a_stop_stays_in_sight_until_the_step_is_repeated(panel: JobPanel, folder: Path) -> None:
    panel.take("no")
    assert "STOP. Switch off" in panel.result.value
    assert panel.now.step is None
    again = JobPanel(folder)
    assert "STOPPED" in again.strip.value
    again.next()
    again.take("86.1")
    assert "STOPPED" not in again.strip.value


def test_another_person_at_the_same_job(panel: JobPanel, folder: Path) -> None:
    other = JobPanel(folder)
    other.next()
    other.take("85.9")
    panel.take("86.1")  # for the step that is shown, not for the one after it
    last = open_job(folder).of_kind("step")[-2:]
    assert [each["step"] for each in last] == [2, 2]
    assert "both results are kept" in panel.result.value
    actions.put_on(folder, "<b>jumper</b>", by="T. Osk")
    panel.take("19.4")
    assert "&lt;b&gt;jumper" in panel.strip.value
    assert "<b>jumper" not in panel.strip.value + panel.status.value
    actions.fit(folder, [], {"R14": "330"})
    with pytest.raises(TubekitError, match="has changed since"):
        panel.take("0")


def enter(panel: JobPanel, kind: str, *lines: tuple[str, str], **words: str) -> str:
    """Fill the form in and press its button; what is refused."""
    form = panel.form
    form.kind.value = kind
    for what, value in lines:
        form.what.value, form.value.value = what, value
        form.add()
    for name, text in words.items():
        getattr(form, name).value = text
    rested(panel)
    form.enter.click()
    return panel.notice.value


def test_every_kind_of_entry_is_the_commands(panel: JobPanel, folder: Path) -> None:
    (folder.parent / "board.png").write_bytes(b"PNG")
    panel.by.value = "T. Osk"
    assert "a reason" in enter(panel, "decide", ("R5", "new"))
    assert panel.form.lines == ("R5=new",)  # what was typed is still there
    assert not enter(panel, "decide", text="noisy")
    assert not enter(panel, "have", ("R5", ""))
    assert not enter(panel, "fit", ("R5", ""), hours="0,5")
    assert not enter(panel, "found", ("R14", "300"))
    assert not enter(panel, "temp", ("jumper", ""), text="across S1")
    assert not enter(panel, "note", text="a < b & 'c'")
    assert not enter(panel, "photo", file="board.png", text="board")
    number = str(open_job(folder).last)
    assert not enter(panel, "correct", (number, ""), text="wrong board")
    job = open_job(folder)
    made = [(each.kind, each.by) for each in job.journal.entries[-8:]]
    kinds = ("decide", "have", "fit", "found", "temporary", "note", "photo", "correct")
    assert made == [(kind, "T. Osk") for kind in kinds]
    assert job.of_kind("fit")[-1]["hours"] == 0.5
    assert job.temporary[-1].text == "jumper across S1"
    assert "not a number of hours" in enter(panel, "note", text="x", hours="two")


def test_hand_back_waits_for_what_is_still_on(panel: JobPanel, folder: Path) -> None:
    assert "60 W lamp in the line" in panel.strip.value
    panel.form.kind.value = "note"
    panel.form.text.value = "hot"
    panel.form.enter.click()
    panel.form.kind.value = "hand-back"
    panel.form.enter.click()  # at once: another entry, so its refusal is said
    assert "still installed" in panel.notice.value
    assert "still installed" in enter(panel, "hand-back", text="collected")
    rested(panel)
    panel.offs.children[0].click()
    assert "lamp" not in panel.strip.value
    assert "not ready for pickup" in enter(panel, "hand-back", text="collected")
    assert not enter(panel, "hand-back-open", text="owner declined the repair")
    assert open_job(folder).of_kind("hand-back")[-1]["reason"] == "owner declined the repair"
    assert panel.form.layout.display == "none"


def test_a_job_is_begun_and_opened(folder: Path) -> None:
    panel = JobPanel("")
    rested(panel)
    panel._by_hand(panel._begin)
    assert "no folder" in panel.notice.value
    panel.about["folder"].value, panel.about["owner"].value = "june", "M. Hollin"
    panel.last.value = "teasel"
    rested(panel)
    panel._by_hand(panel._begin)
    assert panel.job.first["owner"] == "M. Hollin"
    assert panel.job.first["last_visit"] == "../teasel"
    assert ("june", "june") in panel.jobs.choice.options
    panel.begin("teasel", "vetch")  # there already: opened, nothing is written
    assert panel.job.drawn.name != "vetch"
    assert not (folder / "enclosed" / "vetch.toml").exists()


@pytest.mark.parametrize("where", ["nowhere", "empty", "file"])
def test_a_folder_that_is_no_job(folder: Path, where: str) -> None:
    (folder.parent / "empty").mkdir()
    (folder.parent / "file").touch()
    panel = JobPanel(where)
    assert "there is no job in this folder" in panel.notice.value
    assert panel.job is None
    rested(panel)
    panel._by_hand(panel.next)
    assert "no job is open" in panel.notice.value


def test_a_folder_that_cannot_be_written_to(folder: Path) -> None:
    (folder.parent / "file").touch()
    with pytest.raises(TubekitError, match="cannot be written to"):
        JobPanel("").begin("file/job", "teasel")


def test_an_entry_that_was_cut_off_is_said_and_kept_aside(panel: JobPanel, folder: Path) -> None:
    with (folder / FILE).open("ab") as file:
        file.write(b'[[entry]]\nnumber = 99\nby = "R. V')
        os.fsync(file.fileno())
    panel.look_again()
    assert "incomplete" in panel.head.value
    panel.take("86.1")
    assert kinds(folder)[-2:] == ["torn", "step"]


def test_practice_is_on_a_copy(folder: Path) -> None:
    panel = JobPanel("thrum-hums")
    assert panel.job.folder.parent != data_file("jobs", "thrum-hums").parent
    assert panel.job.last == job_panel.PRACTICE["thrum-hums"]
