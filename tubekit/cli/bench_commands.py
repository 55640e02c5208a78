"""Commands for the bench: spread, judge, suspects, cable, bench, record."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import (
    LEVELS,
    Asked,
    Command,
    Work,
    amp_words,
    answer_of,
    change_words,
    changed_amp,
    changes,
    command,
    drawn_amp,
    is_change,
    line_voltage,
    measured,
    number,
)
from tubekit.errors import ChangeError
from tubekit.files import found

AGES = ("vintage", "modern")
READINGS = "list of readings (.csv or .toml)"


def add_bench_commands(commands: Any) -> None:
    """Add the commands."""
    parser = command(commands, "spread", "Show the normal range of every reading.", _spread)
    amp_words(parser)
    _age(parser)
    parser.add_argument(
        "--size", type=number(20, 1_000_000, whole=True), help="number of amps to simulate (default 4000)"
    )
    parser.add_argument("--seed", type=number(0, 2**63 - 1, whole=True), default=1, help="random seed")
    change_words(parser)
    for name, help_text, answer in (
        ("judge", "Check every reading against its normal range.", _judge),
        ("suspects", "Find the part that explains the readings best, and what to measure next.", _suspects),
    ):
        parser = command(commands, name, help_text, answer)
        amp_words(parser, mains=False)
        parser.add_argument(
            "readings", metavar="READINGS", nargs="?", default="", help=f"{READINGS}; of a job its own"
        )
        _age(parser)
        change_words(parser)
    parser = command(
        commands, "cable", "Check a multi-pin cable and what it does to the standby circuit.", _cable
    )
    amp_words(parser, mains=False)
    parser.add_argument("continuity", metavar="CSV", nargs="?", help="readings: from,to,beeps[,ohms]")
    parser.add_argument(
        "--swaps", action="store_true", help="show what is overloaded if any two pins are swapped"
    )
    parser.add_argument("--cut", metavar="W7", help="show what happens if one wire is cut, hum included")
    change_words(parser)
    _bench(commands)
    _record(commands)


def _age(parser: Command) -> None:
    parser.add_argument(
        "--age", choices=AGES, default="vintage", help="age of the parts: how far good ones vary"
    )


def _bench(commands: Any) -> None:
    parser = command(commands, "bench", "Print a bench procedure with the numbers to expect.", _procedure)
    parser.add_argument("procedure", choices=tuple(_PROCEDURES), help="; ".join(
        f"{name}: {words}" for name, (words, _) in _PROCEDURES.items()
    ))  # fmt: skip
    amp_words(parser)
    change_words(parser)
    parser.add_argument(
        "--watts", type=number(5, 2000), metavar="W", help="for 'bench lamp': only a lamp of this power"
    )
    parser.add_argument("--jack", metavar="J1", help="for 'bench trace': input jack for the test tone")
    parser.add_argument(
        "--level", metavar="VOLTS", help="for 'bench trace': level of the test tone (default: below clipping)"
    )
    parser.add_argument(
        "--hertz", metavar="HZ", help="for 'bench trace': frequency of the test tone (default: 1 kHz)"
    )
    parser.add_argument(
        "--readings", metavar="FILE", help="for 'bench trace' and 'bench twin': what you measured (CSV)"
    )
    parser.add_argument(
        "--about",
        metavar="PART",
        default="",
        help="for 'bench twin': suggest readings for this part (like V5)",
    )
    parser.add_argument(
        "--drawing", metavar="AMP", help="for 'bench found': the schematic file to compare the chassis with"
    )


def _record(commands: Any) -> None:
    parser = command(commands, "record", "Write a decision record (HTML and PDF).", _write_record)
    amp_words(parser)
    parser.add_argument("file", metavar="FILE", help="HTML file to write; the PDF goes in the same folder")
    change_words(parser)
    parser.add_argument("--readings", metavar="FILE", help=READINGS)
    for word, help_text in (
        ("title", "heading"), ("decided", "decision"), ("why", "why"), ("by", "name"),
    ):  # fmt: skip
        parser.add_argument(f"--{word}", default="", metavar="TEXT", help=help_text)
    parser.add_argument("--date", default="", metavar="TEXT", help="date (default: today)")
    parser.add_argument("--paper", choices=("Letter", "A4"), default="Letter", help="paper size")
    parser.add_argument(
        "--sheet", action="append", default=[], metavar="NAME",
        help="a procedure for the bench: up, lamp, trace, drive or hum; may be given several times",
    )  # fmt: skip
    parser.add_argument("--no-pdf", action="store_true", help="HTML only")
    parser.add_argument("--overwrite", action="store_true", help="overwrite files of the same name")


def _progress(done: int, of: int) -> None:
    """A count in the terminal, where one looks on."""
    if sys.stderr.isatty():
        end = "\n" if done >= of else ""
        print(f"\rcalculated {done} of {of} parts", end=end, file=sys.stderr, flush=True)


def _spread(asked: Asked) -> Any:
    from tubekit.decisions.spread import SIZE, spread

    known = None if asked.line is None else 0.005
    return spread(
        changed_amp(asked), age=asked.age, size=asked.size or SIZE, seed=asked.seed, mains_known=known,
        progress=_progress,
    )  # fmt: skip


def _readings(asked: Asked) -> Any:
    """The list that is named, or all readings of a job."""
    from tubekit.bench.readings import load_readings
    from tubekit.jobs.job import open_job

    if asked.readings:
        return load_readings(asked.readings, changed_amp(asked))
    readings = open_job(asked.amp).readings() if found(asked.amp, "is_dir") else None
    if readings is None:
        raise ChangeError(
            "there are no readings", where=asked.amp,
            fix="Name a list of readings after the amp; in a job, type job read PLACE=VALUE",
        )  # fmt: skip
    return readings


def _judge(asked: Asked) -> Any:
    from tubekit.decisions.judge import judge

    return judge(_readings(asked), age=asked.age)


def _suspects(asked: Asked) -> Any:
    from tubekit.bench.suspects import suspects

    return suspects(_readings(asked), age=asked.age, progress=_progress)


def _cable(asked: Asked) -> Any:
    from tubekit.bench.cable import check_cable
    from tubekit.bench.cable_trials import keep_or_cut, pin_swaps

    if asked.continuity and is_change(asked.continuity):  # no list is given: the first place is a change
        asked.changes, asked.continuity = [asked.continuity, *asked.changes], None
    amp = changed_amp(asked)
    if asked.swaps:
        return pin_swaps(amp)
    return keep_or_cut(amp, asked.cut) if asked.cut else check_cable(amp, asked.continuity or ())


def _procedure(asked: Asked) -> Any:
    lists = [word for word in asked.changes if not is_change(word) and Path(word).suffix]
    asked.readings = asked.readings or next(iter(lists), None)
    asked.changes = [word for word in asked.changes if word not in lists]
    _, answer = _PROCEDURES[asked.procedure]
    return answer(asked, drawn_amp(asked), changes(asked.changes))


def _lamp(asked: Asked, amp: Any, changed: Any) -> Any:
    from tubekit.bench.bring_up import bring_up
    from tubekit.bench.lamp import usual_lamp

    one = amp.changed(changed)
    lamp = usual_lamp(asked.watts, float(one.mains_rms)) if asked.watts else None
    return bring_up(one, lamp, in_series=True)


def _trace(asked: Asked, amp: Any, changed: Any) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.bench.trace import first_tone, trace

    one = amp.changed(changed)
    readings = load_readings(asked.readings, one) if asked.readings else None
    given = {
        "jack": asked.jack,
        "level_rms_v": measured(asked, "level", "V", *LEVELS),
        "frequency_hz": measured(asked, "hertz", "Hz", 10.0, 100e3),
    }
    given = {key: value for key, value in given.items() if value is not None}
    heard = readings.tone if readings else None
    tone = replace(heard, **given) if heard else first_tone(one, **given)
    return trace(one, tone, readings)


def _twin(asked: Asked, amp: Any, changed: Any) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.bench.twin import twin

    if not asked.readings:
        raise ChangeError("bench twin needs your readings", where=asked.amp,
                          fix="Type bench twin AMP and your list of readings")  # fmt: skip
    return twin(load_readings(asked.readings, amp.changed(changed)), about=asked.about)


def _compare_chassis(asked: Asked, amp: Any, changed: Any) -> Any:
    from tubekit.bench.chassis_diff import chassis_diff

    if not asked.drawing and not changed:
        raise ChangeError(
            "bench found needs what is different in the chassis", where=asked.amp,
            fix="Add PART=VALUE as found (R4=68k), or --drawing AMP, the schematic of an amp file as found",
        )  # fmt: skip
    return chassis_diff(amp.changed(changed), asked.drawing or amp)


def _order(_asked: Asked, amp: Any, changed: Any) -> Any:
    from tubekit.bench.orders import order_list

    return order_list(amp, changed)


_PROCEDURES: dict[str, tuple[str, Work]] = {
    "cold": ("check resistances before you plug it in", answer_of("tubekit.bench.procedures:cold_ohms")),
    "up": ("power up on a variable transformer", answer_of("tubekit.bench.bring_up:bring_up")),
    "lamp": ("power up through a light-bulb limiter", _lamp),
    "trace": ("find where a test tone is lost", _trace),
    "twin": ("fit the amp to its readings", _twin),
    "drive": (
        "measure output tube current at full power",
        answer_of("tubekit.bench.procedures:current_under_drive"),
    ),
    "hum": ("set the hum balance", answer_of("tubekit.bench.procedures:hum_procedure")),
    "found": ("compare the chassis with the schematic", _compare_chassis),
    "order": ("list what to buy for a change", _order),
}


def _write_record(asked: Asked) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.record import may_write, record, record_results

    may_write(asked.file, pdf=not asked.no_pdf, overwrite=asked.overwrite)
    amp = drawn_amp(asked, mains=False)
    readings = load_readings(asked.readings, amp) if asked.readings else None
    worked = record_results(
        amp, changes(asked.changes), mains_rms=line_voltage(asked), readings=readings, sheets=asked.sheet,
        progress=_progress,
    )  # fmt: skip
    return record(
        asked.file, worked.amp, *worked.results, title=asked.title, decided=asked.decided, why=asked.why,
        by=asked.by, date=asked.date, readings=readings, paper=asked.paper, pdf=not asked.no_pdf,
        overwrite=asked.overwrite,
    )  # fmt: skip
