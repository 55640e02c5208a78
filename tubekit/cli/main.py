"""Commands and what they print.

An answer goes to stdout (text, or JSON with --json), anything else to stderr. Exit code 0: answered;
2: what was asked cannot be; 1: the solver did not arrive.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from tubekit import __version__
from tubekit.cli.bench_commands import add_bench_commands
from tubekit.cli.fit_command import add_fit
from tubekit.cli.page_commands import add_page_commands
from tubekit.cli.parts_command import add_parts
from tubekit.cli.signal_commands import add_commands
from tubekit.cli.supply_commands import add_supply_commands
from tubekit.errors import ChangeError, InputError, SolveError

ASKED_WRONGLY, NOT_SOLVED = 2, 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    if not words or words[0] in ("lab", "test"):
        return _handed_on(words[0] if words else "lab", words[1:])
    parser, commands = _parser()
    command = commands.choices.get(words[0])
    asked = parser.parse_args(words if command is None else [words[0], *command.in_order(words[1:])])
    try:
        answer = asked.answer(asked)
    except InputError as error:
        return _failed(error, asked.json, ASKED_WRONGLY)
    except SolveError as error:
        return _failed(error, asked.json, NOT_SOLVED)
    if answer is None:  # what was asked for has been said while it was done
        return 0
    if asked.json:
        print(json.dumps(_json(answer), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print(answer)
    return 0


def _handed_on(command: str, rest: list[str]) -> int:
    """`lab` and `test` start other programs and hand their words on to them."""
    from tubekit.setup import lab, run_tests

    try:
        return lab.start(rest) if command == "lab" else run_tests.start(rest)
    except InputError as error:
        return _failed(error, False, ASKED_WRONGLY)


def _failed(error: Exception, as_json: bool, code: int) -> int:
    if as_json:
        print(json.dumps({"error": str(error)}, ensure_ascii=False))
    print(f"tubekit: {error}", file=sys.stderr)
    return code


def _json(answer: Any) -> Any:
    """An answer for a program; the dangers of the amp it is about stand first."""
    found = answer.to_json() if hasattr(answer, "to_json") else answer
    dangers = [
        {"code": one.code, "part": one.part, "text": one.text} for one in getattr(answer, "dangers", ())
    ]
    return {"dangers": dangers, **found} if dangers and isinstance(found, dict) else found


class Command(argparse.ArgumentParser):
    """A parser that takes options and PART=VALUE words in any order, before, between and after the rest."""

    def __init__(self, **settings: Any) -> None:
        self._with_value: set[str] = set()
        super().__init__(**settings)

    def add_argument(self, *names: Any, **settings: Any) -> Any:
        """As the standard library's; which options take a value is kept."""
        action = super().add_argument(*names, **settings)
        if action.nargs != 0:
            self._with_value.update(action.option_strings)
        return action

    def in_order(self, words: Sequence[str]) -> list[str]:
        """The words as argparse wants them: options, then places, then changes."""
        options: list[str] = []
        places: list[str] = []
        changes: list[str] = []
        left = iter(words)
        for word in left:
            if word.startswith("-") and len(word) > 1:
                options += [word, *(islice(left, 1) if word in self._with_value else ())]
            else:
                (changes if "=" in word and not Path(word).exists() else places).append(word)
        return [*options, *places, *changes]


def _parser() -> tuple[Command, Any]:
    parser = Command(
        prog="python3 -m tubekit",
        description="Work out, before soldering, what a part swap will do to a tube amp. "
        "Without a command: open the notebooks.",
        epilog="Other commands: lab opens the notebooks in JupyterLab, test runs every test.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"tubekit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Command)
    _amps(commands)
    _report(commands)
    _swap(commands)
    add_parts(commands, _command)
    add_fit(commands, _command)
    add_commands(commands, _command, _amp_and_mains, _changes)
    add_supply_commands(commands, _command, _amp_and_mains, _changes)
    add_bench_commands(commands, _command, _amp_and_mains, _changes)
    add_page_commands(commands, _command)
    return parser, commands


def _command(commands: Any, name: str, help_text: str, answer: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=help_text, description=help_text, allow_abbrev=False
    )
    parser.add_argument("--json", action="store_true", help="answer in JSON: SI units, glossary keys")
    parser.set_defaults(answer=answer)
    return parser


def _amps(commands: Any) -> None:
    _command(commands, "amps", "List the amps that come with tubekit.", _list_amps)


def _report(commands: Any) -> None:
    parser = _command(
        commands, "report", "Every voltage, current, dissipation, ripple and gain of an amp.", _report_amp
    )
    _amp_and_mains(parser)
    parser.add_argument("changes", nargs="*", metavar="PART=VALUE", help="a change that is made first")


def _swap(commands: Any) -> None:
    parser = _command(commands, "swap", "An amp before and after a change, with a verdict.", _swap_parts)
    _amp_and_mains(parser)
    parser.add_argument(
        "changes", nargs="*", metavar="PART=VALUE",
        help="a value (R14=330), a type (V5=5AR4), a state (C14=open, R24=removed), "
        "or a field (R31.position=0.7)",
    )  # fmt: skip


def _amp_and_mains(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("amp", metavar="AMP", help="a name from 'amps', or an amp file")
    parser.add_argument(
        "--mains", metavar="VOLTS", help="mains voltage [V rms]; the drawing's when not given"
    )


def _list_amps(_asked: argparse.Namespace) -> Any:
    from tubekit.cli.listing import AmpList

    return AmpList.of_demos()


def _report_amp(asked: argparse.Namespace) -> Any:
    from tubekit.cli.listing import FullReport

    return FullReport.of(_load(asked).changed(_changes(asked.changes)))


def _swap_parts(asked: argparse.Namespace) -> Any:
    from tubekit.decisions import swap

    changes = _changes(asked.changes)
    if not changes and asked.mains is None:
        raise ChangeError(
            "nothing to change",
            where=asked.amp,
            fix="Name a part and its new value, like R14=330, or --mains 123",
        )
    amp = _load(asked, mains=False)
    return swap(amp, changes, mains_rms=asked.mains)


def _load(asked: argparse.Namespace, mains: bool = True) -> Any:
    from tubekit.amp import load_amp

    amp = load_amp(asked.amp)
    return amp.changed({}, mains_rms=asked.mains) if mains and asked.mains is not None else amp


def _changes(words: Sequence[str]) -> dict[str, object]:
    """PART=VALUE words as a mapping.

    Examples
    --------
    >>> _changes(["R14=330", "V5=5AR4"])
    {'R14': '330', 'V5': '5AR4'}
    """
    found: dict[str, object] = {}
    for word in words:
        part, equals, value = (piece.strip() for piece in word.partition("="))
        if not (part and equals and value):
            raise ChangeError(f"cannot read '{word}'", fix="Write part=value, like R14=330 or V5=5AR4")
        if part in found:
            raise ChangeError("is changed twice in one command", part=part, fix="Name it once")
        in_winding = part.count(".") > 1  # T1.high_voltage.volts=300,300: one value per section
        found[part] = [piece.strip() for piece in value.split(",")] if in_winding else value
    return found
