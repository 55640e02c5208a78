"""The commands, in this process: what they print, and their exit codes."""

from __future__ import annotations

import json

import pytest

from tubekit.cli import main


def test_amps_lists_the_demo(capsys):
    assert main(["amps"]) == 0
    assert "teasel" in capsys.readouterr().out
    assert main(["amps", "--json"]) == 0
    assert any(amp["name"] == "teasel" for amp in json.loads(capsys.readouterr().out))


def test_report_holds_the_whole_answer(capsys):
    assert main(["report", "teasel", "--mains", "120"]) == 0
    text = capsys.readouterr().out
    for title in (
        "Filter capacitors",
        "Rectifier",
        "Tubes",
        "Gain of each stage",
        "Nodes",
        "Windings",
        "Ratings",
    ):
        assert title in text


def test_report_as_json_has_units_in_its_keys(capsys):
    assert main(["report", "teasel", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert {"nodes", "tubes", "rails", "rectifiers", "windings", "ratings", "caution"} <= set(data)
    assert 0.02 < next(t for t in data["tubes"] if t["section"] == "V3")["plate_a"] < 0.05


def test_swap_prints_before_and_after(capsys):
    assert main(["swap", "teasel", "R14=330", "V5=5AR4", "--mains", "123"]) == 0
    text = capsys.readouterr().out
    for word in ("Verdict", "EXCEEDED", "before", "after", "To confirm it on the bench", "peak per plate"):
        assert word in text


def test_swap_as_json(capsys):
    assert main(["swap", "teasel", "R14=330", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["before"]["amp"] == data["after"]["amp"]
    assert data["after"]["changes"] == {"R14": ["270 Ω", "330 Ω"]}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["swap", "teasel", "R14"], "Write part=value"),
        (["swap", "teasel", "R14=330", "R14=390"], "changed twice"),
        (["swap", "teasel"], "nothing to change"),
        (["swap", "teasel", "R99=330"], "R99"),
        (["swap", "teasel", "R14=33O"], "R14"),
        (["swap", "teasel", "V5=5AR5"], "5AR4"),
        (["swap", "teazel", "R14=330"], "teasel"),
        (["report", "no/such/file.toml"], "no/such/file.toml"),
        (["report", "teasel", "--mains", "0"], "mains"),
        (["report", "teasel", "--mains", "a lot"], "mains"),
        (["swap", "teasel", "T2.primary.resistance=1"], "one for each section"),
    ],
)
def test_a_slip_is_told_in_one_message(capsys, words, said):
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert not out
    assert said in err
    assert "Traceback" not in err


def test_errors_are_json_too(capsys):
    assert main(["swap", "teasel", "R99=330", "--json"]) == 2
    assert "R99" in json.loads(capsys.readouterr().out)["error"]


def test_help_names_every_command(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    assert all(word in text for word in ("amps", "report", "swap", "lab", "test"))


def test_a_winding_takes_one_value_per_section(capsys):
    assert main(["swap", "teasel", "T1.high_voltage.volts=300,300", "J1.plugged=false"]) == 0
    assert "300 V, 300 V" in capsys.readouterr().out
