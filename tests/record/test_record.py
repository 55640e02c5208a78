"""The record: self-contained, whole or not at all, never over another silently."""

from __future__ import annotations

import importlib
import re
import subprocess
from pathlib import Path

import pytest

from tubekit import load_amp, swap
from tubekit.bench.readings import readings_from_text
from tubekit.decisions.judge import judge
from tubekit.errors import RecordError
from tubekit.files import write_whole
from tubekit.record import files, may_write, next_free, record
from tubekit.record.files import find_browser, print_to_pdf

WRITER = importlib.import_module("tubekit.record.record")  # the module, not the function of that name


@pytest.fixture(scope="module")
def teasel():
    return load_amp("teasel")


@pytest.fixture(scope="module")
def report(teasel):
    return swap(teasel, {"R14": "281"})


def test_a_record_opens_offline_and_holds_everything(teasel, report, tmp_path):
    readings = readings_from_text("place,quantity,value,note\nk34,DC volts,18.9,<hot & steady>\n", teasel)
    done = record(
        tmp_path / "teasel", teasel.changed({"R14": "281"}), report, judge(readings, size=100),
        decided="R14 stays.\nNo parts to buy.", why="4 % high <in tolerance>", by="bench two",
        readings=readings, date="1956-05-01", pdf=False,
    )  # fmt: skip
    page = (tmp_path / "teasel.html").read_text(encoding="utf-8")
    assert done.html_path == tmp_path / "teasel.html"
    escaped = ("4 % high &lt;in tolerance&gt;", "&lt;hot &amp; steady&gt;")
    plain = ("R14 stays.", "1956-05-01", "SHA-256", "licensed work", "Python", "Verdict", "Sources:")
    assert [words for words in (*escaped, *plain) if words not in page] == []
    assert page.count("data:image/png;base64,") == 3
    assert page.index("R14 stays.") < page.index("licensed work") < page.index("All numbers")
    assert not re.findall(r'(?:src|href)="(?!data:)', page)
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert len(done.inputs["amp file teasel.toml"]) == 64
    assert [p.name for p in tmp_path.iterdir()] == ["teasel.html"]


def test_nothing_is_written_over_silently(teasel, report, tmp_path):
    path = tmp_path / "a.html"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(RecordError, match="a file of this name already"):
        record(path, teasel, report, pdf=False)
    assert path.read_text(encoding="utf-8") == "mine"
    record(path, teasel, report, pdf=False, overwrite=True)
    assert "decision record" in path.read_text(encoding="utf-8")


def test_the_next_free_name_spares_both_files(tmp_path):
    assert next_free(tmp_path / "a.html").name == "a.html"
    (tmp_path / "a.pdf").write_text("mine", encoding="utf-8")
    (tmp_path / "a-2.html").symlink_to(tmp_path / "gone")
    assert next_free(tmp_path / "a.html").name == "a-3.html"


@pytest.mark.parametrize(
    "name", ["Überholung von Jörg & Co", "teasel 1.5 kΩ", "R14=330.pdf", "a.b.c.htm", "#1 100%"]
)
def test_odd_names_keep_both_files_side_by_side(teasel, report, tmp_path, monkeypatch, name):
    monkeypatch.setattr(WRITER, "print_to_pdf", lambda *_: (b"%PDF-1.4", ""))
    done = record(tmp_path / name, teasel, report)
    assert done.html_path.suffix in (".html", ".htm")
    assert done.pdf_path == done.html_path.with_suffix(".pdf")
    assert sorted(tmp_path.iterdir()) == sorted([done.html_path, done.pdf_path])


@pytest.mark.parametrize(("name", "fix"), [("x" * 300, "shorter"), ("a\0b", "plainer")])
def test_a_name_no_file_can_have_is_refused(teasel, tmp_path, name, fix):
    with pytest.raises(RecordError, match=fix):
        record(tmp_path / name, teasel, pdf=False)
    assert list(tmp_path.iterdir()) == []


def test_a_name_as_long_as_can_be_is_written(teasel, report, tmp_path):
    name = "x" * (255 - len(".html"))
    assert record(tmp_path / name, teasel, report, pdf=False).html_path.is_file()


def test_a_folder_that_may_not_be_written_to_is_told(tmp_path, monkeypatch):
    """As the system answers it; whoever is root may write everywhere."""

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(files.tempfile, "mkstemp", refused)
    with pytest.raises(RecordError, match="you can write to"):
        write_whole(tmp_path / "a.html", b"x")


def test_a_closed_folder_is_told_before_any_work(tmp_path, monkeypatch):
    monkeypatch.setattr(WRITER.os, "access", lambda *_: False)
    with pytest.raises(RecordError, match="may not write to this folder"):
        may_write(tmp_path / "a")


def test_without_a_browser_the_page_is_there_with_the_way_to_print_it(teasel, report, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    done = record(tmp_path / "a", teasel, report)
    assert done.pdf_path is None
    assert done.html_path.is_file()
    assert "print it to PDF" in done.headline()


def test_a_pdf_that_came_meanwhile_is_spared_and_the_page_stands(teasel, report, tmp_path, monkeypatch):
    def prints(*_):
        (tmp_path / "a.pdf").write_text("theirs", encoding="utf-8")
        return b"%PDF-1.4", ""

    monkeypatch.setattr(WRITER, "print_to_pdf", prints)
    done = record(tmp_path / "a", teasel, report)
    assert done.pdf_path is None
    assert "already" in done.message
    assert (tmp_path / "a.pdf").read_text(encoding="utf-8") == "theirs"
    assert done.html_path.is_file()


def test_an_unknown_paper_is_refused_with_those_there_are(teasel, tmp_path):
    with pytest.raises(RecordError, match=r"Letter, A4"):
        record(tmp_path / "a", teasel, paper="a4", pdf=False)


def test_a_pdf_of_that_name_is_spared_too(teasel, report, tmp_path):
    (tmp_path / "a.pdf").write_text("mine", encoding="utf-8")
    with pytest.raises(RecordError, match=r"a\.pdf: there is a file"):
        record(tmp_path / "a.html", teasel, report)


def test_a_write_that_fails_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(RecordError, match="no space left on device"):
        write_whole(tmp_path / "a.html", b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_appears_meanwhile_is_spared(tmp_path, monkeypatch):
    target = tmp_path / "a.html"
    sync = files.os.fsync

    def slowly(handle):
        target.write_text("theirs", encoding="utf-8")
        sync(handle)

    monkeypatch.setattr(files.os, "fsync", slowly)
    with pytest.raises(RecordError, match="already"):
        write_whole(target, b"x")
    assert target.read_text(encoding="utf-8") == "theirs"
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


def test_no_browser_is_said_with_the_way_out():
    pdf, text = print_to_pdf(b"<p>", None)
    assert pdf is None
    assert "Chromium was not found" in text
    assert "print it to PDF" in text


@pytest.mark.parametrize(
    ("run", "text"),
    [
        (lambda *_: 1, "ended with code 1"),
        (lambda *_: (_ for _ in ()).throw(subprocess.TimeoutExpired("x", 1)), "did not finish"),
        (lambda *_: (_ for _ in ()).throw(OSError(13, "Permission denied")), "did not start"),
    ],
)
def test_a_browser_that_fails_is_said(run, text):
    pdf, words = print_to_pdf(b"<p>", "chromium", run)
    assert pdf is None
    assert text in words


def test_the_printed_page_is_handed_back():
    def prints(command, _seconds):
        target = next(word for word in command if word.startswith("--print-to-pdf="))
        Path(target.partition("=")[2]).write_bytes(b"%PDF-1.4")
        return 0

    assert print_to_pdf(b"<p>", "chromium", prints) == (b"%PDF-1.4", "")


@pytest.mark.skipif(find_browser() is None, reason="no Chromium here")
def test_a_real_browser_prints_it():
    pdf, text = print_to_pdf(b"<!DOCTYPE html><title>t</title><p>hello", find_browser())
    assert text == ""
    assert pdf.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("path", "results", "text"),
    [
        ("nowhere/a.html", (), "no such folder"),
        ("a.html", ({"a": 1},), "a dict does not belong in a record"),
    ],
)
def test_what_cannot_be_recorded_is_refused(teasel, tmp_path, path, results, text):
    with pytest.raises(RecordError, match=text):
        record(tmp_path / path, teasel, *results)


def test_a_batch_is_no_decision(teasel, tmp_path):
    with pytest.raises(RecordError, match="a record is for one amp"):
        record(tmp_path / "a", teasel.changed({"R14": [250, 270]}), pdf=False)
