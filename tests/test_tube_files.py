"""Tube files held to what a tube can be, and one that is damaged stopping only what uses it."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tubekit.amp import amp_from_text, load_amp
from tubekit.amp.parts.tube_facts import facts
from tubekit.devices import add_tube, catalogue, tube, tube_files
from tubekit.devices.tube_check import check_tube_file
from tubekit.devices.tube_files import tube_data, tube_path
from tubekit.errors import AmpFileError, TableError, UnknownTube
from tubekit.panels.part_settings import tube_options


@pytest.fixture
def none_added() -> Iterator[None]:
    yield
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()


def own_file(tmp_path: Path, like: str, *swaps: tuple[str, str]) -> Path:
    """A copy of a tube file under a name of its own, with some of its text put otherwise."""
    text = tube_path(like).read_text(encoding="utf-8").replace("equivalents", "# equivalents")
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "Shelf.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("like", ["12AX7", "6V6GT", "5Y3GT", "1N4007", "2A3", "6SJ7", "7591"])
def test_a_sound_file_of_ones_own_is_taken(tmp_path, none_added, like):
    assert add_tube(own_file(tmp_path, like)).law.parameters() == tube(like).law.parameters()


@pytest.mark.parametrize(
    ("like", "old", "new", "code", "words"),
    [
        ("12AX7", "sections = 2", "sections = 20", "range", "sections: 20 is outside 1 to 3"),
        ("12AX7", "sections = 2", 'sections = "2"', "type", "sections: is '2', not a whole number"),
        ("12AX7", 'kind = "triode"', 'kind = "triod"', "kind", "'triod' is not a kind of a tube.*triode"),
        ("12AX7", 'base = "noval"', 'base = "novel"', "base", "'novel' is not a base of a tube.*Near: noval"),
        ("12AX7", "[heater]", "[heatr]", "unknown_key", "heatr: is not known here.*Near: heater"),
        ("12AX7", 'amps = "', 'ampere = "', "unknown_key", r"heater.ampere: is not known.*Near: amps"),
        ("12AX7", 'volts = "6.3 V"', 'volts = "6.3 A"', "unit", "heater.volts: '6.3 A' is not a voltage"),
        ("12AX7", 'volts = "6.3 V"', "volts = 6.3", "unit", "heater.volts: is 6.3, without a unit"),
        ("12AX7", '"plate a" = 1', '"plate a" = 10', "pins", "there is no pin 10 on a base of kind 'noval'"),
        ("12AX7", '"plate a" = 1', '"plate a" = 0', "pins", "no pin 0"),
        ("12AX7", '"plate a" = 1', '"plate a" = 7', "pins", "pin 7 is already the plate a"),
        ("12AX7", '"plate a" = 1', '"plat a" = 1', "unknown_key", "pins.plat a.*Near: plate a"),
        ("12AX7", '"plate a" = 1\n', "", "pins", "pins.plate: only 1 of 2 given"),
        ("12AX7", 'plate_w = "', 'plate_watts = "', "unknown_key", "ratings.plate_watts.*Near: plate"),
        ("12AX7", 'grid_plate = "1.7 pF"', 'grid_plate = "1.7 uF"', "range", "capacitances.grid_plate"),
        ("5Y3GT", 'drop = "', 'drop = "0', "range", "law.drop"),
        ("12AX7", "[law]", "[law]\nknee = 2", "unknown_key", "law.knee: is not known here"),
    ],
)  # fmt: skip
def test_a_slip_in_a_tube_file_is_named(tmp_path, like, old, new, code, words):
    if old.startswith("drop"):
        new = 'drop = "0 V" #'
    with pytest.raises(TableError, match=words) as raised:
        add_tube(own_file(tmp_path, like, (old, new)))
    assert raised.value.code == code
    assert "Shelf.toml" in str(raised.value)


@pytest.mark.parametrize("like", ["12AX7", "6V6GT", "1N4007"])
@pytest.mark.parametrize("written", ["0", "1e300", "nan", "-inf", '"much"', "true"])
def test_every_value_of_a_law_is_held_to_what_it_can_be(tmp_path, like, written):
    """Refused by name and range; a parameter that may be zero (an offset) takes 0."""
    data = tube_data(like)
    for name in data["law"]:
        wrong = {**data, "law": {**data["law"], name: tomllib.loads(f"x = {written}")["x"]}}
        if written == "0" and name in ("offset", "grid_offset"):
            check_tube_file(wrong, "shelf.toml")
            continue
        with pytest.raises(TableError, match=rf"shelf.toml: law.{name}: .* between .* and ") as raised:
            check_tube_file(wrong, "shelf.toml")
        assert raised.value.key == name


@pytest.fixture
def copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The tube files in a folder of their own, to be damaged; nothing read before is remembered."""
    shutil.copytree(tube_path("12AX7").parent, tmp_path / "tubes")
    cached = (
        tube_files.file_types, tube_files.system_types, tube_files.tube_data, catalogue._names,
        catalogue._tube, catalogue._spellings, catalogue._added, catalogue._peeked, facts,
    )  # fmt: skip
    monkeypatch.setattr(tube_files, "data_file", tmp_path.joinpath)
    for each in cached:
        each.cache_clear()
    yield tmp_path / "tubes"
    monkeypatch.undo()
    for each in cached:
        each.cache_clear()


@pytest.mark.parametrize("text", ["[law\n", "kind = 'triode'\n", "\0\xff", "like = 'KT88'\n"])
def test_one_damaged_file_stops_only_what_uses_it(copied, text):
    (copied / "KT88.toml").write_text(text, encoding="latin-1")
    assert tube("ECC83").type == "12AX7"
    assert load_amp("teasel").parts["V3"].type == "6V6GT"
    assert "KT88" not in [name for _, name in tube_options(load_amp("teasel").parts["V3"])]
    with pytest.raises((TableError, UnknownTube), match=r"data/tubes/KT88.toml"):
        tube("KT88")
    with pytest.raises(AmpFileError, match=r"KT88.toml") as raised:
        amp_from_text('[amp]\nextends = "teasel"\n[V3]\ntype = "KT88"\n')
    assert raised.value.part == "V3"


def test_an_equivalent_of_a_file_that_cannot_be_read_says_which(copied):
    (copied / "12AX7.toml").write_text("[law", encoding="utf-8")
    with pytest.raises(UnknownTube, match=r"the files of .*\b12AX7\b.* cannot be read"):
        tube("ECC83")


def test_a_damaged_file_of_ones_own_stops_only_itself(tmp_path, monkeypatch, none_added):
    (tmp_path / "Bad.toml").write_text("[law", encoding="utf-8")
    (tmp_path / "6V6GT.toml").write_text("kind = 'triode'", encoding="utf-8")
    good = own_file(tmp_path, "12AY7")
    monkeypatch.setenv(catalogue.OWN_TUBES, str(tmp_path))
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()
    assert tube("12AX7").type == "12AX7"
    assert tube(good.stem).law.parameters() == tube("12AY7").law.parameters()
    with pytest.raises(TableError, match=r"Bad.toml: cannot be read"):
        tube("bad")
    with pytest.raises(TableError, match=r"6V6GT: has the name of another tube"):
        tube("6V6GT")


def test_an_unknown_type_lists_near_ones_and_a_wrong_count_of_sections_is_said():
    with pytest.raises(AmpFileError, match="'12AX8' is not a known tube type") as raised:
        amp_from_text('[amp]\nextends = "teasel"\n[V1]\ntype = "12AX8"\n')
    assert "12AX7" in raised.value.near
    assert raised.value.code == "unknown_tube"
    assert "data sheet" in raised.value.fix  # the way to add it
    assert "tubekit fit points.csv --like TYPE" in raised.value.fix
    with pytest.raises(AmpFileError) as raised:
        amp_from_text('[amp]\nextends = "teasel"\n[V1]\ntype = "2A3"\n')
    result = next(one for one in raised.value.problems if one.code == "too_many_sections")
    assert result.near
    assert {tube(one).sections for one in result.near} == {2}
    third = '[V1.c]\nplate = "p1a"\ngrid = "g1a"\ncathode = "k1a"\n'
    with pytest.raises(AmpFileError, match="12AX7 is a twin triode, but 3 sections are entered") as raised:
        amp_from_text(f'[amp]\nextends = "teasel"\n{third}')
    assert raised.value.code == "too_many_sections"
