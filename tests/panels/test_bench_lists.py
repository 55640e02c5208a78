"""Lists of readings in the bench panel: saved, read again, chosen, refused, cut to what fits."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path, PureWindowsPath

import pytest

from tubekit import load_amp
from tubekit.bench.readings import load_readings
from tubekit.errors import ReadingError
from tubekit.panels import bench, bench_rows
from tubekit.panels.bench_figure import MOST_ROWS
from tubekit.panels.bench_panel import BenchPanel
from tubekit.panels.bench_rows import MOST_LINES
from tubekit.panels.bench_sheet import EMPTY, USUAL, Row, Sheet, as_csv, list_options, read_sheet, usual

LISTS = Path(__file__).resolve().parents[2] / "notebooks" / "readings"
HOT = LISTS / "teasel-runs-hot.csv"


@pytest.fixture(scope="module")
def shared() -> BenchPanel:
    return bench(readings=HOT)


@pytest.fixture
def panel(shared: BenchPanel) -> BenchPanel:
    shared.reset()
    return shared


def test_a_list_is_saved_and_read_again(panel, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    panel.put("s3", "")
    first, second = panel.save(), panel.save()
    assert (first.name, second.name) == ("teasel-readings.csv", "teasel-readings-2.csv")
    again = load_readings(first, load_amp("teasel"))
    assert [r.value for r in again.readings] == [r.value for r in panel.checked.readings.readings]
    assert float(again.amp.mains_rms) == 121.0
    assert "still to measure: s3" in first.read_text(encoding="utf-8")
    assert any("teasel-readings-2" in words for words, _ in list_options(tmp_path))
    panel.saving.name.value = "my list"
    panel.saving.button.click()
    assert "my-list.csv" in panel.saving.said.value
    assert (tmp_path / "my-list.csv").is_file()


@pytest.mark.parametrize("path", [Path(p) for _, p in list_options(LISTS) if "/" in p], ids=lambda p: p.stem)
def test_the_lists_that_come_along_are_read_without_a_complaint_and_say_they_are_invented(path):
    assert path.parent == LISTS
    assert path.read_text(encoding="utf-8").startswith("# Invented")
    panel = bench(readings=path)
    assert panel.checked.fine
    assert not panel.checked.notes
    written = as_csv(panel.sheet, panel.amp)
    assert [line for line in written.splitlines() if line[0] != "#"][1].startswith("mains,AC volts")


def test_usual_and_empty_lists(panel, amp):
    panel.lists.choice.value = EMPTY
    assert panel.sheet.rows == (Row(),)
    assert "No readings yet" in panel.told.value
    assert panel.accused.button.disabled
    with pytest.raises(ReadingError, match="are not enough"):
        panel.which_part()
    panel.lists.choice.value = USUAL
    assert panel.sheet == usual(amp)
    assert "k34" in [row.place for row in panel.sheet.rows]
    assert panel.figure.view.words[0].get_text() == "no reading yet"


def test_a_list_brings_its_amp_along(panel):
    panel.load(LISTS / "fescue-after-service.csv")
    assert panel.amp.name == "fescue"
    assert panel.amp_list.value == "fescue"
    panel.load(HOT)
    assert panel.amp.name == "teasel"


def test_another_amp_begins_with_its_usual_places():
    panel = bench("teasel")
    panel.amp_list.choice.value = "burdock"
    assert panel.amp.name == "burdock"
    assert panel.sheet == usual(load_amp("burdock"))
    assert [row.name for row in panel.figure.view.rows][:2] == ["B0", "B2"]


def test_a_file_that_cannot_be_read_is_refused_beside_the_lists(panel):
    before = panel.sheet
    panel._file_taken("readings.csv", b"place;quantity;value\nk34;DC volts;18,4\n")
    assert "semicolons" in panel.lists.complaint.value
    panel._file_taken(
        "readings.csv", "place,quantity,value\nk34,DC volts,18 Ω\n".encode("latin-1", "replace")
    )
    panel._file_taken("readings.csv", b"\xff\xfe\x00")
    assert "UTF-8" in panel.lists.complaint.value
    panel._file_taken("good.csv", b"place,quantity,value\nk34,DC volts,18.4\n")
    assert panel.lists.complaint.layout.display == "none"
    assert panel.sheet.rows == (Row("k34", value="18.4"),)
    panel.undo()
    assert panel.sheet != before or panel.history.can_undo


def test_toml_lists_keep_their_meter_and_tone(tmp_path):
    path = tmp_path / "list.toml"
    path.write_text(
        '[readings]\nmains = "118 V"\n[meter]\naccuracy = "2 %"\n[tone]\ninput = "J1"\nlevel = "5 mV"\n'
        '[[reading]]\nplace = "p1a"\nquantity = "signal"\nvalue = "0.2 V"\n',
        encoding="utf-8",
    )
    sheet = read_sheet(path)
    assert (sheet.mains, sheet.accuracy, sheet.jack, sheet.level) == ("118 V", "2 %", "J1", "5 mV")
    assert sheet.rows == (Row("p1a", "signal", "0.2 V"),)


def test_a_long_list_is_judged_whole_and_shown_in_part(panel, amp):
    nodes = [n for n in amp.nodes if n != "ground"]
    pairs = [f"{a} to {b}" for a, b in pairwise(nodes)]
    rows = tuple(Row(place, value="1 V") for place in (*nodes, *pairs))[:60]
    panel.take(Sheet(rows, mains="121 V"))
    assert len(panel.lines.lines) == MOST_LINES
    assert f"{60 - MOST_LINES} more rows" in panel.lines.more.value
    assert len(panel.verdicts.verdicts) + len(panel.checked.complaints) == 60
    assert len(panel.figure.view.rows) == MOST_ROWS


def test_a_list_on_windows_is_called_by_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_rows, "PurePath", PureWindowsPath)
    empty, key = ("an empty list", ""), r"C:\jobs\v5.csv"
    choice = bench_rows.ListChoice(lambda _: None, lambda *_: None, options=lambda: [empty])
    for again in (lambda: choice.put(key), choice.look_again):
        again()
        assert choice.choice.options == (empty, ("v5.csv", key))
