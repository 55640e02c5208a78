"""The handbook tables: read whole, typed, traced to a source; damage is named by line."""

import math
import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from tubekit import tables
from tubekit.devices import tube
from tubekit.devices.tube_files import file_types, system_types
from tubekit.errors import TableError
from tubekit.references import SOURCES
from tubekit.tables import data_file, handbook, handbook_names

# Lines per table as handed over: a lost line would otherwise go unseen.
LINES = {
    "passive_bass_treble_curve": 55,
    "plate_curves_6SL7": 33,
    "power_tube_operation": 32,
    "practice": 11,
    "rc_coupled": 45,
    "rectifier_operation": 21,
    "rectifier_ratings": 8,
    "schade_computed": 144,
    "standards": 18,
    "three_control_network": 5,
    "tube_models": 11,
    "tube_spread_limits": 29,
    "tubes_characteristics": 26,
    "tubes_max_ratings": 24,
    "worked_examples": 14,
}


def test_no_table_and_no_line_is_lost():
    assert {name: len(handbook(name)) for name in LINES} == LINES


@pytest.mark.parametrize("name", handbook_names())
def test_every_line_says_how_far_to_trust_it(name):
    for row in handbook(name):
        assert row.status
        if "source" in row:
            assert row.source
            assert not re.search(r"^(as above|same)\b|\babove$", str(row.source)), "it is read alone"
        assert row.confidence is None or 0.5 <= row.confidence <= 1
        assert all(value is None or isinstance(value, (str, float)) for value in row.values())


OTHERS = re.compile(
    r"not (known|noted|named)|transcri|by others|as (quoted|reprinted)|encyclopedia|hobby|forum|"
    r"reprint|quotes|for students|companion|catalog of|test report"
)
"""What says that somebody else's page was read, not the maker's or author's own."""
NAMELESS = re.compile(
    r"https?:|www\.|\w\.(com|org|net|dk|ru|de|uk|io)\b|\b(wiki|forum|blog|shop|hobby|read_file|cut off)\b",
    re.IGNORECASE,
)
"""What no source that a customer reads may name: a web page, shop, hobby page, or reading tool."""


@pytest.mark.parametrize("name", handbook_names())
def test_printed_means_that_the_makers_or_authors_own_page_was_read(name):
    for row in handbook(name):
        copy = row.text("copy_read") if "copy_read" in row else ""
        if row.status.startswith("printed"):
            assert not OTHERS.search(f"{row.get('source', '')} {copy}"), row.where
        assert not NAMELESS.search(str(row.get("source") or "")), row.where


def test_no_source_of_a_tube_or_a_citation_names_a_page_on_the_web():
    for type_ in (*file_types(), *system_types()):
        record = tube(type_)
        assert not NAMELESS.search(record.ratings.source), type_
        for row in record.fit:
            assert not NAMELESS.search(row.source), type_
            assert row.status != "printed" or not OTHERS.search(row.source), type_
    assert not [one.key for one in SOURCES.values() if NAMELESS.search(one.text)]


@pytest.mark.parametrize("name", handbook_names())
def test_every_table_is_explained(name, reference):
    assert f"| `{name}` |" in reference("tubes")


def test_types_follow_the_cell_and_tube_types_stay_text():
    rows = handbook("tubes_characteristics", tube="6SJ7")
    assert [row["rp_ohm"] for row in rows] == [700000.0, ">1000000", 7600.0]
    assert handbook("power_tube_operation", tube="5881")[0]["tube"] == "5881"
    assert handbook("tubes_characteristics", tube="12AX7")[0]["Vg2_V"] is None


def test_match_takes_several_columns():
    (row,) = handbook("plate_curves_6SL7", Vg_V=0, Vp_V=140)
    assert row.number("Ip_mA") == 3
    assert handbook("plate_curves_6SL7", Vg_V=999) == ()


def test_a_row_reads_like_a_mapping_and_cannot_change():
    row = handbook("rc_coupled", tube="ECC83")[0]
    assert dict(row)["Ia_mA"] == row["Ia_mA"] == row.number("Ia_mA")
    assert len(row) == len(list(row)) == len(set(row))
    assert row.get("nothing", 7) == 7
    assert "nothing" not in row
    assert row.text("gain") == "34"
    assert row.text("Cg2_uF") == ""
    with pytest.raises(AttributeError, match="cannot be changed"):
        row.where = "elsewhere"
    with pytest.raises(TypeError):
        row["gain"] = 1.0


def test_errors_name_file_line_and_near_matches():
    with pytest.raises(TableError, match=r"data/handbook: there is no table 'rc_couple'.*Near: rc_coupled"):
        handbook("rc_couple")
    row = handbook("rc_coupled")[3]
    with pytest.raises(TableError, match=r"rc_coupled\.csv, line 5: there is no column 'Ia'.*Near: Ia_mA"):
        row["Ia"]
    with pytest.raises(TableError, match=r"line 5: Cg2_uF: is empty where a number is needed"):
        row.number("Cg2_uF")
    with pytest.raises(TableError, match=r"line 5: tube: holds 'ECC83'"):
        row.number("tube")
    with pytest.raises(TableError, match="no column 'tubes'"):
        handbook("rc_coupled", tubes="ECC83")
    with pytest.raises(
        TableError, match=r"data/handbook: there is no 'rc_coupled.cvs'.*Near: rc_coupled.csv"
    ):
        data_file("handbook", "rc_coupled.cvs")


@pytest.fixture
def damaged(tmp_path, monkeypatch):
    """A data directory of one's own with a table 'sheet' in it."""
    (tmp_path / "handbook").mkdir()
    monkeypatch.setattr("tubekit.files.data_root", lambda: tmp_path)
    monkeypatch.setattr("tubekit.tables.data_root", lambda: tmp_path)
    tables._rows.cache_clear()
    yield (tmp_path / "handbook" / "sheet.csv").write_bytes
    tables._rows.cache_clear()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "name every column once"),
        (b"a,b\n1,2\n", "status among them"),
        (b"a,a,status\n1,2,printed\n", "every column once"),
        (b"a,status\n1,printed\n1,2,printed\n", "line 3: 3 cells under 2 columns"),
        (b"a,status\n1,hearsay\n", "line 2: status 'hearsay' says nothing known"),
        (b"a,status\n1,\n", "status '' says nothing known"),
        (b"a,status,confidence_pct\n1,printed,150\n", "confidence '150.0' is not 0 to 100"),
        (b"a,status,confidence_pct\n1,printed,high\n", "confidence 'high'"),
        (b"a,status\n\xff,printed\n", "cannot be read"),
        (b'a,status\n"1,printed\n', "cannot be read"),
    ],
)
def test_damage_is_named(damaged, data, words):
    damaged(data)
    with pytest.raises(TableError, match=words) as caught:
        handbook("sheet")
    assert str(caught.value).startswith("data/handbook/sheet.csv")


def test_a_sound_table_of_ones_own_reads(damaged):
    damaged("a,tube,status\r\n-.5e1,5881,printed (½)\r\n\r\nnan,x,memory\r\n".encode())
    first, second = handbook("sheet")
    assert (first["a"], first["tube"], first.confidence, first.source) == (-5.0, "5881", None, "")
    assert second["a"] == "nan"


def condenser_input(circuit, resistance, w_c, steps=4000):
    """DC and rms ripple [%] of an ideal rectifier, series resistance and condenser input, load 1 ohm."""
    period = 2 * math.pi if circuit == "half" else math.pi
    angle = np.linspace(0, period, steps + 1)
    drive = np.maximum(np.sin(angle), 0)
    k = angle[1] / (2 * w_c)

    def cycle(volts):
        out = [volts]
        for now, then in zip(drive[:-1].tolist(), drive[1:].tolist(), strict=True):
            known = volts + k * (max(now - volts, 0) / resistance - volts)
            volts = known / (1 + k)  # trapezoidal rule, rectifier blocking
            if then > volts:  # it conducts
                volts = (known + k * then / resistance) / (1 + k + k / resistance)
            out.append(volts)
        return np.array(out)

    volts = cycle(brentq(lambda start: cycle(start)[-1] - start, 0, 1, xtol=1e-10))
    mean = np.trapezoid(volts, angle) / period
    return mean, 100 * math.sqrt(np.trapezoid((volts - mean) ** 2, angle) / period) / mean


@pytest.mark.parametrize("circuit", ["half", "full"])
@pytest.mark.parametrize(("percent", "w_c"), [(2, 4), (6, 10), (10, 1)])
def test_condenser_input_table_against_a_second_way(circuit, percent, w_c):
    (row,) = handbook("schade_computed", circuit=circuit, Rs_over_RL_percent=percent, omegaC_RL=w_c)
    mean, ripple = condenser_input(circuit, percent / 100, w_c)
    assert_allclose(mean, row["Edc_over_Epk"], rtol=1e-3)
    assert_allclose(ripple, row["ripple_rms_percent_of_Edc"], rtol=1e-3)


def test_condenser_input_table_nears_the_closed_form():
    """tan θ - θ = π Rs/(p RL), DC = cos θ for an endless capacitor (W15 in worked_examples)."""
    for circuit, pulses in (("half", 1), ("full", 2)):
        for percent in (1, 10):
            (row,) = handbook("schade_computed", circuit=circuit, Rs_over_RL_percent=percent, omegaC_RL=300)
            target = math.pi * percent / 100 / pulses
            theta = brentq(lambda t, target=target: math.tan(t) - t - target, 0, 1.5)
            assert_allclose(row["Edc_over_Epk"], math.cos(theta), rtol=2e-3)
