"""The tube catalogue: names, records against the handbook tables, points, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit.devices import Pentode, SiliconDiode, Triode, TubeDiode, catalogue, tube, tube_types
from tubekit.devices.tube_files import tube_path
from tubekit.errors import InputError, TableError, UnknownTube
from tubekit.tables import handbook
from tubekit.units import parse

RATING_COLUMNS = {
    "plate_v": ("Va_max_V", 1.0),
    "plate_w": ("Pa_max_W", 1.0),
    "screen_v": ("Vg2_max_V", 1.0),
    "screen_w": ("Pg2_max_W", 1.0),
    "cathode_a": ("Ik_max_mA", 1e-3),
    "heater_cathode_v": ("Vhk_max_V", 1.0),
    "grid_leak_fixed": ("Rg_fixed_max_ohm", 1.0),
    "grid_leak_cathode_bias": ("Rg_cathode_bias_max_ohm", 1.0),
}
RATED = {row.text("tube").split(" / ")[0]: row for row in handbook("tubes_max_ratings")}
RECTIFIERS = {name: row for row in handbook("rectifier_ratings") for name in row.text("tube").split("/")}


def test_every_file_reads_into_a_whole_record():
    for type_ in tube_types():
        record = tube(type_)
        assert record.type == type_
        assert record.title
        assert record.base
        assert record.known, "a record says how its pins are known"
        assert record.ratings.status in ("printed", "memory")
        assert record.ratings.source
        # A directly heated cathode, and that of a 5AR4, is a pin of the heater.
        pins = [pin for name, pin in record.pins.items() if not name.startswith("heater")]
        assert len(pins) == len(set(pins)), f"{type_} names a pin twice"
        assert str(record).startswith(type_)
        assert "<table" in record._repr_html_()


def test_names_are_found_in_any_case_and_by_equivalents():
    assert tube("12ax7") is tube(" ECC83 ") is tube("12AX7")
    for name, type_ in {
        "7025": "12AX7",
        "GZ34": "5AR4",
        "6v6": "6V6GT",
        "ez81": "6CA4",
        "ECC82": "12AU7",
    }.items():
        assert tube(name).type == type_


def test_no_name_means_two_types():
    names = [n.casefold() for type_ in tube_types() for n in (type_, *tube(type_).equivalents)]
    assert len(names) == len(set(names))


def test_an_unknown_tube_names_its_neighbours():
    with pytest.raises(UnknownTube, match=r"no tube '12AX8'.*Near: 12AX7"):
        tube("12AX8")
    with pytest.raises(UnknownTube, match=r"12AX7: is a tube, not a silicon diode.*1N4007"):
        catalogue.silicon("12AX7")
    with pytest.raises(UnknownTube, match="Near: 6V6GT"):
        tube_path("6V6TG")


@pytest.mark.parametrize("type_", [t for t in tube_types() if t in RATED])
def test_ratings_are_those_of_the_handbook_table(type_):
    record, row = tube(type_), RATED[type_]
    assert record.ratings.system == row.text("rating_system")
    assert record.ratings.status == row.status
    for field, (column, scale) in RATING_COLUMNS.items():
        limit = getattr(record.ratings, field)
        if row[column] is None:
            assert limit is None
        else:
            assert limit == pytest.approx(row.number(column) * scale)


@pytest.mark.parametrize("type_", [t for t in tube_types() if t in RECTIFIERS])
def test_rectifiers_are_those_of_the_handbook_table(type_):
    record, row = tube(type_), RECTIFIERS[type_]
    ratings = record.ratings
    assert ratings.piv == row.number("PIV_V")
    assert ratings.peak_a == pytest.approx(row.number("Ipk_plate_mA") * 1e-3)
    assert ratings.dc_a == pytest.approx(row.number("Idc_max_mA") * 1e-3)
    assert ratings.reservoir_max_f == pytest.approx(row.number("C_in_max_uF") * 1e-6)
    volts, amps = row.text("heater").split(" V ")
    assert record.heater_volts == parse(volts, "V")
    assert record.heater_amps == parse(amps, "A")
    current, _ = record.law.evaluate(np.array([row.number("drop_V")]))
    assert current[0] == pytest.approx(row.number("at_mA_per_plate") * 1e-3)


def test_heaters_are_those_of_the_handbook_table():
    seen = 0
    for type_ in tube_types():
        for row in handbook("tubes_characteristics", tube=type_):
            volts, amps = (row.text(name).split("/")[-1] for name in ("Vh_V", "Ih_A"))
            # The table prints the halves in series first; the record has them in parallel at 6.3 V.
            assert tube(type_).heater_volts == parse(volts, "V")
            assert tube(type_).heater_amps == pytest.approx(parse(amps, "A"))
            seen += 1
    assert seen > 5


def test_kinds_have_the_law_of_their_kind():
    assert isinstance(tube("12AX7").law, Triode)
    assert isinstance(tube("6V6GT").law, Pentode)
    assert isinstance(tube("5Y3GT").law, TubeDiode)
    assert isinstance(tube("silicon").law, SiliconDiode)
    assert catalogue.silicon("1n4007") is tube("1N4007").law
    assert tube("silicon").heater_amps is None
    assert tube("5Y3GT").directly_heated
    assert tube("5AR4").directly_heated is False
    assert tube("12AX7").sections == tube("5Y3GT").sections == 2


def test_later_makes_share_the_law_and_have_their_own_ratings():
    old, new = tube("6V6GT"), tube("6V6GTA")
    assert new.law.parameters() == old.law.parameters()
    assert (old.ratings.system, new.ratings.system) == ("design-centre", "design-max")
    assert new.ratings.plate_w > old.ratings.plate_w
    assert new.pins == old.pins
    assert not set(new.equivalents) & set(old.equivalents)


def test_pin_numbers_of_common_tubes():
    # From memory: basing diagrams 9A (12AX7), 7AC (6V6GT), 5DA (5AR4).
    assert [tube("12AX7").pins[f"{name} b"] for name in ("plate", "grid", "cathode")] == [6, 7, 8]
    assert [tube("6V6GT").pins[name] for name in ("plate", "screen", "grid", "cathode")] == [3, 4, 5, 8]
    assert tube("5AR4").pins["cathode"] == 8
    assert tube("5AR4").pins["heater"] == (2, 8)


def test_capacitances_are_in_farads():
    # 12AX7: 1.7 and 1.6 pF, from memory.
    assert catalogue.capacitances("ECC83")["grid_plate"] == pytest.approx(1.7e-12)
    assert catalogue.capacitances("12AX7")["grid_cathode"] == pytest.approx(1.6e-12)
    assert catalogue.capacitances("6V6GT")["grid_plate"] == pytest.approx(0.7e-12)


def test_a_point_has_the_slopes_of_its_own_currents():
    record = tube("6V6GT")
    at = {"plate": 250.0, "grid": -12.5, "screen": 250.0}
    point = record.at(**at)
    up = record.at(**at | {"grid": -12.4}).plate_a - record.at(**at | {"grid": -12.6}).plate_a
    assert point.gm == pytest.approx(up / 0.2, rel=1e-4)
    wide = record.at(**at | {"plate": 251.0}).plate_a - record.at(**at | {"plate": 249.0}).plate_a
    assert point.rp == pytest.approx(2.0 / wide, rel=1e-4)
    assert point.mu == pytest.approx(point.gm * point.rp)
    assert "transconductance" in str(point)
    assert "6V6GT" in repr(point)


def test_points_take_arrays_and_keep_them():
    point = tube("12AX7").at(plate=np.array([100.0, 250.0]), grid=[[-1.0], [-2.0]])
    assert point.plate_a.shape == point.mu.shape == (2, 2)
    assert point.screen_a is None
    assert point.plate_a[1, 1] == tube("12AX7").at(plate=250, grid=-2).plate_a
    with pytest.raises(ValueError, match="read-only"):
        point.plate_a[0, 0] = 1.0


def test_a_cut_off_tube_has_infinite_plate_resistance_and_no_warning():
    point = tube("12AX7").at(plate=250, grid=-1000)
    assert point.plate_a == 0.0
    assert point.rp == np.inf


@pytest.mark.parametrize(
    ("type_", "voltages", "words"),
    [
        ("12AX7", {"plate": 250, "grid": -2, "screen": 250}, "a triode has no screen"),
        ("6V6GT", {"plate": 250, "grid": -12.5}, "a beam tetrode needs its screen voltage"),
        ("5Y3GT", {"plate": 50}, "a rectifier has no grid"),
    ],
)
def test_voltages_that_do_not_fit_the_tube_are_refused_in_plain_words(type_, voltages, words):
    with pytest.raises(InputError, match=f"{type_}: {words}"):
        tube(type_).at(**voltages)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind = 'triode'\n", "incomplete or damaged: 'title'"),
        ("kind = \n", "cannot be read"),
        ("like = 'no such tube'\n", "no tube 'no such tube'"),
    ],
)
def test_a_damaged_file_is_named(tmp_path, monkeypatch, text, words):
    from tubekit.devices import tube_files

    (tmp_path / "tubes").mkdir()
    (tmp_path / "tubes" / "9X9.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(tube_files, "data_file", tmp_path.joinpath)
    caches = (
        tube_files.file_types,
        tube_files.tube_data,
        catalogue._names,
        catalogue._tube,
        catalogue._spellings,
    )
    for cached in caches:
        cached.cache_clear()
    try:
        with pytest.raises((TableError, UnknownTube), match=words) as raised:
            tube("9X9")
        assert "data/tubes" in str(raised.value)
    finally:
        for cached in caches:
            cached.cache_clear()
