"""What a command line says: the amp, its line voltage, and the changes to make first."""

from __future__ import annotations

import argparse
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib import import_module
from itertools import islice
from operator import attrgetter
from pathlib import Path
from typing import Any, NoReturn

from tubekit.cli.terminal import visible
from tubekit.errors import ChangeError, InputError, Note
from tubekit.files import data_file, found
from tubekit.layout import as_typed

Asked = argparse.Namespace
Work = Callable[[Asked, Any, Mapping[str, object]], Any]
"""What a command makes of its words, the amp as drawn, and the changes."""
NUMBER = re.compile(r"-[.\d]")
"""A bias voltage, and no option."""
LEVELS = (1e-6, 100.0)
"""What a generator gives an input jack [V RMS]."""
COMMANDS = tomllib.loads(data_file("commands.toml").read_text(encoding="utf-8"))
"""Help and words of each command."""


def typed(word: str) -> str:
    """The word of an option, as it is; argparse names the option where it cannot be shown."""
    try:
        return as_typed(word)
    except InputError as error:
        raise argparse.ArgumentTypeError(error.problem) from None


def not_empty(word: str) -> str:
    """The same where an option needs something."""
    if not word.strip():
        raise argparse.ArgumentTypeError("is empty")
    return typed(word)


class Command(argparse.ArgumentParser):
    """A parser that takes options and PART=VALUE words in any order, before, between and after the rest."""

    def __init__(self, **settings: Any) -> None:
        self.with_value: set[str] = set()
        super().__init__(**settings)

    def add_argument(self, *names: Any, **settings: Any) -> Any:
        """As the standard library's; which options take a value is kept."""
        action = super().add_argument(*names, **settings)
        if action.nargs != 0 and action.option_strings:
            action.type = action.type or (typed if action.default == "" else not_empty)
            self.with_value.update(action.option_strings)
        return action

    def error(self, message: str) -> NoReturn:
        """As the standard library's, with nothing in it that a terminal would obey."""
        short = message if len(message) < 400 else f"{message[:200]} … {message[-100:]}"
        super().error(visible(short))

    def in_order(self, words: Sequence[str]) -> list[str]:
        """The words as argparse wants them: options, then places, then changes."""
        options: list[str] = []
        places: list[str] = []
        changes: list[str] = []
        left = iter(words)
        for word in left:
            if word.startswith("-") and not NUMBER.match(word) and len(word) > 1:
                options += [word, *(islice(left, 1) if word in self.with_value else ())]
            else:
                (changes if is_change(word) else places).append(word)
        return [*options, *places, *changes]


def in_front(words: Sequence[str], commands: Mapping[str, Command]) -> list[str]:
    """The words with the command first, where it comes after options or changes."""
    for place, word in enumerate(words):
        if word in commands and not (place and words[place - 1] in commands[word].with_value):
            return [word, *words[:place], *words[place + 1 :]]
        if not (word.startswith("-") or is_change(word) or (place and words[place - 1].startswith("-"))):
            break
    return list(words)


def number(low: float, high: float, whole: bool = False) -> Callable[[str], float]:
    """What reads an option's number, from `low` to `high`; argparse says the option that is wrong.

    Examples
    --------
    >>> number(20, 1_000_000, whole=True)("200")
    200
    """

    def read(word: str) -> float:
        try:
            value = int(word) if whole else float(word)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            kind = "a whole number" if whole else "a number"
            raise argparse.ArgumentTypeError(f"'{word[:40]}' is not {kind} from {low:,g} to {high:,g}")
        return value

    return read


def measured(asked: Asked, option: str, unit: str, low: float, high: float) -> float | None:
    """An option with a unit, like --level 50mV, as a number; None where it is not given."""
    from tubekit.amp.fields import Quantity

    word = getattr(asked, option, None)
    try:
        return None if word is None else Quantity(unit, low, high).read(word)
    except InputError as error:
        raise error.placed(part=f"--{option}") from None


def command(commands: Any, name: str, help_text: str, answer: Callable[[Asked], Any]) -> Any:
    """The parser of a new command, with --all and --json."""
    parser = commands.add_parser(name, help=help_text, description=help_text, allow_abbrev=False)
    parser.add_argument("--all", action="store_true", help="print every table, not the short answer")
    parser.add_argument("--json", action="store_true", help="print JSON (SI units)")
    parser.set_defaults(answer=answer)
    return parser


def imported(where: str) -> Any:
    """What 'module:name' names, imported when asked for."""
    module, name = where.split(":")
    return attrgetter(name)(import_module(module))


def answer_of(where: str, **given: str) -> Work:
    """The work of one function, imported when asked for: on the changed amp, each word by its parameter."""

    def work(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
        words = {key: getattr(asked, word) for key, word in given.items()}
        return imported(where)(amp.changed(changed), **words)

    return work


def add_command(commands: Any, name: str, answer: Callable[[Asked], Any]) -> None:
    """A command of data/commands.toml: its words in the order in which they are listed there."""
    entry = COMMANDS[name]
    parser = command(commands, name, entry["help"], answer)
    for word in entry["takes"]:
        settings = dict(entry.get(word) or COMMANDS["shared"][word])
        if "range" in settings:
            low, high = settings.pop("range")
            settings["type"] = number(low, high, settings.pop("whole", False))
        parser.add_argument(word, **{"help": argparse.SUPPRESS, **settings})


def is_change(word: str) -> bool:
    """Whether a word is PART=VALUE and no file."""
    return "=" in word and not found(word)


def drawn_amp(asked: Asked, mains: bool = True) -> Any:
    """The amp of a command, at the line voltage it names; of a job the amp as its readings have it."""
    from tubekit.amp import load_amp

    if found(asked.amp, "is_dir"):
        from tubekit.jobs.job import open_job

        amp = open_job(asked.amp).this_amp
    else:
        amp = load_amp(asked.amp)
    volts = line_voltage(asked) if mains else None
    return amp if volts is None else amp.changed({}, mains_rms=volts)


def line_voltage(asked: Asked) -> float | None:
    """The line voltage of a command that is given one [V RMS]."""
    return measured(asked, "line", "V", 1.0, 600.0)


def changed_amp(asked: Asked) -> Any:
    """The same with the changes made."""
    return drawn_amp(asked).changed(changes(asked.changes))


def changes(words: Sequence[str]) -> dict[str, object]:
    """PART=VALUE words as a mapping.

    Examples
    --------
    >>> changes(["R14=330", "V5=5AR4"])
    {'R14': '330', 'V5': '5AR4'}
    """
    result: dict[str, object] = {}
    for word in words:
        part, equals, value = (piece.strip() for piece in word.partition("="))
        if not (part and equals and value):
            raise ChangeError(f"cannot read '{word}'", fix="Write part=value, like R14=330 or V5=5AR4")
        if part in result:
            raise ChangeError("is changed twice in one command", part=part, fix="Name it once")
        in_winding = part.count(".") > 1  # T1.high_voltage.volts=300,300: one value per section
        result[part] = [piece.strip() for piece in value.split(",")] if in_winding else value
    return result


def dangers(asked: Asked) -> tuple[Note, ...]:
    """The dangers of the amp that a command which failed was about: as changed, else as drawn."""
    for read in _ways(asked):
        try:
            amp = read()
        except InputError:  # said already: the message these dangers stand above
            continue
        return (*amp.idle_dangers, *amp.dangers)
    return ()


def _ways(asked: Asked) -> Iterator[Callable[[], Any]]:
    if getattr(asked, "amp", None):
        yield lambda: changed_amp(asked)
        yield lambda: drawn_amp(asked, mains=False)


def parts(asked: Asked) -> Any:
    """An amp as a parts list, or a blank one."""
    from tubekit.amp.parts_list import template
    from tubekit.files import write_whole

    if (asked.amp is None) == (asked.template is None):
        raise InputError(
            "nothing to write" if asked.amp is None else "give an amp or --template, not both",
            fix="Type parts teasel --to teasel.xlsx, or for a blank list parts --template my-amp.xlsx",
        )
    if asked.template is not None:
        path = Path(asked.template)
        write_whole(path, template(path.suffix, path.name), overwrite=asked.overwrite)
    else:
        amp = changed_amp(asked)
        if asked.to is None:
            return amp
        path = amp.save_as(asked.to, overwrite=asked.overwrite)
    print(f"tubekit: written: {path}", file=sys.stderr)
    return None


def fit(asked: Asked) -> Any:
    """Fit a tube to points, and save it."""
    from tubekit.devices.points_fit import fit_tube

    result = fit_tube(asked.points, kind=asked.kind, like=asked.like, name=asked.name)
    if asked.save is not None:
        result.save(asked.save, overwrite=asked.overwrite)
    return result
