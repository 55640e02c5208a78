"""The schematic in a panel: drawn only while it is seen, always of the latest result, in words too."""

from __future__ import annotations

import base64
import html
import re

import pytest

from tubekit import plots
from tubekit.amp import Amp, analyze, load_amp
from tubekit.decisions import SwapReport, swap
from tubekit.errors import SolveError
from tubekit.panels import DrawingFold, drawing, drawing_panel
from tubekit.panels.drawing_panel import WHOLE


@pytest.fixture(scope="module")
def swapped() -> SwapReport:
    return swap(load_amp("teasel"), {"R14": "330"})


def alt(fold: DrawingFold) -> str:
    found = re.search(r'alt="([^"]*)"', fold.picture.value)
    return html.unescape(found[1]) if found else ""


def test_a_shut_fold_draws_nothing(amp: Amp, swapped: SwapReport, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = []
    monkeypatch.setattr(drawing_panel, "schematic", lambda *given: drawn.append(given))
    fold = DrawingFold(amp)
    fold.show(swapped)
    fold.show(swapped, "R14")
    fold.section = "supply"
    assert drawn == []
    assert fold.drawing is None


def test_opened_it_shows_the_latest(amp: Amp, swapped: SwapReport) -> None:
    fold = DrawingFold(amp, "R14")
    fold.show(swapped)
    fold.is_open = True
    assert fold.section == "V3 V4"
    assert alt(fold) == plots.schematic(swapped, "V3 V4").words
    assert "R14 330 was 270" in alt(fold)
    data = re.search(r"base64,([^\"]+)", fold.picture.value)
    assert data is not None
    assert base64.b64decode(data[1]).startswith(b"\x89PNG")


def test_the_same_volts_stand_in_a_list(swapped: SwapReport) -> None:
    fold = drawing(swapped, "R14")
    listed = html.unescape(re.sub(r"<[^>]+>", " ", fold.picture.value))
    before, after = (report.node("k34").dc_v for report in (swapped.before, swapped.after))
    assert f"{before:.1f} → {after:.1f} V" in listed
    assert "V4 6V6GT" in listed


def test_every_section_can_be_chosen_and_stepped_through(amp: Amp) -> None:
    fold = drawing(amp)
    names = [*plots.schematic_sections(amp), WHOLE]
    assert [name for _, name in fold.choice.options] == names
    seen = [fold.section]
    assert fold.back.disabled
    for _ in names[1:-1]:
        fold.on.click()
        seen.append(fold.section)
        assert alt(fold) == plots.schematic(analyze(amp), fold.section).words
    assert seen == names[:-1]
    fold.back.click()
    assert fold.section == names[-3]
    fold.section = WHOLE
    assert fold.on.disabled
    assert "whole" in alt(fold)


def test_another_amp_brings_its_own_sections(amp: Amp) -> None:
    fold = DrawingFold(amp, "heaters", opened=True)
    fold.show(analyze(load_amp("burdock")), "R13")
    assert fold.section == "V2a V2b"
    assert "Skelmire Burdock" in alt(fold)
    fold.show(amp)
    assert fold.section in plots.schematic_sections(amp)


def test_a_part_that_is_no_more_leaves_the_choice_alone(amp: Amp) -> None:
    fold = DrawingFold(amp, "R14", opened=True)
    fold.show(swap(amp, {"C13": "removed"}), "C13")
    assert fold.section == "V3 V4"
    assert "Removed: C13" in alt(fold)


def test_gray_where_there_is_no_answer(amp: Amp, swapped: SwapReport) -> None:
    fold = DrawingFold(swapped, opened=True)
    fold.gray_out()
    assert "tubekit-gray" in fold.picture._dom_classes
    fold.show(swapped)
    assert "tubekit-gray" not in fold.picture._dom_classes


def test_an_amp_that_cannot_be_solved_is_drawn_without_volts(
    amp: Amp, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(amp: Amp) -> None:
        raise SolveError("no idle state")

    monkeypatch.setattr(drawing_panel, "analyze", fails)
    assert "No voltages calculated." in alt(drawing(amp))
