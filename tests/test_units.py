"""Marking, engineering notation and preferred values.

Reference values: data/handbook/standards.csv (IEC 60062, IEC 60063; status in the table). The rest are round
trips.
"""

import math
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose

from tubekit import units
from tubekit.errors import UnitError
from tubekit.tables import handbook

MARKINGS = [  # as printed in the IEC 60062 line of standards.csv, and the capacitor forms
    ("R47", "ohm", 0.47),
    ("4R7", "ohm", 4.7),
    ("470R", "ohm", 470.0),
    ("4K7", "ohm", 4700.0),
    ("47K", "ohm", 47e3),
    ("47K3", "ohm", 47.3e3),
    ("470K", "ohm", 470e3),
    ("4M7", "ohm", 4.7e6),
    ("100n", "F", 100e-9),
    ("4n7", "F", 4.7e-9),
    ("22p", "F", 22e-12),
    ("47µ", "F", 47e-6),
]


@pytest.mark.parametrize(("text", "unit", "value"), MARKINGS)
def test_markings_read_and_write(text, unit, value):
    assert units.parse(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1 M", "ohm", 1e6),
        ("1.5k", "ohm", 1500.0),
        ("1.5 kΩ", "ohm", 1500.0),
        ("1.5 k\u2126", "ohm", 1500.0),
        ("330 ohm", "ohm", 330.0),
        ("2.2 megohms", "ohm", 2.2e6),
        ("0.022 uF", "F", 0.022e-6),
        ("25uF", "F", 25e-6),
        ("47u", "F", 47e-6),
        ("47μ", "F", 47e-6),  # Greek mu, not the micro sign
        ("25 mfd", "F", 25e-6),
        (".02 MFD", "F", 0.02e-6),
        ("250 mmfd", "F", 250e-12),
        ("120 mA", "A", 0.12),
        ("2 A", "A", 2.0),
        ("117 V", "V", 117.0),
        ("450VDC", "V", 450.0),
        ("475 WVDC", "V", 475.0),
        ("315 VAC", "V", 315.0),
        ("−12.5 V", "V", -12.5),
        ("0.5 W", "W", 0.5),
        ("1/2 W", "W", 0.5),
        ("1/4W", "W", 0.25),
        ("10 %", "%", 10.0),
        ("60 Hz", "Hz", 60.0),
        ("1600 uS", "S", 1.6e-3),
        ("2.2e-9 F", "F", 2.2e-9),
        (np.float64(47), "ohm", 47.0),
        (8, "H", 8.0),
    ],
)
def test_bench_spellings(text, unit, value):
    assert units.parse(text, unit) == value


def test_milli_is_not_mega():
    assert units.parse("1M", "ohm") / units.parse("1m", "ohm") == 1e9


@pytest.mark.parametrize(
    ("text", "unit", "hint"),
    [
        ("33O", "ohm", "Perhaps 330 is meant"),
        ("4K7O", "ohm", "Perhaps 4K70 is meant"),
        ("l00k", "ohm", "Perhaps 100k is meant"),
        ("1,5k", "ohm", "Perhaps 1.5k is meant"),
        ("20 mF", "F", "write uF"),
        ("120 MA", "A", "m is milli and M is mega"),
        ("4R7k", "ohm", "4K7"),
        ("0.1M", "F", "100n"),
        ("100n", "ohm", "4K7"),
        ("1/2", "ohm", "4K7"),
        ("1/0 W", "W", "1/2 W"),
        ("", "ohm", "4K7"),
        ("nan", "V", "335 V"),
        ("inf", "V", "335 V"),
        ("1e999", "V", "335 V"),
        ("1_000", "V", "335 V"),
        ("٣", "V", "335 V"),
        ("12 V; 3", "V", "335 V"),
        ("__import__('os')", "V", "335 V"),
        (True, "ohm", "4K7"),
        (np.True_, "ohm", "4K7"),
        (None, "ohm", "4K7"),
        (math.nan, "ohm", "4K7"),
        (10**400, "ohm", "4K7"),
        (3 + 0j, "ohm", "4K7"),
        (b"330", "ohm", "4K7"),
    ],
)
def test_refusals_say_how_to_write_it(text, unit, hint):
    with pytest.raises(UnitError, match="is not a") as caught:
        units.parse(text, unit)
    assert hint in caught.value.fix


def test_zero_and_negative_are_refused_in_words_where_asked():
    assert units.parse("0 V", "V") == 0
    with pytest.raises(UnitError, match="'0' is zero where a resistance above zero is needed"):
        units.parse("0", "ohm", positive=True)
    with pytest.raises(UnitError, match="-5 is negative"):
        units.parse(-5, "V", positive=True)


def test_unknown_unit_lists_the_known_ones():
    with pytest.raises(UnitError, match="ohm, F, H, V"):
        units.parse("1", "furlong")


@given(st.text(max_size=12), st.sampled_from(units.UNITS))
def test_any_text_is_a_finite_value_or_a_unit_error(text, unit):
    try:
        value = units.parse(text, unit)
    except UnitError:
        return
    assert math.isfinite(value)
    assert re.search("[0-9]", text)


@given(st.from_regex(r"[0-9]{1,3}[RKMkmpnuµGFHVAWHzs%. /e-]{0,4}[0-9]{0,2}", fullmatch=True))
def test_near_spellings_never_escape_as_another_error(text):
    for unit in units.UNITS:
        try:
            value = units.parse(text, unit)
        except UnitError:
            continue
        assert math.isfinite(value)


SPANS = {
    "ohm": (-3, 10),
    "F": (-12, -1),
    "V": (-6, 5),
    "A": (-12, 2),
    "Hz": (-3, 9),
    "S": (-9, 0),
    "%": (-2, 3),
}


@given(st.sampled_from(sorted(SPANS)), st.floats(0, 1), st.floats(1, 9.99), st.sampled_from([-1, 1]))
def test_what_is_shown_reads_back_within_rounding(unit, place, mantissa, sign):
    low, high = SPANS[unit]
    value = sign * mantissa * 10.0 ** round(low + place * (high - low))
    assert_allclose(units.parse(units.show(value, unit), unit), value, rtol=0.0051)
    assert_allclose(units.parse(units.show(value, unit, 6), unit), value, rtol=5.1e-6)


@given(st.sampled_from(["ohm", "F"]), st.integers(1, 9999), st.integers(-12, 5))
def test_mark_keeps_four_figures_exactly(unit, figures, power):
    value = float(f"{figures}e{power if unit == 'ohm' else power - 5}")
    text = units.mark(value, unit)
    assert units.parse(text, unit) == value
    assert not re.search(r"\.[0-9]*0 ", text)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700, "ohm", "4.70 kΩ"),
        (0.0523, "A", "52.3 mA"),
        (335, "V", "335 V"),
        (999.7, "ohm", "1.00 kΩ"),
        (4721e-6, "F", "4721 µF"),
        (0, "V", "0 V"),
        (-12.5, "V", "-12.5 V"),
        (math.nan, "V", "—"),
        ([math.nan, math.nan], "V", "—"),
        ([300.0, math.nan, 335.0], "V", "300 V…335 V"),
        ([5.0, 5.0], "V", "5.00 V"),
        (math.inf, "ohm", "∞ Ω"),
        (117, "V RMS", "117 V RMS"),
        (1e-15, "V", "0 V"),
        (6.73e-19, "W", "0 W"),
        (2.4e-6, "V", "2.40 µV"),
    ],
)
def test_show(value, unit, text):
    assert units.show(value, unit) == text


@pytest.mark.parametrize("name", ["E6", "E12", "E24"])
def test_series_as_listed_in_the_handbook(name):
    line = handbook("standards", topic=name)[0].text("value")
    assert units.SERIES[name] == tuple(float(word) for word in re.findall(r"\d+\.\d+", line))


@pytest.mark.parametrize("count", [48, 96, 192])
def test_fine_series_follow_the_formula_but_for_920(count):
    series = units.SERIES[f"E{count}"]
    assert len(series) == count
    off = {v for k, v in enumerate(series) if v != round(10 ** (k / count), 2)}
    assert off == ({9.20} if count == 192 else set())
    assert set(units.SERIES["E48"]) <= set(units.SERIES["E96"]) <= set(units.SERIES["E192"])


def test_tolerance_letters_as_in_the_handbook():
    line = handbook("standards", topic="IEC 60062 tolerance letters")[0].text("value")
    even, skewed = line.split(";")
    known = {letter: (-float(p), float(p)) for letter, p in re.findall(r"([A-Z]) (\.?[0-9]+)", even)}
    known |= {a: (float(b), float(c)) for a, b, c in re.findall(r"([A-Z]) (-\d+)/\+(\d+)", skewed)}
    assert dict(units.TOLERANCE_LETTERS) == known


@given(st.sampled_from(sorted(units.SERIES)), st.floats(1e-12, 1e12))
def test_nearest_is_a_member_and_none_is_nearer(series, value):
    result = units.nearest(value, series)
    members = units.series_values(series, value / 11, value * 11)
    assert result in members
    assert abs(math.log(result / value)) <= np.abs(np.log(members / value)).min() + 1e-9


def test_series_values_rise_and_include_the_ends():
    stops = units.series_values("E24", 1000, 10_000)
    assert len(stops) == 25
    assert (stops[0], stops[-1]) == (1000, 10_000)
    assert all(a < b for a, b in pairwise(stops))
    with pytest.raises(UnitError, match="downward"):
        units.series_values("E24", 2, 1)


def test_series_errors():
    with pytest.raises(UnitError, match=r"Near: .*E24"):
        units.nearest(100, "E25")
    for value in (0, -1, math.nan, math.inf):
        with pytest.raises(UnitError, match="not a part value"):
            units.nearest(value)
