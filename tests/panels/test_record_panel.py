"""The record panel against `record` and `swap` called directly; nothing is ever written over."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from tubekit import load_amp, swap
from tubekit.errors import ReadingError, RecordError
from tubekit.panels import RecordPanel, record, record_panel
from tubekit.record import files, record_results

LIST = """# amp: teasel
place,quantity,value
mains,AC volts,121 V
k34,DC volts,19.1
B1,DC volts,344 V
"""


@pytest.fixture(scope="module")
def shared() -> RecordPanel:
    return record("teasel")


@pytest.fixture
def panel(shared: RecordPanel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RecordPanel:
    monkeypatch.chdir(tmp_path)
    shared.reset()
    return shared


def test_the_head_stands_before_anything_is_written(panel, tmp_path):
    panel.set({"R14": "330", "C13": "47u"})
    panel.say(decided="R14 <up>", why="Too & hot", by="bench two", title="T 1")
    for words in ("R14 &lt;up&gt;", "Too &amp; hot", "bench two", "T 1", "330 Ω", "47 µF", "can kill"):
        assert words in panel.head.value
    report = swap(load_amp("teasel"), {"R14": "330", "C13": "47u"})
    amps = f"{1e3 * report.after.tube('V3').cathode_a:.1f} mA"
    assert amps in panel.head.value
    assert list(tmp_path.iterdir()) == []


def test_what_is_written_is_what_the_command_writes(panel, tmp_path):
    panel.set({"R14": "330"}, mains_rms=121)
    panel.say(decided="R14 up.", paper="A4")
    done = panel.write_record(pdf=False)
    assert done.html_path == tmp_path / "teasel-record.html"
    page = done.html_path.read_text(encoding="utf-8")
    assert "size: A4" in page
    worked = record_results(load_amp("teasel"), {"R14": "330"}, mains_rms=121)
    assert_allclose(
        panel.worked().results[0].after.node("B1").dc_v, worked.results[0].after.node("B1").dc_v, rtol=1e-9
    )
    for row in worked.results[0].to_measure().cells():
        assert all(cell in page for cell in row)


def test_no_file_is_written_over(panel, tmp_path):
    (tmp_path / "mine.pdf").write_text("mine", encoding="utf-8")
    panel.say(name="mine")
    names = [panel.write_record(pdf=False).html_path.name for _ in range(2)]
    assert names == ["mine-2.html", "mine-3.html"]
    assert (tmp_path / "mine.pdf").read_text(encoding="utf-8") == "mine"


def test_the_button_writes_shows_and_says_where(panel, tmp_path, monkeypatch):
    monkeypatch.setattr(files, "BROWSERS", ())
    panel.form.look.click()
    assert "No file has been saved yet" in panel.form.said.value
    assert list(tmp_path.iterdir()) == []
    panel.form.write.click()
    said = panel.form.said.value
    assert "Saved in this notebook's folder" in said
    assert "<strong>teasel-record.html</strong>" in said
    assert 'download="teasel-record.html"' in said
    assert "print it to PDF" in said
    assert re.search(r'<iframe title="[^"]+" sandbox="allow-downloads"', panel.shown.value)
    assert "&lt;h1&gt;Ottermere Teasel: decision record" in panel.shown.value
    panel.say(by="x")
    assert panel.form.said.value == ""  # what was written is no longer what stands here


def test_a_folder_that_takes_nothing_is_said_below_the_button(panel, monkeypatch):
    def refused(*_, **__):
        raise RecordError("cannot be written (read-only file system)", where="x", fix="Name another")

    monkeypatch.setattr(record_panel, "write_files", refused)
    panel.form.write.click()
    assert "read-only file system" in panel.form.said.value


def test_readings_beside_the_notebook_are_offered_and_judged(panel, tmp_path):
    path = tmp_path / "bench day.csv"
    path.write_text(LIST, encoding="utf-8")
    (tmp_path / "other.csv").write_text(LIST.replace("teasel", "burdock"), encoding="utf-8")
    panel.say(by="")
    offered = [Path(value).name for _, value in panel.form.readings.options if value]
    assert offered == ["bench day.csv"]
    panel.say(readings=str(path))
    assert "2 readings" in panel.head.value
    kinds = [type(result).__name__ for result in panel.worked().results]
    assert "Judgement" in kinds
    assert panel.whole_page().count("Meter readings") == 1


def test_a_list_that_does_not_fit_is_complained_of_beside_it(panel, tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text(LIST.replace("k34", "k99"), encoding="utf-8")
    panel.say(readings=str(path))
    assert "k99" in panel.form.complaint.value
    with pytest.raises(ReadingError, match="k99"):
        panel.write_record(pdf=False)
    panel.say(readings="")
    assert panel.form.complaint.value == ""


def test_a_procedure_is_taken_along_when_it_is_ticked(panel):
    panel.say(up=True)
    assert panel.form.sheets_chosen == ("up",)
    assert "First power-up" in panel.whole_page()
    panel.reset()
    assert panel.form.sheets_chosen == ()


def test_as_it_came_takes_words_and_changes_back(panel):
    panel.set({"R14": "330"})
    panel.say(decided="x", paper="A4", name="y")
    panel.buttons["reset"].click()
    assert panel.trial.plan.changes == {}
    assert panel.form.words() == dict.fromkeys(("title", "decided", "why", "by", "date"), "") | {
        "paper": "Letter"
    }
    assert "Idle state at" in panel.head.value


def test_what_was_kept_and_the_mains_stand_in_the_record(panel):
    panel.set({"R14": "330"})
    panel.keep_as_before()
    panel.set({"C13": "47u"}, mains_rms=120)
    worked = panel.worked()
    assert set(worked.amp.changes) == {"R14", "C13", "mains"}
    assert worked.results[0].before.amp.parts["R14"].ohms == 330
