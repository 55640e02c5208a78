"""Lists of readings: what is read, and what is refused instead of misread."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tubekit import load_amp
from tubekit.bench.places import electrodes
from tubekit.bench.readings import load_readings, readings_from_text
from tubekit.decisions.probe import Probe
from tubekit.errors import ReadingError

HEAD = "place,quantity,value,accuracy,input_resistance,note\n"


@pytest.fixture(scope="module")
def teasel():
    return load_amp("teasel")


def by_name(result):
    return {str(r.probe): r for r in result.readings}


def test_a_csv_file(teasel, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(
        f"# taken after ten minutes\n{HEAD}mains,AC volts,121 V,0.5 %,,\n"
        'k34,DC volts,18.9,1 %,10M,"steady, no drift"\np1a,DC volts,0.143k,2 %,200k,\n'
        "B1,ripple p-p,17.5 V,3 %,,\nB1 to B2,DC volts,41,,,\nTP4,DC volts,226,,,\nR21,DC volts,41.5,,,\n"
        "V3,current,33.9 mA,,,\nV4 screen,current,1.3m,,,\nR14,resistance,274,0.5 %,,\n"
        "C13,capacitance,23u,,,\n"
        "V3,emission,0.8,,,\nh1 to h2,AC volts,6.4,,,\nB1,resistance,218k,,,\n",
        encoding="utf-8",
    )
    # R21's two ends are B1 and B2: the same reading twice
    with pytest.raises(ReadingError, match=r"two readings of .*: line 7 and line 9"):
        load_readings(path, teasel)
    path.write_text(path.read_text(encoding="utf-8").replace("R21,DC volts,41.5,,,\n", ""), encoding="utf-8")
    result = load_readings(path, teasel)
    read = by_name(result)
    assert result.amp.mains_rms == 121.0
    assert result.mains_accuracy == 0.005
    assert read["DC volts at k34"].note == "steady, no drift"
    assert read["DC volts at p1a"].value == pytest.approx(143.0)
    assert read["DC volts at p1a"].meter.input_ohms == 200e3
    assert read["DC volts at B4"].value == 226.0
    assert read["screen current of V4"].value == pytest.approx(1.3e-3)
    assert result.amp.parts["R14"].ohms == 274.0
    assert result.amp.parts["C13"].farads == 23e-6
    assert result.amp.parts["V3"].emission == 0.8
    assert result.measured["R14"] == 0.005


def test_a_toml_file_with_a_test_tone(teasel, tmp_path):
    path = tmp_path / "readings.toml"
    path.write_text(
        '[readings]\nmains = "118 V"\n[meter]\naccuracy = "1.5 %"\n[tone]\ninput = "J2"\n'
        'level = "5 mV"\nfrequency = "400 Hz"\n'
        '[[reading]]\nplace = "p1a"\nquantity = "signal"\nvalue = "0.2"\n',
        encoding="utf-8",
    )
    result = load_readings(path, teasel)
    assert result.tone.frequency_hz == 400.0
    assert result.amp.parts["J2"].plugged
    assert not result.amp.parts["J1"].plugged
    assert result.readings[0].meter.accuracy == 0.015


def test_a_data_frame(teasel):
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame(
        {"place": ["k34", "B1"], "quantity": ["DC volts", "DC volts"], "value": [18.4, "334 V"],
         "note": ["", None]}
    )  # fmt: skip
    result = load_readings(frame, teasel)
    assert [r.value for r in result.readings] == [18.4, 334.0]


def test_a_list_of_mappings(teasel):
    rows = [{"place": "k34", "quantity": "dc", "value": np.float64(18.4)}]
    assert load_readings(rows, teasel).readings[0].value == 18.4


@pytest.mark.parametrize(
    ("row", "text"),
    [
        ("p1A,DC volts,143", "is called 'p1A'.*Near: p1a"),
        ("R99,resistance,143", "is called 'R99'.*Near"),
        ("V9,current,10 mA", "'V9' is not a tube section"),
        ("p1a,DC vlots,143", "unknown quantity.*Near: DC volts"),
        ("p1a,DC volts,lots", "'lots' is not a voltage"),
        ("p1a,DC volts,", "there is no value"),
        ("p1a,DC volts,143000 mV V", "is not a voltage"),
        ('p1a,DC volts,"143,5"', "Perhaps 143.5 is meant"),
        ('p1a,DC volts,"1,430"', "the decimal sign is a point"),
        ("p1a,DC volts,143,5", "has 4 entries in 3 columns.*not 143,5"),
        ("p1a,DC volts,143 ohm", "is not a voltage"),
        ("p1a,DC volts,143000", r"more than this amp has anywhere; 139\.. V is expected.*mV\?"),
        ("V3,current,34", "too much for this tube; .* mA is expected"),
        ("p1a,DC volts,-143", "negative.*swapped"),
        ("B1,ripple p-p,-12", "below zero"),
        ("V3,current,-34 mA", "below zero"),
        ("R14,resistance,-274", "below zero"),
        ("R14,resistance,270k", "by the schematic 270: wrong unit"),
        ("C14,resistance,220", "a capacitor has no resistance of its own"),
        ("p1a,capacitance,22n", "there is no part 'p1a'"),
        ("mains,AC volts,1170", "outside the plausible range|mains"),
        ("B1 to B1,DC volts,3", "both leads are on 'B1'"),
        ("p1a,signal,0.2", "no test tone"),
        ("J1,tone level,0\np1a,signal,0.2", "zero where"),
        ("J9,tone level,5 mV\np1a,signal,0.2", "not an input jack"),
        ("J1,tone loudness,5 mV\np1a,signal,0.2", "a test tone has no 'loudness'"),
        ("p1a,DC volts,143\np1a,DC volts,144", "two readings of .*: line 2 and line 3"),
        ("B1 to B2,DC volts,41\nB2 to B1,DC volts,-41", "two readings of .*: line 2 and line 3"),
        ("mains,AC volts,117\nmains,AC volts,121\nk34,DC volts,18.4", r"already given \(line 2\)"),
        ("mains,DC volts,117\nk34,DC volts,18.4", "read in AC volts, not in DC volts"),
    ],
)
def test_a_row_that_cannot_be_is_refused_with_the_fix(teasel, row, text):
    with pytest.raises(ReadingError, match=text):
        readings_from_text("place,quantity,value\n" + row + "\n", teasel)


@pytest.mark.parametrize(
    ("row", "asked"),
    [
        ("p1a,DC volts,0.143", r"a thousandth of the expected value. Is it V\?"),
        ("B1,resistance,220", r"kΩ\?"),
    ],
)
def test_a_slip_of_a_thousand_is_asked_about_and_kept(teasel, row, asked):
    """A dead plate may read a thousandth as well: the value stands, the question with it."""
    result = readings_from_text("place,quantity,value\n" + row + "\n", teasel)
    assert len(result.notes) == 1
    assert re.search(asked, str(result.notes[0]))


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"", "no readings in the file"),
        (b"place;quantity;value\np1a;DC volts;143,5\n", "separated by semicolons"),
        (b"place\tquantity\tvalue\np1a\tDC volts\t143\n", "separated by tabs"),
        (b"place,what,value\np1a,DC volts,143\n", "no column 'what'"),
        (b"place,value\np1a,143\n", "the column quantity is missing"),
        (b"place,quantity,value,value\n", "duplicate column"),
        ("place,quantity,value\nR14,resistance,274 Ω\n".encode("utf-16"), "UTF-16"),
        (
            "place,quantity,value\nR14,resistance,274 µ\n".encode("latin-1"),
            "not UTF-8 text .byte 0xb5 in line 2",
        ),
        (b'place,quantity,value\n"p1a,DC volts,143\n', "cannot be split into columns"),
        (HEAD.encode() + b"p1a,DC volts,143,120 %,,\n", "no meter has an accuracy of 120 %"),
        (HEAD.encode() + b"p1a,DC volts,143,,3,\n", "no meter has an input resistance of 3"),
    ],
)
def test_files_that_could_be_misread_are_refused(teasel, tmp_path, raw, text):
    path = tmp_path / "readings.csv"
    path.write_bytes(raw)
    with pytest.raises(ReadingError, match=text):
        load_readings(path, teasel)


def test_a_recording_of_100_000_rows_is_refused_at_once(teasel, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("place,quantity,value\n" + "p1a,DC volts,143\n" * 100_000, encoding="utf-8")
    with pytest.raises(ReadingError, match=r"too many for a list of bench readings \(2,000 at most\)"):
        load_readings(path, teasel)


@pytest.mark.parametrize(
    "text",
    [
        "sep=,\nplace,quantity,value\nk34,DC volts,18.4\n",
        "place,quantity,value,,\n\n,,,,\nk34,DC volts,18.4,,\n,,,,\n",
        '\ufeff"place","quantity","value"\r\n"k34","DC volts","18.4\u00a0V"\r\n',
    ],
)
def test_what_a_spreadsheet_leaves_about_is_passed_over(teasel, tmp_path, text):
    path = tmp_path / "readings.csv"
    path.write_bytes(text.encode())
    assert [r.value for r in load_readings(path, teasel).readings] == [18.4]


def test_a_mains_far_from_the_drawing_is_asked_about(teasel):
    result = readings_from_text("place,quantity,value\nmains,AC volts,230\nk34,DC volts,18.4\n", teasel)
    assert "the design is 117 V. Is that right?" in str(result.notes[0])


def test_a_missing_file_names_what_is_beside_it(teasel, tmp_path):
    (tmp_path / "readings.csv").write_text("x", encoding="utf-8")
    with pytest.raises(ReadingError, match=r"cannot be read.*Near: readings.csv"):
        load_readings(tmp_path / "reading.csv", teasel)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[reading]]\nplace = 'p1a'\nvalue = 3", "the column quantity is missing"),
        ("[reading]\nplace = 'p1a'", "has no heading|no readings"),
        ("[metre]\naccuracy = '1 %'", "no table 'metre'.*Near: meter"),
        ("place = ", "not TOML"),
        (
            "[readings]\nmain = '117 V'\n[[reading]]\nplace='k34'\nquantity='DC volts'\nvalue=18",
            "unknown entry 'main'",
        ),
    ],
)
def test_toml_slips(teasel, tmp_path, text, words):
    path = tmp_path / "readings.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ReadingError, match=words):
        load_readings(path, teasel)


def test_a_signal_at_another_frequency_is_another_reading(teasel):
    rows = "J1,tone level,5 mV\np1a,signal,0.28\np1a,signal at 80 Hz,0.26\np1a,signal at 6k,0.25\n"
    result = readings_from_text("place,quantity,value\n" + rows, teasel)
    assert [r.probe.frequency_hz for r in result.readings] == [0.0, 80.0, 6000.0]
    with pytest.raises(ReadingError, match="not a frequency"):
        readings_from_text("place,quantity,value\nJ1,tone level,5 mV\np1a,signal at noon,1\n", teasel)


def test_a_reading_is_taken_back_in_the_words_of_an_answer(teasel):
    """'plate current of V3', as answers print it, is the plate's and not the cathode's."""
    ends = [place.rsplit(" ", 1) for place in electrodes(teasel)]
    probes = [Probe("dc_a", (section, terminal)) for section, terminal in ends if terminal != "grid"]
    rows = [
        {"place": probe.words(None).rpartition(" of ")[2], "quantity": probe.words(None).partition(" of ")[0],
         "value": "2 mA"}
        for probe in probes
    ]  # fmt: skip
    assert [each.probe for each in load_readings(rows, teasel).readings] == probes


def test_the_guide_shows_a_list_that_is_read(teasel, reference):
    guide = reference("readings")
    block = guide.split("```text\nplace,quantity")[1].split("```")[0]
    assert len(readings_from_text("place,quantity" + block, teasel).readings) == 7


def test_nothing_else_is_taken(teasel):
    with pytest.raises(ReadingError, match="cannot be taken from int"):
        load_readings(3, teasel)


def test_it_prints(teasel):
    text = str(readings_from_text("place,quantity,value\nk34,DC volts,18.4\nR14,resistance,274\n", teasel))
    assert "1 readings from pasted text" in text
    assert "274 Ω" in text
