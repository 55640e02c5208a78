"""The tube catalogue: names, records against the handbook tables, points, and what it refuses."""

from __future__ import annotations

import dataclasses
import tomllib

import numpy as np
import pytest

from tubekit.devices import Pentode, SiliconDiode, Triode, TubeDiode, add_tube, catalogue, tube, tube_types
from tubekit.devices.tube_files import tube_path
from tubekit.devices.tube_spread import IN_LIMITS, USUAL_SIGMA, NewTubeSpread
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
        assert record.ratings.status in ("printed", "second-hand", "memory")
        assert record.ratings.system
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
        "6v6g": "6V6GT",
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
    assert record.ratings.system == row.text("rating_system").replace("centre", "center")
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
    limit = row["C_in_max_uF"]  # of some only the capacitor of a typical operation is known
    assert ratings.reservoir_max_f == (None if limit is None else pytest.approx(1e-6 * float(limit)))
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
    assert (old.ratings.system, new.ratings.system) == ("design-center", "design-max")
    assert new.ratings.plate_w > old.ratings.plate_w
    assert new.pins == old.pins
    assert not set(new.equivalents) & set(old.equivalents)


@pytest.mark.parametrize(
    ("type_", "other"),
    [
        ("6J5", "6SN7GT"), ("6CG7", "6SN7GT"), ("6AQ5", "6V6GT"), ("7189", "EL84"), ("6EU7", "12AX7"),
        ("6AV6", "12AX7"), ("7027A", "6L6GC"), ("807", "6L6"), ("12AU6", "6AU6"), ("80", "5Y3GT"),
        ("5Z3", "5U4G"),
    ],
)  # fmt: skip
def test_types_that_makers_call_alike_share_one_law(type_, other):
    """Identities as makers state them, from memory: the law is referred to, never written twice."""
    data = tomllib.loads(tube_path(type_).read_text(encoding="utf-8"))
    assert data["like"] == other
    assert "law" not in data
    assert tube(type_).law.parameters() == tube(other).law.parameters()
    assert data["base"], "states its own base, and pins on it"
    assert data["pins"]


def test_the_catalogue_is_complete():
    wanted = (
        "12AX7 12AY7 12AT7 12AU7 6SL7GT 6SN7GT 6SC7 6BM8 2A3 6SJ7 EF86 6V6GT 6L6 5881 6L6GC EL84 EL34 6550 "
        "KT88 7591 6F6 5AR4 5U4G 5U4GB 5Y3GT 5V4G 6X4 6CA4 5R4GY silicon 6CG7 6AQ5 6973 6K6GT 6EU7 6AV6 "
        "6J5 7199 6AN8 6U8 12DW7 12BH7 6DJ8 7189 7027A 807 5879 6AU6 12AU6 80 5Z3 6X5GT EZ80 GZ37 35Z5GT "
        "50L6GT 0A2 0B2 0C3 0D3"
    )
    assert set(wanted.split()) <= set(tube_types())
    both = {"EF86": "6267", "EL84": "6BQ5", "EL34": "6CA7", "6BM8": "ECL82", "12AU7": "ECC82", "6X4": "EZ90"}
    for type_, other in both.items():
        assert tube(other) is tube(type_)


def test_a_bottle_of_unlike_systems_answers_with_the_one_that_is_asked():
    both = tube("ECL82")
    assert [each.type for each in both.systems] == ["6BM8 triode", "6BM8 pentode"]
    triode, pentode = both.system(0), both.system(1)
    assert both.at(plate=100, grid=0).plate_a == triode.at(plate=100, grid=0).plate_a
    assert both.at(plate=170, screen=170, grid=-11.5).type == "6BM8 pentode"
    assert both.law is pentode.law
    assert both.sections == 2
    assert "6BM8 triode" not in tube_types(), "a system is no type that goes into a socket"
    assert tube("6V6GT").system(0) is tube("6V6GT")
    assert tube("12AX7").system(1) is tube("12AX7")
    text = str(both)
    assert "Ratings of 6BM8 triode" in text
    assert "Ratings of 6BM8 pentode" in text
    worn = both.aged(emission=0.5)
    assert worn.at(plate=100, grid=-1).plate_a == pytest.approx(
        0.5 * both.at(plate=100, grid=-1).plate_a, rel=0.01
    )


def test_a_worn_tube_and_one_off_the_mean():
    at = {"plate": 250.0, "screen": 250.0, "grid": -12.5}
    new = tube("6V6GT")
    worn = new.aged(emission=0.7, spread=1.2)
    assert worn.at(**at).plate_a == pytest.approx(0.84 * new.at(**at).plate_a, rel=1e-6)
    assert (worn.emission, worn.current_factor) == (0.7, 1.2)
    assert worn.aged(emission=0.5).emission == pytest.approx(0.35)
    assert "Emission 0.7" in worn.headline()
    batch = new.aged(spread=np.array([0.8, 1.0, 1.2])).at(**at)
    assert batch.plate_a == pytest.approx(np.array([0.8, 1.0, 1.2]) * new.at(**at).plate_a, rel=1e-6)
    with pytest.raises(InputError, match=r"6V6GT: emission 0 is not above zero"):
        new.aged(emission=0)
    with pytest.raises(InputError, match="spread nan"):
        new.aged(spread=float("nan"))


def test_the_spread_of_new_tubes_is_a_makers_or_common_practice():
    printed, usual = tube("6V6GT").spread, tube("12AX7").spread
    # 33 to 59 mA at 250/250 V, -12.5 V (printed, maker's limits).
    current = tube("6V6GT").at(plate=250, screen=250, grid=-12.5).plate_a * 1e3
    assert (printed.low * current, printed.high * current) == pytest.approx((33.0, 59.0))
    assert printed.sigma == pytest.approx((59 - 33) / current / 2 / IN_LIMITS)
    assert {limit.quantity for limit in printed.limits} >= {"plate current", "gm", "screen current"}
    assert (usual.sigma, usual.status) == (USUAL_SIGMA, "common practice")
    assert NewTubeSpread().at is None
    assert tube("6SN7GTB").spread.limits == tube("6SN7GT").spread.limits


def test_what_others_printed_can_be_had_by_name():
    assert tube("ECC83", law="published").type == "12AX7"
    second = tube("12AX7", law="Published RSD-2")
    assert second.law.parameters()["mu"] == 100.2
    assert second.fit == ()
    assert tube("EL34", law="published").at(plate=250, screen=265, grid=-13.5).plate_a > 0.05
    for law, words in (
        ("published none", "no published parameters named 'none'"),
        ("own", "there is no model 'own'"),
    ):
        with pytest.raises(UnknownTube, match=words):
            tube("12AX7", law=law)
    with pytest.raises(UnknownTube, match=r"2A3: there are no published parameters of it"):
        tube("2A3", law="published")


@pytest.fixture
def none_added():
    yield
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()


def test_a_tube_of_ones_own_is_found_like_any_other(none_added):
    own = dataclasses.replace(tube("6V6GT").aged(spread=1.1), type="Shop 6V6", equivalents=())
    assert add_tube(own) is own
    assert tube("shop 6v6") is own
    assert "Shop 6V6" in tube_types()
    with pytest.raises(InputError, match="Shop 6V6: the catalog already has a tube of that name"):
        add_tube(own)
    again = dataclasses.replace(own, title="another")
    add_tube(again, replacing=True)
    assert tube("Shop 6V6").title == "another"
    with pytest.raises(InputError, match="6V6GT: the catalog already has"):
        add_tube(dataclasses.replace(own, type="6V6GT"), replacing=True)
    with pytest.raises(InputError, match="6V6G: the catalog already has"):
        add_tube(dataclasses.replace(own, type="Shop 6V6 b", equivalents=("6V6G",)))


def test_tubes_of_ones_own_come_from_directories_too(tmp_path, monkeypatch, none_added):
    text = (
        tube_path("12AY7")
        .read_text(encoding="utf-8")
        .replace('equivalents = ["6072", "6072A"]', "equivalents = []")
    )
    (tmp_path / "Bench 12AY7.toml").write_text(text, encoding="utf-8")
    monkeypatch.setenv(catalogue.OWN_TUBES, str(tmp_path))
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()
    assert tube("bench 12ay7").law.parameters() == tube("12AY7").law.parameters()
    monkeypatch.setenv(catalogue.OWN_TUBES, str(tmp_path / "nowhere"))
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()
    with pytest.raises(TableError, match="nowhere: TUBEKIT_TUBES: is no directory"):
        tube("12AX7")


def test_pin_numbers_of_common_tubes():
    # From memory: basing diagrams 9A (12AX7), 7AC (6V6GT), 5DA (5AR4).
    assert [tube("12AX7").pins[f"{name} b"] for name in ("plate", "grid", "cathode")] == [6, 7, 8]
    assert [tube("6V6GT").pins[name] for name in ("plate", "screen", "grid", "cathode")] == [3, 4, 5, 8]
    assert tube("5AR4").pins["cathode"] == 8
    assert tube("5AR4").pins["heater"] == (2, 8)


def test_capacitances_are_in_farads():
    # 12AX7: 1.7 and 1.6 pF, from memory.
    assert tube("ECC83").capacitances["grid_plate"] == pytest.approx(1.7e-12)
    assert tube("12AX7").capacitances["grid_cathode"] == pytest.approx(1.6e-12)
    assert tube("6V6GT").capacitances["grid_plate"] == pytest.approx(0.7e-12)


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
        ("kind = 'triode'\n", "title: is missing"),
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
        tube_files.system_types,
        tube_files.tube_data,
        catalogue._types,
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


@pytest.mark.parametrize(
    ("type_", "field", "value"),
    [  # from memory
        ("1N4004", "piv", 400.0), ("1N4005", "piv", 600.0), ("1N4006", "piv", 800.0),
        ("5691", "heater_amps", 0.6), ("5814A", "heater_amps", 0.35), ("6072", "heater_amps", 0.35),
        ("ECC35", "heater_amps", 0.4), ("ECC33", "heater_amps", 0.4), ("GZ32", "heater_amps", 2.3),
        ("KT77", "heater_amps", 1.4), ("6SN7GT", "plates_w", 5.0), ("6SN7GTB", "plates_w", 7.5),
        ("EF86", "heater_positive_v", 50.0), ("EF86", "grid_leak_light", 10e6),
    ],
)  # fmt: skip
def test_what_is_called_an_equivalent_keeps_a_heater_and_limits_of_its_own(type_, field, value):
    record = tube(type_)
    assert record.type == type_
    assert getattr(record if hasattr(record, field) else record.ratings, field) == pytest.approx(value)


def test_ecc33_is_no_6sn7():
    """mu about 35 (from memory) where a 6SN7 has 20."""
    assert tube("ECC33").at(plate=250, grid=-4).mu == pytest.approx(35, rel=0.05)
    assert tube("6SN7").at(plate=250, grid=-8).mu < 23


def test_a_surge_is_not_judged_by_the_repetitive_peak():
    ratings = tube("1N4007").ratings
    assert ratings.surge_a > ratings.peak_a
    assert tube("5AR4").ratings.surge_a > tube("5AR4").ratings.peak_a
