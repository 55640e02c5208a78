"""The commands, in this process: what they print, and their exit codes."""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
from importlib import import_module

import pytest

from tests.amps import FILES, amp
from tubekit import analyze
from tubekit.cli import main
from tubekit.cli.arguments import in_front
from tubekit.cli.main import _parser
from tubekit.errors import InputError, warn_batch


def test_amps_lists_the_demo(capsys):
    assert main(["amps"]) == 0
    assert "teasel" in capsys.readouterr().out
    assert main(["amps", "--json"]) == 0
    assert any(amp["name"] == "teasel" for amp in json.loads(capsys.readouterr().out))


def test_report_holds_the_whole_answer(capsys):
    assert main(["report", "teasel", "--line", "120", "--all"]) == 0
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
    assert main(["swap", "teasel", "R14=330", "V5=5AR4", "--line", "123"]) == 0
    text = capsys.readouterr().out
    for word in ("EXCEEDED", "before", "after", "More (add --all)", "check on the bench"):
        assert word in text


def test_swap_as_json(capsys):
    assert main(["swap", "teasel", "R14=330", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["before"]["amp"] == data["after"]["amp"]
    assert data["after"]["changes"] == {"R14": ["270 Ω", "330 Ω"]}


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["swap", "teasel", "R14"], "Write part=value"),
        (["swap", "teasel", "R14=330", "R14=390"], "changed twice"),
        (["swap", "teasel"], "nothing to change"),
        (["swap", "teasel", "R99=330"], "R99"),
        (["swap", "teasel", "R14=33O"], "R14"),
        (["swap", "teasel", "V5=5AR5"], "5AR4"),
        (["swap", "teazel", "R14=330"], "teasel"),
        (["report", "no/such/file.toml"], "no/such/file.toml"),
        (["report", "teasel", "--line", "0"], "--line: '0' is outside"),
        (["report", "teasel", "--line", "a lot"], "--line: 'a lot' is not"),
        (["loop", "vetch", "--at", "R99"], "R99"),
        (["swap", "teasel", "T2.primary.resistance=1"], "one for each section"),
    ],
)
def test_a_slip_is_told_in_one_message(capsys, words, text):
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert not out
    assert text in err
    assert "Traceback" not in err


def test_what_needs_the_notebooks_says_what_to_install(tmp_path):
    """In a process of its own, where neither figures nor pages can be loaded."""
    lines = (
        "import sys; sys.modules |= dict.fromkeys(('matplotlib', 'nbconvert', 'voila')); "
        "from tubekit.cli import main; "
        "print([main(words) for words in (['record', 'vetch', 'x.html', '--no-pdf'], ['page'], ['export'])])"
    )
    done = subprocess.run([sys.executable, "-c", lines], cwd=tmp_path, capture_output=True, text=True)
    assert done.stdout == "[2, 2, 2]\n", done.stderr
    assert done.stderr.count("is not installed. Run pip install 'tubekit[lab]'") == 3
    assert [*tmp_path.iterdir()] == []


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


# ---- words in any order

CHANGE = "C13=47u"


def commands_in_words() -> list[tuple[str, list[str], list[list[str]], list[str]]]:
    """Of every command: its name, its places, its options with their values, its changes."""
    _, commands = _parser()
    result = []
    for name, command in commands.choices.items():
        asked = [action for action in command._actions if action.dest != "help"]
        places = [_value(a) for a in asked if not a.option_strings and a.dest != "changes"]
        options = [
            [a.option_strings[0]] if a.nargs == 0 else [a.option_strings[0], _value(a)]
            for a in asked if a.option_strings
        ]  # fmt: skip
        changes = [CHANGE] if any(a.dest == "changes" for a in asked) else []
        result.append((name, places, options, changes))
    return result


def _value(action: argparse.Action) -> str:
    if action.choices:
        return str(next(iter(action.choices)))
    return "20" if action.type else "a=b" if action.dest == "why" else "x"  # a reason may hold an equals sign


def options_with_values() -> list[tuple[str, argparse.Action]]:
    """Of every command, from its parser."""
    _, commands = _parser()
    return [
        (name, action)
        for name, parser in commands.choices.items()
        for action in parser._actions
        if action.option_strings and action.nargs != 0 and action.help != argparse.SUPPRESS
    ]


@pytest.mark.parametrize("word", ["\x1b[2J", "\0", "x" * 10_000, ""], ids=["ESC", "NUL", "long", "empty"])
def test_an_option_that_cannot_be_is_named_and_not_carried_out(capsys, word):
    """Before anything is read or solved; only free text may be empty."""
    parser, _ = _parser()
    for name, action in options_with_values():
        if not word and action.default == "":
            continue
        with pytest.raises(SystemExit) as stop:
            parser.parse_args([name, action.option_strings[0], word])
        text = capsys.readouterr().err
        assert stop.value.code == 2
        assert f"argument {action.option_strings[0]}: " in text
        assert not word or word not in text
        assert len(text) < 3000


WORDS_OF = {"AMP": "vetch", "PART": "R9", "FILE": "out.html", None: "trace"}


@pytest.mark.parametrize("word", ["nan", "-1", "1e300", "½"])
def test_a_figure_out_of_range_is_refused_by_the_name_of_its_option(capsys, monkeypatch, tmp_path, word):
    monkeypatch.chdir(tmp_path)
    parser, commands = _parser()
    for name, action in options_with_values():
        option = action.option_strings[0]
        if action.type.__qualname__.startswith("number"):
            with pytest.raises(SystemExit):
                parser.parse_args([name, option, word])
            assert f"argument {option}: " in capsys.readouterr().err
        if action.metavar not in ("VOLTS", "HZ") or action.type.__qualname__.startswith("number"):
            continue
        places = [
            WORDS_OF[each.metavar]
            for each in commands.choices[name]._actions
            if not each.option_strings and each.nargs is None and each.metavar in WORDS_OF
        ]
        asked = parser.parse_args([name, *commands.choices[name].in_order([*places, option, word])])
        with pytest.raises(InputError, match=f"{option}: "):
            asked.answer(asked)
    assert [*tmp_path.iterdir()] == []


@pytest.mark.parametrize(
    "words",
    [
        ["parts", "vetch", "--to", "~nosuchuser/x.toml"],
        ["parts", "--template", "~nosuchuser/x.csv"],
        ["record", "vetch", "~nosuchuser/x.html", "--no-pdf"],
        ["job", "new", "~nosuchuser/x", "vetch"],
    ],
)
def test_a_home_that_nobody_has_is_no_folder_here(capsys, monkeypatch, tmp_path, words):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert "nobody on this computer is called 'nosuchuser'" in capsys.readouterr().err
    assert [*tmp_path.iterdir()] == []


def test_options_and_changes_may_come_in_any_order():
    """Before the command, before the amp, between option and amp, after everything: the same is asked."""
    parser, commands = _parser()
    order = random.Random(1)

    def asked(words):
        name, *rest = in_front(words, commands.choices)
        result = vars(parser.parse_args([name, *commands.choices[name].in_order(rest)]))
        return {key: value for key, value in result.items() if key != "answer"}

    for name, places, options, changes in commands_in_words():
        wanted = asked([name, *places, *(word for option in options for word in option), *changes])
        assert wanted.get("changes", []) == changes
        for _ in range(10):
            words = [[name], *([place] for place in places)]
            for group in order.sample([*options, *([change] for change in changes)], len(options + changes)):
                words.insert(order.randint(0, len(words)), group)
            flat = [word for group in words for word in group]
            assert asked(flat) == wanted, flat


def test_every_command_that_solves_an_amp_takes_changes():
    with_changes = {name for name, _, _, changes in commands_in_words() if changes}
    wanted = (
        "report spread swap supply switch-on standby discharge sag regulation line-band lower-line "
        "substitutes trace tone loop drive hum bench record judge suspects cable parts"
    )
    assert set(wanted.split()) <= with_changes


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (["spread", "teasel", "--seed", "-1"], "--seed"), (["spread", "teasel", "--size", "0"], "--size"),
        (["page", "--port", "70000"], "--port"), (["bench", "lamp", "teasel", "--watts", "-5"], "--watts"),
        (["drive", "teasel", "--hertz", "nan"], "--hertz"),
        (["job", "note", "x", "--hours", "nan"], "--hours"),
        (["substitutes", "teasel", "C13", "--within", "1e300"], "--within"),
        (["listen", "teasel", "--seconds", "1e9"], "--seconds"),
        (["trace", "teasel", "--level", "1e300"], "--level"),
        (["bench", "trace", "teasel", "--hertz", "0"], "--hertz"),
    ],
)  # fmt: skip
def test_a_number_out_of_range_names_its_option(words, option, capsys):
    try:
        code = main(words)
    except SystemExit as stop:
        code = stop.code
    assert code == 2
    assert option in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(
    "words",
    [
        ["report", "~nosuchuser/x.toml"], ["report", "x" * 10_000], ["swap", "teasel", "R14=" + "x" * 10_000],
        ["record", "teasel", "~nosuchuser/r.html", "R14=330"], ["record", "teasel", "", "R14=330"],
        ["job", "status", "~nosuchuser"], ["job", "new", "", "teasel"],
    ],
    ids=range(7),
)  # fmt: skip
def test_a_name_that_no_file_can_have_is_an_error_in_words(words, capsys):
    assert main(words) == 2
    assert len(capsys.readouterr().err) < 2_000


def test_a_change_may_stand_where_a_list_could(capsys):
    assert main(["cable", "fescue", "W7=open", "--json"]) == 0
    states = json.loads(capsys.readouterr().out)["states_drawn"]
    assert not any(state["high_tension"] for state in states)


@pytest.mark.parametrize(("command", "good"), [("judge", "3 fine"), ("suspects", "readings are normal")])
def test_readings_are_held_against_the_amp_as_changed(command, good, capsys, tmp_path):
    report = analyze(amp("teasel").changed({"R14": "1k"}))
    rows = [f"{node},DC volts,{report.node(node).dc_v:.4g}" for node in ("B1", "k34", "p1a")]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(["place,quantity,value", *rows]), encoding="utf-8")
    assert main([command, "teasel", "R14=1k", str(path)]) == 0
    assert good in capsys.readouterr().out
    assert main([command, "teasel", str(path)]) == 0
    assert good not in capsys.readouterr().out


# ---- dangers above an error

LIVE = str(FILES / "no-transformer.toml")


@pytest.mark.parametrize(
    "words", [["swap", LIVE, "R99=1k"], ["cable", LIVE], ["report", LIVE, "--line", "0"]]
)
def test_an_error_stands_below_the_dangers_of_its_amp(words, capsys):
    assert main(words) == 2
    text = capsys.readouterr().err
    assert text.startswith("DANGER: LIVE CHASSIS")
    assert "\ntubekit: " in text
    assert main([*words, "--json"]) == 2
    result = json.loads(capsys.readouterr().out)
    assert list(result) == ["dangers", "error"]
    assert result["dangers"][0]["code"] == "live_chassis"


def test_an_error_does_not_say_twice_that_the_amp_oscillates(capsys):
    assert main(["hum", "burdock", "T2.primary.nodes=p4,B1,p3"]) == 1
    assert capsys.readouterr().err.count("The amp oscillates: it squeals or blocks") == 1


def test_a_change_before_the_amp_is_carried_out(capsys):
    assert main(["swap", "--json", "R14=330", "--line", "120", "teasel"]) == 0
    assert "R14" in json.loads(capsys.readouterr().out)["after"]["changes"]


def test_a_report_with_standby_open_says_that_b_plus_is_gone(capsys):
    assert main(["report", "S2=open", "burdock"]) == 0
    said = " ".join(capsys.readouterr().out.split("\n\n")[1].split())
    assert "B+ is gone at B2, B3, B4, but B0 is at" in said
    assert "V (S2 is open)" in said
    assert main(["report", "teasel", "V5=removed"]) == 0
    assert "B+ is gone: B1, B2, B3, B4 at 0 V:" in capsys.readouterr().out.split("\n\n")[1]
    assert main(["report", "teasel"]) == 0
    assert "gone" not in capsys.readouterr().out.split("\n\n")[1]


def test_an_open_standby_switch_says_that_b_plus_is_gone(capsys):
    assert main(["swap", "S2=open", "fescue"]) == 0
    text = capsys.readouterr().out
    said = " ".join(text.split("\n\n")[1].split())
    assert "B+ is gone at HT, B2, B3, B4, but B1 is at" in said  # what is still alive is never left out
    assert "gain to LS1 gone" in said
    assert "bias supply is gone" not in text


@pytest.mark.filterwarnings("default")
def test_lost_members_of_a_batch_are_counted_in_words(capsys, monkeypatch):
    room = import_module("tubekit.decisions.spread")
    solve = room.line_error

    def warned(*args):
        warn_batch([True, False, False], "mains steady state")
        return solve(*args)

    monkeypatch.setattr(room, "line_error", warned)
    assert main(["spread", "vetch", "--size", "20"]) == 0
    text = capsys.readouterr().err
    assert text == "tubekit: mains steady state: 1 of 3 members have no solution and are left out.\n"


def test_parts_in_json_are_the_tables_of_an_amp_file(capsys):
    assert main(["parts", "vetch", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["amp"]["title"] == "Ottermere Vetch"
    assert result["V1"]["type"] == "12AX7"


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (["loop", "teasel", "--at", "zz"], "--at"),
        (["regulation", "teasel", "--node", "zz"], "--node"),
        (["drive", "teasel", "--jack", "zz"], "--jack"),
        (["substitutes", "teasel", "R14", "--series", "zz"], "--series"),
    ],
)
def test_what_is_wrong_with_an_option_names_it(
    words: list[str], option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    said = capsys.readouterr().err
    assert "zz" in said
    assert said.rstrip().endswith(f"(option {option})")
