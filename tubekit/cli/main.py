"""Commands and what they print.

An answer goes to stdout (the short one, all of it with --all, JSON with --json), anything else to stderr.
Exit code 0: answered; 2: what was asked cannot be; 1: the solver did not arrive.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import warnings
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from tubekit import __version__
from tubekit.cli.amp_commands import ANSWERS, answered
from tubekit.cli.arguments import (
    Asked,
    Command,
    add_command,
    changed_amp,
    changes,
    dangers,
    drawn_amp,
    fit,
    in_front,
    line_voltage,
    parts,
)
from tubekit.cli.bench_commands import BENCH
from tubekit.cli.job_command import job
from tubekit.cli.page_commands import add_page_commands
from tubekit.cli.terminal import prepare_output, print_answer, visible, writes
from tubekit.errors import BatchWarning, ChangeError, InputError, Note, SolveError
from tubekit.text import danger_text

ASKED_WRONGLY, NOT_SOLVED = 2, 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    prepare_output()
    words = list(sys.argv[1:] if arguments is None else arguments)
    words = words or ["page"]
    if words[0] in ("lab", "test"):
        return _handed_on(words[0], words[1:])
    parser, commands = _parser()
    words = in_front(words, commands.choices)
    known = commands.choices.get(words[0])
    asked = parser.parse_args(words if known is None else [words[0], *known.in_order(words[1:])])
    try:
        with warnings.catch_warnings(record=True) as caught:
            answer = asked.answer(asked)
    except InputError as error:
        return _failed(error, asked.json, ASKED_WRONGLY, dangers(asked), _option(str(error), known, asked))
    except SolveError as error:
        return _failed(error, asked.json, NOT_SOLVED, dangers(asked))
    except ModuleNotFoundError as error:
        if (error.name or "tubekit").startswith("tubekit"):
            raise
        missing = InputError(f"{error.name} is not installed", fix="Run pip install 'tubekit[lab]'")
        return _failed(missing, asked.json, ASKED_WRONGLY)
    for text in dict.fromkeys(_in_words(each.message) for each in caught):
        print(f"tubekit: {text}", file=sys.stderr)
    if answer is None:  # what was asked for has been said while it was done
        return 0
    if asked.json:
        _print_json(_json(answer), indent=2)
    else:
        print_answer(answer, whole=asked.all)
    return 0


def _in_words(warning: Warning | str) -> str:
    return warning.words if isinstance(warning, BatchWarning) else str(warning)


def _handed_on(command: str, rest: list[str]) -> int:
    """`lab` and `test` start other programs and hand their words on to them."""
    from tubekit.setup import lab, run_tests

    try:
        return lab.start(rest) if command == "lab" else run_tests.start(rest)
    except InputError as error:
        return _failed(error, False, ASKED_WRONGLY)


def _option(text: str, command: argparse.ArgumentParser | None, asked: argparse.Namespace) -> str:
    """The option whose value a message is about, where the message does not name it."""
    for action in command._actions if command else ():  # noqa: SLF001 - argparse lists its options nowhere else
        value, names = getattr(asked, action.dest, None), action.option_strings
        if not names or not isinstance(value, str) or value in ("", action.default):
            continue
        if re.search(rf"(?<!\w){re.escape(value)}(?!\w)", text) and names[-1] not in text:
            return f" (option {names[-1]})"
    return ""


def _failed(error: Exception, as_json: bool, code: int, first: Sequence[Note] = (), option: str = "") -> int:
    """What went wrong, below the dangers of the amp it is about."""
    if as_json:
        _print_json({**_dangers(first), "error": str(error) + option})
    for danger in first:
        if danger.text not in str(error):
            print(danger_text(danger), file=sys.stderr)
    print(f"tubekit: {visible(str(error) + option)}", file=sys.stderr)
    return code


def _print_json(answer: Any, **style: Any) -> None:
    """JSON with its signs as they are, or escaped where the terminal lacks one."""
    text = json.dumps(answer, ensure_ascii=False, allow_nan=False, **style)
    plain = writes(sys.stdout.encoding, text)
    print(text if plain else json.dumps(answer, allow_nan=False, **style))


def _json(answer: Any) -> Any:
    """An answer for a program; the dangers of the amp it is about stand first."""
    result = answer.to_json() if hasattr(answer, "to_json") else answer
    if not isinstance(result, dict):
        return result
    caution = {"caution": answer.caution} if answer.caution else {}
    return {**_dangers(answer.dangers), **caution, **result}


def _dangers(notes: Sequence[Note]) -> dict[str, Any]:
    return {"dangers": [{"code": n.code, "part": n.part, "text": n.text} for n in notes]} if notes else {}


def _parser() -> tuple[Command, Any]:
    parser = Command(
        prog="python3 -m tubekit",
        description="Calculate what a part swap does to a tube amp before you solder it. "
        "Without a command: open the notebooks as pages (the same as page).",
        epilog="Other commands: lab opens the notebooks in JupyterLab to edit their code; test runs tests.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"tubekit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Command)
    about_amps: dict[str, Callable[[Asked], Any]] = {
        name: partial(answered, work) for name, work in ANSWERS.items()
    }
    for name, answer in {**_OWN, **about_amps, **BENCH, "job": job}.items():
        add_command(commands, name, answer)
    add_page_commands(commands)
    return parser, commands


def _list_amps(_asked: Asked) -> Any:
    from tubekit.cli.listing import AmpList

    return AmpList.of_demos()


def _check_figures(_asked: Asked) -> Any:
    from tubekit.textbook.accuracy import accuracy

    return accuracy()


def _report_amp(asked: Asked) -> Any:
    from tubekit.cli.listing import FullReport

    return FullReport.of(changed_amp(asked))


def _swap_parts(asked: Asked) -> Any:
    from tubekit.decisions import swap

    result = changes(asked.changes)
    if not result and asked.line is None:
        raise ChangeError(
            "nothing to change",
            where=asked.amp,
            fix="Type a part and its new value, like R14=330, or --line 123",
        )
    return swap(drawn_amp(asked, mains=False), result, mains_rms=line_voltage(asked))


_OWN: dict[str, Callable[[Asked], Any]] = {
    "amps": _list_amps, "report": _report_amp, "swap": _swap_parts, "accuracy": _check_figures,
    "parts": parts, "fit": fit,
}  # fmt: skip
