"""Commands about the supply: they print, they give JSON, and they refuse in the user's words."""

from __future__ import annotations

import json

import pytest

from tubekit.cli import main

COMMANDS = {
    "supply": (["supply", "teasel"], "Filter capacitors", "filters"),
    "supply short": (["supply", "teasel", "C14=short"], "works into a short", "would_fail"),
    "switch-on": (["switch-on", "teasel", "V5=silicon"], "Surge at each capacitor", "surges"),
    "standby": (["standby", "burdock", "S2"], "S2 closed while warm", "fuses"),
    "standby of a changed amp": (["standby", "burdock", "R14=330"], "closed while warm", "fuses"),
    "discharge": (["discharge", "teasel"], "After switch-off", "held"),
    "sag": (["sag", "burdock"], "at full power", "rails"),
    "regulation": (["regulation", "teasel", "--node", "B1"], "Regulation of B1", "volts"),
    "line-band": (["line-band", "teasel"], "At each line voltage", "readings"),
    "lower-line": (["lower-line", "teasel", "--line", "124"], "Bucking transformer", "droppers"),
    "substitutes": (
        ["substitutes", "teasel", "R14", "--series", "E12", "--within", "12"],
        "R14 (270 Ω)",
        "candidates",
    ),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_answers_in_text(name: str, capsys) -> None:
    words, title, _ = COMMANDS[name]
    assert main(words) == 0
    assert title in capsys.readouterr().out


@pytest.mark.parametrize(
    "name", ["supply", "discharge", "regulation", "line-band", "lower-line", "substitutes"]
)
def test_a_command_answers_in_json(name: str, capsys) -> None:
    words, _, key = COMMANDS[name]
    assert main([*words, "--json"]) == 0
    assert key in json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["lower-line", "teasel"], "no line voltage is given"),
        (["substitutes", "teasel", "R99"], "there is no part 'R99'"),
        (["standby", "teasel", "S7"], "no such switch"),
        (["regulation", "teasel", "--node", "B7"], "there is no 'B7' here"),
        (["discharge", "teasel", "C14"], "cannot read 'C14'"),
    ],
)
def test_what_cannot_be_is_told(words: list[str], text: str, capsys) -> None:
    assert main(words) == 2
    assert text in capsys.readouterr().err
