"""Commands for the bench: spread, judge, suspects, cable, bench, record."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from tubekit.errors import ChangeError

Asked = argparse.Namespace
Maker = Callable[[Any, str, str, Callable[[Asked], Any]], argparse.ArgumentParser]
Changes = Callable[[Any], dict[str, object]]
AGES = ("vintage", "modern")
READINGS = "list of readings (.csv or .toml)"
PART_VALUE = "a change, like R14=330"


def add_bench_commands(
    commands: Any, command: Maker, amp_words: Callable[[Any], None], changes: Changes
) -> None:
    """Add the commands; `command` makes a parser, `amp_words` adds AMP and --mains."""
    parser = command(commands, "spread", "The band of every reading over many good amps.", _spread(changes))
    amp_words(parser)
    _age(parser)
    parser.add_argument("--size", type=int, default=None, help="amps to draw; 4000 when not given")
    parser.add_argument("--seed", type=int, default=1, help="another seed draws other amps")
    parser.add_argument("changes", nargs="*", metavar="PART=VALUE", help=PART_VALUE)
    for name, help_text, answer in (
        ("judge", "A verdict on every reading.", _judge),
        ("suspects", "The parts that explain readings best, and what to measure next.", _suspects),
    ):
        parser = command(commands, name, help_text, answer)
        parser.add_argument("amp", metavar="AMP", help="a name from 'amps', or an amp file")
        parser.add_argument("readings", metavar="READINGS", help=READINGS)
        _age(parser)
    parser = command(
        commands, "cable", "Check a multi-pin cable and what it does to the standby loop.", _cable
    )
    parser.add_argument("amp", metavar="AMP", help="a name from 'amps', or an amp file")
    parser.add_argument("continuity", metavar="CSV", nargs="?", help="readings: from,to,beeps[,ohms]")
    parser.add_argument("--swaps", action="store_true", help="every two pins swapped, and what that does")
    parser.add_argument("--cut", metavar="W7", help="one wire kept or cut, hum included")
    _bench(commands, command, amp_words, changes)
    _record(commands, command, amp_words, changes)


def _age(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--age", choices=AGES, default="vintage", help="spread of old or of new parts")


def _bench(commands: Any, command: Maker, amp_words: Callable[[Any], None], changes: Changes) -> None:
    parser = command(commands, "bench", "A bench procedure with the numbers to expect.", _procedure(changes))
    parser.add_argument("procedure", choices=tuple(_PROCEDURES), help="; ".join(
        f"{name}: {words}" for name, (words, _) in _PROCEDURES.items()
    ))  # fmt: skip
    amp_words(parser)
    parser.add_argument("changes", nargs="*", metavar="PART=VALUE", help=PART_VALUE)
    parser.add_argument("--watts", type=float, metavar="W", help="lamp: one lamp of this power")
    parser.add_argument("--jack", metavar="J1", help="trace: where the tone goes in")
    parser.add_argument("--level", metavar="VOLTS", help="trace: level of the tone (default: below clipping)")
    parser.add_argument("--hertz", metavar="HZ", help="trace: its frequency (default: 1 kHz)")
    parser.add_argument("--readings", metavar="FILE", help="trace: levels read along the way")
    parser.add_argument("--drawing", metavar="AMP", help="found: the drawing to hold the amp against")


def _record(commands: Any, command: Maker, amp_words: Callable[[Any], None], changes: Changes) -> None:
    parser = command(commands, "record", "Write a decision record (HTML and PDF).", _write_record(changes))
    amp_words(parser)
    parser.add_argument("file", metavar="FILE", help="the HTML file to write; the PDF stands beside it")
    parser.add_argument("changes", nargs="*", metavar="PART=VALUE", help=PART_VALUE)
    parser.add_argument("--readings", metavar="FILE", help=READINGS)
    for word, help_text in (
        ("title", "heading"), ("decided", "the decision"), ("why", "its reason"), ("by", "who"),
    ):  # fmt: skip
        parser.add_argument(f"--{word}", default="", metavar="TEXT", help=help_text)
    parser.add_argument("--date", default="", metavar="TEXT", help="the day; today when not given")
    parser.add_argument("--paper", choices=("Letter", "A4"), default="Letter", help="paper to lay it out for")
    parser.add_argument(
        "--sheet", action="append", default=[], metavar="NAME",
        help="a procedure for the bench: up, lamp, trace, drive or hum; may be given several times",
    )  # fmt: skip
    parser.add_argument("--no-pdf", action="store_true", help="HTML alone")
    parser.add_argument("--overwrite", action="store_true", help="write over files of the same name")


def _amp(asked: Asked, mains: bool = True) -> Any:
    from tubekit.amp import load_amp

    amp = load_amp(asked.amp)
    return amp.changed({}, mains_rms=asked.mains) if mains and asked.mains is not None else amp


def _progress(done: int, of: int) -> None:
    """A count in the terminal, where one looks on."""
    if sys.stderr.isatty():
        end = "\n" if done >= of else ""
        print(f"\rworked out {done} of {of} parts", end=end, file=sys.stderr, flush=True)


def _spread(changes: Changes) -> Callable[[Asked], Any]:
    def answered(asked: Asked) -> Any:
        from tubekit.decisions.spread import SIZE, spread

        known = None if asked.mains is None else 0.005
        return spread(
            _amp(asked).changed(changes(asked.changes)), age=asked.age, size=asked.size or SIZE,
            seed=asked.seed, mains_known=known, progress=_progress,
        )  # fmt: skip

    return answered


def _judge(asked: Asked) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.decisions.judge import judge

    return judge(load_readings(asked.readings, _amp(asked, mains=False)), age=asked.age)


def _suspects(asked: Asked) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.bench.suspects import suspects

    readings = load_readings(asked.readings, _amp(asked, mains=False))
    return suspects(readings, age=asked.age, progress=_progress)


def _cable(asked: Asked) -> Any:
    from tubekit.bench.cable import check_cable
    from tubekit.bench.cable_trials import keep_or_cut, pin_swaps

    amp = _amp(asked, mains=False)
    if asked.swaps:
        return pin_swaps(amp)
    return keep_or_cut(amp, asked.cut) if asked.cut else check_cable(amp, asked.continuity or ())


def _procedure(changes: Changes) -> Callable[[Asked], Any]:
    def answered(asked: Asked) -> Any:
        _, answer = _PROCEDURES[asked.procedure]
        return answer(asked, _amp(asked), changes(asked.changes))

    return answered


def _up(_asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.bring_up import bring_up

    return bring_up(amp.changed(changes))


def _lamp(asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.bring_up import bring_up
    from tubekit.bench.lamp import usual_lamp

    changed = amp.changed(changes)
    lamp = usual_lamp(asked.watts, float(changed.mains_rms)) if asked.watts else None
    return bring_up(changed, lamp, in_series=True)


def _trace(asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.bench.trace import first_tone, trace
    from tubekit.units import parse

    changed = amp.changed(changes)
    readings = load_readings(asked.readings, changed) if asked.readings else None
    given = {
        "jack": asked.jack,
        "level_rms_v": asked.level and parse(asked.level, "V"),
        "frequency_hz": asked.hertz and parse(asked.hertz, "Hz"),
    }
    given = {key: value for key, value in given.items() if value is not None}
    tone = replace((readings.tone if readings else None) or first_tone(changed), **given) if given else None
    return trace(changed, tone, readings)


def _drive(_asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.procedures import current_under_drive

    return current_under_drive(amp.changed(changes))


def _hum(_asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.procedures import hum_procedure

    return hum_procedure(amp.changed(changes))


def _found(asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.found import found_against_drawn

    if not asked.drawing:
        raise ChangeError("there is no drawing to hold it against", where=asked.amp, fix="Add --drawing AMP")
    return found_against_drawn(amp.changed(changes), asked.drawing)


def _order(_asked: Asked, amp: Any, changes: Any) -> Any:
    from tubekit.bench.orders import order_list

    return order_list(amp, changes)


_PROCEDURES: dict[str, tuple[str, Callable[[Asked, Any, Any], Any]]] = {
    "up": ("bringing up on a variable supply", _up),
    "lamp": ("bringing up behind a series lamp", _lamp),
    "trace": ("levels of a test tone at every node", _trace),
    "drive": ("output tubes' current under drive", _drive),
    "hum": ("setting the hum balance", _hum),
    "found": ("the chassis as found against the drawing", _found),
    "order": ("what to buy for a change", _order),
}


def _write_record(changes: Changes) -> Callable[[Asked], Any]:
    def answered(asked: Asked) -> Any:
        from tubekit.bench.readings import load_readings
        from tubekit.record import may_write, record, worked_out

        may_write(asked.file, pdf=not asked.no_pdf, overwrite=asked.overwrite)
        amp = _amp(asked, mains=False)
        readings = load_readings(asked.readings, amp) if asked.readings else None
        worked = worked_out(
            amp, changes(asked.changes), mains_rms=asked.mains, readings=readings, sheets=asked.sheet,
            progress=_progress,
        )  # fmt: skip
        return record(
            asked.file, worked.amp, *worked.results, title=asked.title, decided=asked.decided,
            why=asked.why, by=asked.by, date=asked.date, readings=readings, paper=asked.paper,
            pdf=not asked.no_pdf, overwrite=asked.overwrite,
        )  # fmt: skip

    return answered
