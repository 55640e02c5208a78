"""A tube outside the range its law was fitted in is marked wherever its figures are shown."""

from __future__ import annotations

from tests.amps import amp, solved
from tubekit import swap, tube
from tubekit.amp.headroom import headroom
from tubekit.amp.readings import OUTSIDE
from tubekit.panels.report_html import idle_tables
from tubekit.record.sections import parts_of


def test_the_catalogue_says_what_is_outside() -> None:
    """6V6GT: rows from 180 to 315 V at the plate, up to 285 V at the screen (handbook)."""
    record = tube("6V6GT")
    assert record.outside(plate=300, screen=240, grid=-13, plate_a=0.04) == ()
    assert record.outside(plate=400, screen=330, grid=-13, plate_a=0.04) == (
        "plate 400 V (fitted 180 to 315 V)", "screen 330 V (fitted 180 to 285 V)",
    )  # fmt: skip
    assert "plate current" in record.outside(plate=300, screen=240, grid=-13, plate_a=0.3)[0]


def test_report_panel_and_record_mark_it_with_one_note() -> None:
    report = solved("reverb-tremolo")
    assert report.tube("V6").outside
    assert not report.tube("V1a").outside
    panel = "".join(str(table) for table in idle_tables(report))
    record = "".join(
        str(table) for part in parts_of([report], None) for table in (*part.tables, *part.numbers)
    )
    for text in (str(report), panel, record):
        assert f"V6{OUTSIDE}" in text
        assert f"V1a{OUTSIDE}" not in text
        assert "beyond the published curves" in text


def test_a_swap_marks_it_and_says_what_the_change_takes_out() -> None:
    report = swap(amp("teasel"), {"V5": "5AR4", "R14": "330"})
    taken = [f for f in report.verdict if f.code == "law_range"]
    assert all(f.weight == "note" for f in taken)
    marked = {t.section for t in report.after.tubes if t.outside}
    assert {f.part for f in taken} == marked - {t.section for t in report.before.tubes if t.outside}
    assert all(f"{name}{OUTSIDE}" in str(report) for name in marked)


def test_drive_marks_it() -> None:
    result = headroom(amp("reverb-tremolo"))
    assert solved("reverb-tremolo").tube("V6").outside
    clips, *_ = result.tables()
    assert f"V6{OUTSIDE}" in [row[0] for row in clips.rows]
    assert "beyond the published curves" in clips.note
