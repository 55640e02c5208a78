"""The bench in a terminal: text, JSON, refusals."""

from __future__ import annotations

import json

import pytest

from tubekit.cli import main

ROWS = "place,quantity,value\nmains,AC volts,118\nB1,DC volts,336\np1a,DC volts,141\nk34,DC volts,18.6\n"


@pytest.fixture
def readings(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(ROWS, encoding="utf-8")
    return str(path)


def asked(capsys, *words):
    code = main([str(word) for word in words])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


@pytest.mark.parametrize(
    ("words", "key"),
    [
        (("spread", "teasel", "--size", "60"), "bands"),
        (("cable", "fescue"), "states_drawn"),
        (("bench", "up", "teasel"), "steps"),
        (("bench", "lamp", "teasel", "--watts", "60"), "shorted_reservoir"),
        (("bench", "hum", "fescue"), "steps"),
        (("bench", "cold", "teasel"), "steps"),
        (("bench", "found", "teasel", "R14=220", "--drawing", "teasel"), "differences"),
        (("bench", "order", "teasel", "R14=330"), "orders"),
        (("bench", "twin", "teasel", "notebooks/readings/teasel-runs-hot.csv"), "estimates"),
    ],
)
def test_commands_answer_in_json(capsys, words, key):
    code, out, err = asked(capsys, *words, "--json")
    assert (code, err) == (0, "")
    assert json.loads(out)[key]


def test_a_level_or_a_frequency_alone_is_not_passed_over(capsys):
    code, out, err = asked(capsys, "bench", "trace", "teasel", "--level", "3 mV", "--hertz", "400", "--json")
    assert (code, err) == (0, "")
    tone = json.loads(out)["tone"]
    assert (tone["level_rms_v"], tone["frequency_hz"], tone["jack"]) == (0.003, 400.0, "J1")


def test_judge_and_suspects_answer_in_words(capsys, readings):
    code, out, _ = asked(capsys, "judge", "teasel", readings)
    assert code == 0
    assert "3 readings: 3 fine" in out
    code, out, _ = asked(capsys, "suspects", "teasel", readings)
    assert code == 0
    assert "the 3 readings are normal" in out


def test_a_record_is_written_and_spared(capsys, tmp_path):
    words = ("record", "teasel", tmp_path / "r.html", "R14=281", "--no-pdf")
    assert asked(capsys, *words)[0] == 0
    code, _, err = asked(capsys, *words)
    assert code == 2
    assert "--overwrite" in err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("judge", "teasel", "no-such.csv"), "cannot be read"),
        (("cable", "teasel"), "no multi-pin cable"),
        (("bench", "found", "teasel"), "--drawing AMP"),
        (("bench", "order", "teasel"), "nothing to buy"),
        (("bench", "found", "teasel"), "Add PART=VALUE as found"),
        (("standby", "teasel"), "there is no such switch"),
        (("record", "teasel", "V5=5AR4"), "record teasel after.html V5=5AR4"),
        (("bench", "twin", "teasel"), "bench twin AMP and your"),
        (("bench", "trace", "teasel", "--jack", "J7"), "no input jack 'J7'"),
    ],
)
def test_refusals_name_the_fix(capsys, words, text):
    code, _, err = asked(capsys, *words)
    assert code == 2
    assert text in err
