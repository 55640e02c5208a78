"""What stands on the page of a record, in which order, and that it fits on paper."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import subprocess
import sys

import pytest

from tubekit import analyze, load_amp, plots, swap
from tubekit.amp import amp_from_text
from tubekit.bench.readings import readings_from_text
from tubekit.errors import ChangeError, RecordError
from tubekit.record import PAPERS, contents, record_results
from tubekit.record.content import sentences
from tubekit.record.files import PROGRAM, find_browser, fingerprints, print_to_pdf
from tubekit.record.page import page

READINGS = """place,quantity,value
mains,AC volts,123 V
B1,DC volts,352 V
k34,DC volts,19.4
B4,DC volts,236
p1a,DC volts,152
"""
CHANGES = {"R14": "330", "V5": "5AR4"}


@pytest.fixture(scope="module")
def content():
    amp = load_amp("teasel")
    readings = readings_from_text(READINGS, amp)
    worked = record_results(amp, CHANGES, mains_rms=123, readings=readings)
    return contents(
        worked.amp, *worked.results, title="T <1>", decided="Not fitted.", why="Too hot & high.",
        readings=readings, paper="A4",
    )  # fmt: skip


@pytest.fixture(scope="module")
def written(content):
    return page(content)


def test_what_was_decided_comes_first_and_hashes_last(written):
    order = [
        "Not fitted.", "Too hot &amp; high.", "Summary", "can kill", "Calculated results",
        "Meter readings", "At the bench", "Before you reach in", "To buy", "Check on the bench", "Done by",
        "<h2>Figures", "All numbers", "SHA-256", "Versions",
    ]  # fmt: skip
    places = [written.index(words) for words in order]
    assert places == sorted(places)


def test_numbers_on_the_page_are_those_of_the_swap_report(content, written):
    report = swap(load_amp("teasel"), CHANGES, mains_rms=123)
    for table in (report.to_measure(), *report.tables()[2:4]):
        for row in table.cells():
            assert all(cell in written for cell in row)
    text = " ".join(sentences(content))
    assert f"{report.before.rails[0].dc_v:.0f} V → {report.after.rails[0].dc_v:.0f} V" in text
    assert "4 ratings are exceeded (V3, V4)" in text


def test_hashes_are_those_of_the_inputs(content):
    result = fingerprints(content)
    amp = content.amp
    assert result["amp file teasel.toml"] == hashlib.sha256(amp.source.read_bytes()).hexdigest()
    assert result["amp as changed"] == hashlib.sha256(amp.copy_as_text().encode()).hexdigest()
    assert result["amp per schematic"] != result["amp as changed"]
    other = readings_from_text(READINGS.replace("123 V", "122 V"), load_amp("teasel"))
    again = contents(amp, readings=other)
    assert fingerprints(again)["readings pasted text"] != result["readings pasted text"]
    assert len(result[PROGRAM]) == 64


def test_the_enclosed_amp_file_is_the_amp_decided_on(written):
    raw = re.search(r'href="data:application/toml;base64,([^"]+)"', written)[1]
    amp = amp_from_text(base64.b64decode(raw).decode(), "enclosed")
    assert amp.parts["R14"].ohms == 330
    assert amp.mains_rms == 123


def test_the_caution_stands_where_hands_act_and_not_under_each_table(written):
    assert written.count("leave licensed work to licensed people") == 3  # front, bench, discharge
    assert written.index("At the bench") < written.rindex("DANGER. Line voltage and B+ can kill")


@pytest.mark.parametrize(
    ("changes", "readings", "kinds"),
    [
        ({}, "", ["AmpReport", "Limits", "Discharge"]),
        ({"C4": "10n"}, "", ["SwapReport", "ToneChange", "Discharge", "OrderList"]),
        ({"R31.position": 0.8}, "", ["SwapReport", "ToneChange", "Discharge", "LeftOut"]),
    ],
)
def test_a_record_holds_what_there_is_to_say(changes, readings, kinds):
    worked = record_results(load_amp("burdock"), changes)
    assert [type(result).__name__ for result in worked.results] == kinds
    assert page(contents(worked.amp, *worked.results)).endswith("</html>\n")
    if "OrderList" not in kinds and changes:
        assert [one.section for one in worked.left_out] == ["order list"]


def test_a_diodes_leakage_is_not_called_beyond_the_scale():
    """The figure of a good amp once said so: the leakage lies a hair below nought."""
    drawn = plots.ripple(analyze(load_amp("burdock")))
    assert [t.get_text() for axes in drawn.axes for t in axes.texts if "beyond" in t.get_text()] == []


def test_next_readings_tell_no_more_than_there_is_to_know():
    """A reading cannot decide more than the whole question."""
    amp = load_amp("teasel")
    rows = (
        "B1,DC volts,346\nB1 to B2,DC volts,42.6\nk34,DC volts,18.9\nR14,resistance,281\nmains,AC volts,121\n"
    )
    worked = record_results(amp, readings=readings_from_text(f"place,quantity,value\n{rows}", amp))
    result = worked.results[-1]
    assert result.following
    assert all(0 < one.share <= 1 for one in result.following)


def test_procedures_stand_at_the_bench_over_the_lines_to_sign():
    worked = record_results(load_amp("teasel"), {"R14": "330"}, sheets=("up", "drive"))
    text = page(contents(worked.amp, *worked.results))
    places = [
        text.index(words)
        for words in ("Check on the bench", "First power-up", "Output tubes at full power", "Done by")
    ]
    assert places == sorted(places)
    up = next(r for r in worked.results if type(r).__name__ == "BringUp")
    assert up.amp.parts["R14"].ohms == 330  # of the amp as decided on
    assert "run away" not in text  # cathode bias


def test_an_unknown_sheet_is_refused_and_one_of_no_use_is_told():
    with pytest.raises(RecordError, match="up, lamp, trace, drive, hum"):
        record_results(load_amp("teasel"), sheets=("down",))
    with pytest.raises(ChangeError, match="across the heaters"):
        record_results(load_amp("teasel"), sheets=("hum",))


def test_mains_alone_is_a_change():
    worked = record_results(load_amp("teasel"), mains_rms=123)
    assert type(worked.results[0]).__name__ == "SwapReport"
    assert worked.results[0].before.amp.mains_rms == 117


@pytest.mark.skipif(
    find_browser() is None or shutil.which("pdftotext") is None, reason="no Chromium or no poppler here"
)
@pytest.mark.parametrize("paper", list(PAPERS))
def test_pages_are_of_the_paper_and_no_heading_ends_one(content, tmp_path, paper):
    import dataclasses

    pdf, words = print_to_pdf(page(dataclasses.replace(content, paper=paper)).encode(), find_browser())
    assert words == ""
    file = tmp_path / "a.pdf"
    file.write_bytes(pdf)
    info = subprocess.run(["pdfinfo", file], capture_output=True, text=True, check=True).stdout
    wide, high = (float(n) for n in re.search(r"Page size: +([\d.]+) x ([\d.]+)", info).groups())
    assert (wide / 72 * 25.4, high / 72 * 25.4) == pytest.approx(PAPERS[paper], abs=0.5)
    text = subprocess.run(["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True)
    sheets = text.stdout.split("\f")[:-1]
    assert 4 <= len(sheets) <= 10
    headings = re.findall(r"<h[23]>([^<]+)</h", page(content))
    for number, sheet in enumerate(sheets, 1):
        lines = [line.strip() for line in sheet.splitlines() if line.strip()]
        assert f"page {number} of {len(sheets)}" in lines[-1]
        assert lines[-2] not in headings


def test_a_section_that_cannot_be_made_says_why_in_its_place(monkeypatch):
    """The voltage left after switch-off once vanished from a record without a word."""

    def refused(_amp):
        raise ChangeError("a batch is discharged one by one")

    monkeypatch.setattr(sys.modules["tubekit.record.results"], "discharge", refused)
    amp = load_amp("vetch")
    written = page(contents(amp, *record_results(amp).results))
    bench = written[written.index("At the bench") :]
    assert "Before you reach in" in bench
    assert "NOT CALCULATED: voltage left after switch-off. a batch is discharged one by one" in bench
    assert "Treat every filter capacitor as charged" in bench
