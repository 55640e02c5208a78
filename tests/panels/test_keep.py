"""What the copying buttons write, where, and what they say."""

from __future__ import annotations

import base64
import re
import tomllib
from pathlib import Path

import pytest
from PIL import Image

from tubekit.amp import Amp, load_amp
from tubekit.errors import RecordError
from tubekit.panels import cathode_bias, hum, listen, load_line, part_swap, supply, tone
from tubekit.panels.export_files import write_new
from tubekit.panels.layout import WORDS

ABOUT_AMPS = {"part-swap": part_swap, "tone": tone, "hum": hum, "listen": listen, "supply": supply}
STAGES = {"6V6GT-load-line": load_line, "12AX7-cathode-bias": cathode_bias}


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module", params=[*ABOUT_AMPS, *STAGES])
def made(request: pytest.FixtureRequest) -> tuple[str, object]:
    return request.param, (ABOUT_AMPS | STAGES)[request.param]()


def test_every_panel_has_the_same_buttons_in_the_same_order(made) -> None:
    name, panel = made
    last = "values" if name in STAGES else "amp_file"
    assert [*panel.buttons] == ["undo", "redo", "keep", "reset", "rescale", "picture", last]
    assert [each.description for each in panel.buttons.values()] == [WORDS[key][0] for key in panel.buttons]
    row = panel.children[1]
    buttons = [each for each in row.children if "tubekit-strip" not in each._dom_classes]
    assert buttons == [*panel.buttons.values(), panel.saver]


@pytest.mark.painted
def test_the_picture_is_written_fine_enough_to_print(made, folder: Path) -> None:
    name, panel = made
    panel.buttons["picture"].click()
    panel.buttons["picture"].click()
    stem = name if name in STAGES else f"{'teasel' if name == 'supply' else panel.trial.drawn.name}-{name}"
    assert sorted(path.name for path in folder.iterdir()) == [f"{stem}-2.png", f"{stem}.png"]
    seen = panel.figure.pixels()
    with Image.open(folder / f"{stem}.png") as kept:
        assert kept.height >= 2 * seen.shape[0] - 2
    assert f"{stem}-2.png" in panel.saver.value


def test_the_link_hands_on_what_was_written(folder: Path) -> None:
    panel = load_line()
    panel.buttons["picture"].click()
    source = re.search(r'href="data:image/png;base64,([^"]+)"', panel.saver.value)
    assert source is not None
    assert base64.b64decode(source[1]) == (folder / "6V6GT-load-line.png").read_bytes()
    panel.set(load=8000.0)
    assert panel.saver.value == ""  # it was of another setting


@pytest.mark.parametrize("name", ABOUT_AMPS)
def test_the_amp_file_is_the_amp_on_trial(name: str, folder: Path) -> None:
    panel = ABOUT_AMPS[name]("teasel")
    if name == "supply":
        panel.set(reservoir=47e-6, mains=123.0)
    else:
        panel.set({"C14": "47u"}, mains_rms=123.0)
    panel.buttons["amp_file"].click()
    copy, wanted = load_amp(folder / "teasel-changed.toml"), load_amp("teasel").changed({"C14": "47u"})
    assert copy.mains_rms == 123.0
    assert {n: repr(p) for n, p in copy.parts.items()} == {n: repr(p) for n, p in wanted.parts.items()}
    assert "teasel-changed.toml" in panel.saver.value


def test_no_file_is_written_over(folder: Path) -> None:
    (folder / "teasel-changed.toml").write_text("mine", encoding="utf-8")
    panel = part_swap("teasel")
    panel.buttons["amp_file"].click()
    assert (folder / "teasel-changed.toml").read_text(encoding="utf-8") == "mine"
    assert tomllib.loads((folder / "teasel-changed-2.toml").read_text(encoding="utf-8"))["amp"]["title"]


def test_a_copied_amp_stands_in_every_list_at_once_and_what_is_chosen_stays() -> None:
    panels = [part_swap("teasel"), tone("fescue"), supply("burdock")]
    panels[0].set({"R14": "330"})
    panels[0].buttons["amp_file"].click()
    for panel, chosen in zip(panels, ("teasel", "fescue", "burdock"), strict=True):
        amps = panel.amp_list if hasattr(panel, "amp_list") else panel.knob("amp")
        assert any("teasel-changed.toml" in words for words, _ in amps.choice.options)
        value = amps.choice.value
        assert (value.name if isinstance(value, Amp) else value) == chosen
    assert panels[0].chips.changed == ("R14",)


def test_files_put_there_by_hand_are_found_and_edited_ones_read_anew(folder: Path) -> None:
    panel = part_swap("teasel")
    path = folder / "mine.toml"
    path.write_text(load_amp("teasel").changed({"R14": "330"}).copy_as_text(), encoding="utf-8")
    panel.amp_list.again.click()
    panel.amps.value = next(v for _, v in panel.amps.options if str(v).endswith("mine.toml"))
    assert panel.amp.parts["R14"].ohms == 330.0
    path.write_text(load_amp("teasel").changed({"R14": "390"}).copy_as_text(), encoding="utf-8")
    import os

    os.utime(path, (1, 1))  # another time than before, however coarse the clock
    panel.amp_list.again.click()
    assert panel.amp.parts["R14"].ohms == 390.0


def test_a_parts_list_is_in_the_list_of_amps_and_a_list_of_readings_is_not(folder: Path) -> None:
    load_amp("teasel").changed({"R14": "330"}).save_as(folder / "mine.csv")
    load_amp("vetch").save_as(folder / "small.xlsx")
    (folder / "readings.csv").write_text("place,quantity,value\nk34,DC volts,18 V\n", encoding="utf-8")
    panel = part_swap("teasel")
    values = {str(value).rpartition("/")[2]: value for _, value in panel.amps.options}
    assert {"mine.csv", "small.xlsx"} <= set(values)
    assert "readings.csv" not in values
    panel.amps.value = values["mine.csv"]
    assert panel.amp.parts["R14"].ohms == 330.0


def test_the_supply_panel_takes_own_amps(folder: Path) -> None:
    (folder / "mine.toml").write_text(
        load_amp("teasel").changed({"C14": "33u"}).copy_as_text(), encoding="utf-8"
    )
    (folder / "broken.toml").write_text('[amp]\ntitle = "Broken"\n', encoding="utf-8")
    panel = supply("teasel")
    amps = panel.knob("amp")
    values = {str(value).rpartition("/")[2]: value for _, value in amps.choice.options}
    amps.choice.value = values["mine.toml"]
    assert panel.settings["reservoir"] == pytest.approx(33e-6)
    assert panel.knob("reservoir").entry.value == "33 µF"
    amps.choice.value = values["broken.toml"]
    assert "broken.toml" in amps.complaint.value
    assert amps.choice.value == values["mine.toml"]
    assert panel.result.amp.title == "Ottermere Teasel"
    assert supply(folder / "mine.toml").settings["reservoir"] == pytest.approx(33e-6)


def test_the_values_of_a_stage_as_text(folder: Path) -> None:
    panel = cathode_bias("12AX7")
    panel.set(cathode=2700.0)
    panel.buttons["values"].click()
    text = (folder / "12AX7-cathode-bias.txt").read_text(encoding="utf-8")
    assert "Cathode resistor: 2.70 kΩ" in text
    assert "12AX7" in text
    for table in panel.tables(panel.result, panel.before):
        assert table.text() in text
    assert "screen" not in text.splitlines()[0]


def test_what_cannot_be_written_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    panel = part_swap("teasel")

    def refuses(*_: object, **__: object) -> None:
        raise RecordError("cannot be written (read-only file system)", where="teasel.png", fix="Name another")

    monkeypatch.setattr("tubekit.panels.export_files.write_whole", refuses)
    panel.buttons["picture"].click()
    assert "Nothing was saved" in panel.saver.value
    assert "read-only" in panel.saver.value
    assert not list(folder.iterdir())


def test_a_copy_that_would_not_load_says_so() -> None:
    panel = part_swap("teasel")
    panel.set({"V5": "removed"})
    panel.buttons["amp_file"].click()
    said = panel.saver.value
    assert "teasel-changed.toml" in said
    assert "would not load" in said


@pytest.mark.parametrize("stem", ["../elsewhere", "a/b", "", "..", "sp ace"])
def test_names_stay_in_the_folder(stem: str, folder: Path) -> None:
    path = write_new(b"x", stem, ".txt")
    assert path.parent == folder
    assert [each.name for each in folder.iterdir()] == [path.name]
