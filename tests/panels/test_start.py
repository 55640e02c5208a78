"""The first page: every demo amp in words and at idle, on any mains; numbers are those of `analyze`."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from tubekit import analyze, load_amp
from tubekit.amp import demo_names
from tubekit.amp.parts.tubes import Tube
from tubekit.panels import start
from tubekit.panels.report_html import facts, idle_tables
from tubekit.text import CAUTION


@pytest.mark.parametrize("name", demo_names())
def test_every_demo_amp_is_told_in_words(name: str) -> None:
    panel, amp = start(name), load_amp(name)
    assert amp.title in panel.about.value
    assert CAUTION in panel.idle.value
    told = dict(facts(amp))
    for part in amp.parts.values():
        if isinstance(part, Tube):
            assert f"{part.designator} {part.type}" in told["tubes"]


@pytest.mark.parametrize("name", demo_names())
def test_the_page_of_idle_volts_is_what_analyse_gives(name: str) -> None:
    panel, alone = start(name), analyze(load_amp(name))
    rails, tubes = idle_tables(panel.report)[:2]
    for row, rail in zip(rails.rows, alone.rails, strict=True):
        assert_allclose(row[2], rail.dc_v, rtol=1e-9)
    for row, tube in zip(tubes.rows, alone.tubes, strict=True):
        assert_allclose([row[2], row[4]], [tube.plate_v + tube.cathode_v, tube.cathode_v], rtol=1e-9)


@pytest.mark.painted
def test_another_mains_moves_the_page_and_the_picture() -> None:
    panel = start("vetch")
    words, picture = panel.idle.value, panel.figure.png()
    panel.line.slider.value = 125.0
    assert panel.report.amp.mains_rms == 125.0
    assert panel.idle.value != words
    assert panel.figure.png() != picture
    panel.reset()
    assert panel.report.amp.mains_rms == 117.0
    assert "EXCEEDED" not in panel.check.value
    assert panel.figure.png() == picture
    panel.set(mains_rms=130)  # 12 W of a 6V6GT, more than 10 % above the line it was drawn for
    assert "EXCEEDED" in panel.check.value


def test_the_drawings_own_voltages_stand_only_beside_its_own_mains() -> None:
    panel = start("vetch")
    assert "Compared with the voltages" in panel.idle.value
    panel.set(mains_rms=123)
    assert "Compared with the voltages" not in panel.idle.value


def test_another_amp_by_list_and_a_file_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine.toml").write_text('[amp]\nextends = "vetch"\ntitle = "Mine"\n', encoding="utf-8")
    panel = start("vetch")
    panel.choose(str(tmp_path / "mine.toml"))
    assert panel.amp.title == "Mine"
    panel.choose("teasel")
    assert panel.report.amp.title == "Ottermere Teasel"


def test_a_file_with_a_slip_is_complained_about_and_the_amp_before_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("wrong.toml").write_text(
        '[amp]\nextends = "vetch"\ntitle = "Wrong"\n[R9]\nvalue = "27O"\n', encoding="utf-8"
    )
    panel = start("vetch")
    panel.amp_list.look_again()
    panel.amps.value = str(tmp_path / "wrong.toml")
    assert "27O" in panel.amp_list.complaint.value
    assert panel.amp.title == "Ottermere Vetch"


def test_figures_on_the_page_carry_units() -> None:
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", start("vetch").idle.value)
    figures = [cell for cell in cells if re.match(r"-?[\d.]+( |$)", cell)]
    assert figures
    bare = [cell for cell in figures if not re.search(r"[VAW%]$", cell)]
    assert len(bare) == 3  # under '% of rating', which is their unit
    assert "% of rating" in start("vetch").idle.value
