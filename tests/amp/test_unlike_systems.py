"""A tube with unlike sections: drawn, checked, solved and compared with the ratings of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tubekit import analyze, load_amp, tube
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.parts.tubes import Tube
from tubekit.decisions.limits import limits
from tubekit.decisions.population import variables
from tubekit.devices.tube_check import check_tube_file
from tubekit.devices.tube_files import completed, tube_data
from tubekit.errors import AmpFileError, ChangeError, InputError, TableError

AMP = """
[amp]
title = "Bench amp of one 6BM8"
design_mains = "230 V"
mains_frequency = "50 Hz"

[P1]
kind = "mains plug"
line = "line"
neutral = "neutral"
earth = "ground"

[T1]
kind = "power transformer"
[T1.primary]
nodes = ["line", "neutral"]
volts = ["230 V"]
resistance = ["40"]
inductance = "40 H"
[T1.high_voltage]
nodes = ["hv", "ground"]
volts = ["180 V"]
resistance = ["150"]
[T1.heater]
nodes = ["h1", "ground"]
volts = ["6.6 V"]
resistance = ["0.1"]

[CR1]
type = "1N4007"
nodes = ["hv", "B1"]
[C1]
value = "47u"
nodes = ["B1", "ground"]
rating = "350 V"
[R1]
value = "2.2k"
nodes = ["B1", "B2"]
[C2]
value = "22u"
nodes = ["B2", "ground"]
rating = "350 V"

[V1]
type = "6BM8"
heater = ["h1", "ground"]
[V1.a]
plate = "p1"
grid = "g1"
cathode = "k1"
[V1.b]
plate = "p2"
screen = "B2"
grid = "g2"
cathode = "k2"

[R2]
value = "1M"
nodes = ["g1", "ground"]
[R3]
value = "100k"
nodes = ["B2", "p1"]
[R4]
value = "1.5k"
nodes = ["k1", "ground"]
[C3]
value = "10n"
nodes = ["p1", "g2"]
[R5]
value = "470k"
nodes = ["g2", "ground"]
[R6]
value = "330"
nodes = ["k2", "ground"]
[T2]
kind = "output transformer"
[T2.primary]
nodes = ["B1", "p2"]
turns = [28]
resistance = ["300"]
inductance = "12 H"
[T2.secondary]
nodes = ["ls", "ground"]
turns = [1]
resistance = ["0.4"]
[LS1]
nodes = ["ls", "ground"]
ohms = "8"
"""


def exchanged(text: str) -> str:
    return text.replace("[V1.a]", "[V1.x]").replace("[V1.b]", "[V1.a]").replace("[V1.x]", "[V1.b]")


def written(folder: Path, text: str = AMP) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_it_is_a_family_of_its_own() -> None:
    known = facts("ECL82")
    assert (known.family, known.sections, known.words) == ("triode and pentode", 2, "a triode and pentode")


def test_each_section_has_the_law_of_its_system(tmp_path: Path) -> None:
    amp = load_amp(written(tmp_path))
    part = amp.parts["V1"]
    assert isinstance(part, Tube)
    assert [s.screen for s in part.sections] == [None, "B2"]
    report = analyze(amp)
    a, b = report.tube("V1a"), report.tube("V1b")
    triode, pentode = tube("6BM8").system(0), tube("6BM8").system(1)
    point = triode.at(plate=a.plate_v, grid=a.grid_v)
    assert a.plate_a == pytest.approx(point.plate_a, rel=1e-6)
    point = pentode.at(plate=b.plate_v, screen=b.screen_v, grid=b.grid_v)
    assert (b.plate_a, b.screen_a) == pytest.approx((point.plate_a, point.screen_a), rel=1e-6)
    assert np.isnan(a.screen_v)
    # Each against the rating of its own system: 1 W and 7 W (data/tubes/systems).
    assert a.plate_share == pytest.approx(a.plate_w / 1.0)
    assert b.plate_share == pytest.approx(b.plate_w / 7.0)
    rules = {(c.part, c.what): c.rule for c in limits(report).checks}
    assert rules["V1a", "plate dissipation"] == "6BM8 triode design-center rating"
    assert rules["V1b", "plate dissipation"] == "6BM8 pentode design-center rating"


def test_a_worn_bottle_is_worn_in_both_systems(tmp_path: Path) -> None:
    amp = load_amp(written(tmp_path))
    new, worn = (analyze(each) for each in (amp, amp.changed({"V1.emission": 0.5})))
    for section in ("V1a", "V1b"):
        assert worn.tube(section).plate_a < 0.9 * new.tube(section).plate_a


def test_each_system_varies_in_its_own_way(tmp_path: Path) -> None:
    names = {variable.name for variable in variables(load_amp(written(tmp_path)))}
    assert {"V1a mu", "V1b mu", "V1b screen share", "V1 emission"} <= names
    assert "V1a screen share" not in names


TWO_TRIODES = AMP.replace('"6BM8"', '"12DW7"\nheater_halves = "parallel"').replace('screen = "B2"\n', "")


@pytest.mark.parametrize("type_", ["6BM8", "6U8", "6AN8", "7199"])
def test_exchanged_sections_are_refused(tmp_path: Path, type_: str) -> None:
    text = exchanged(AMP).replace('"6BM8"', f'"{type_}"')
    words = rf"V1.a: {type_} triode is a triode and has no screen.* \[V1.b\] is the {type_} pentode"
    with pytest.raises(AmpFileError, match=words):
        load_amp(written(tmp_path, text))


def test_a_section_without_a_letter_of_its_type_is_refused(tmp_path: Path) -> None:
    text = TWO_TRIODES.replace("[V1.b]", "[V1.c]")
    with pytest.raises(AmpFileError, match=r"V1.c: .*\[V1.a\] is the 12DW7 section a, \[V1.b\] is the"):
        load_amp(written(tmp_path, text))


def test_each_triode_of_two_unlike_ones_has_its_own_law(tmp_path: Path) -> None:
    amp = load_amp(written(tmp_path, TWO_TRIODES))
    high, medium = tube("12AX7"), tube("12AU7")  # made to their curves, from memory
    report = analyze(amp)
    for name, like in (("V1a", high), ("V1b", medium)):
        here = report.tube(name)
        assert here.plate_a == pytest.approx(like.at(plate=here.plate_v, grid=here.grid_v).plate_a, rel=1e-6)
    alone = analyze(amp.changed({"V1": "12AX7"}))
    assert report.tube("V1a").plate_a == pytest.approx(alone.tube("V1a").plate_a, rel=0.1)
    assert report.tube("V1b").plate_a > 3.0 * alone.tube("V1b").plate_a
    turned = analyze(load_amp(written(tmp_path, exchanged(TWO_TRIODES))))
    assert turned.tube("V1a").plate_a == pytest.approx(alone.tube("V1b").plate_a, rel=0.1)
    rules = {(c.part, c.what): c.rule for c in limits(report).checks}
    assert rules["V1b", "plate dissipation"] == "12DW7 section b design-max rating"


def test_unlike_sections_bring_their_own_pins() -> None:
    pins = tube("12DW7").pins
    assert pins == tube("12AX7").pins, "the socket of a dual triode"
    data = dict(tube_data("12DW7")) | {"pins": {"heater": [4, 5]}}
    twice = completed(data | {"systems": ["12DW7 section a"] * 2}, "own.toml")
    with pytest.raises(TableError, match=r"pins\.plate b: pin 1 is already the plate a"):
        check_tube_file(twice, "own.toml")


def test_two_unlike_triodes_have_to_be_asked_one_by_one() -> None:
    with pytest.raises(InputError, match=r"12DW7: .*Ask one: tube\('12DW7 section a'\) or"):
        tube("12DW7").at(plate=250, grid=-2)
    assert tube("12DW7 section a").at(plate=250, grid=-2).mu == pytest.approx(100, rel=0.05)  # from memory
    assert tube("12DW7 section b").at(plate=250, grid=-8.5).mu == pytest.approx(17, rel=0.05)  # from memory


def test_it_is_no_substitute_for_a_twin_triode() -> None:
    with pytest.raises(ChangeError):
        load_amp("teasel").changed({"V1": "6BM8"})
