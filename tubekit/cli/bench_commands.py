"""Commands for the bench: spread, judge, suspects, cable, bench, record."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import (
    LEVELS,
    Asked,
    Work,
    answer_of,
    changed_amp,
    changes,
    drawn_amp,
    is_change,
    line_voltage,
    measured,
)
from tubekit.errors import ChangeError
from tubekit.files import found


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
    return PROCEDURES[asked.procedure](asked, drawn_amp(asked), changes(asked.changes))


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


def _write_record(asked: Asked) -> Any:
    from tubekit.bench.readings import load_readings
    from tubekit.record import may_write, record, record_results

    if is_change(asked.file):  # a name of its own for the file was left out
        raise ChangeError(
            f"'{asked.file}' is a change: the record has no file to go to", where=asked.amp,
            fix=f"Name the file first: record {asked.amp} after.html {asked.file}",
        )  # fmt: skip
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


PROCEDURES: dict[str, Work] = {
    "cold": answer_of("tubekit.bench.procedures:cold_ohms"),
    "up": answer_of("tubekit.bench.bring_up:bring_up"),
    "lamp": _lamp,
    "trace": _trace,
    "twin": _twin,
    "drive": answer_of("tubekit.bench.procedures:current_under_drive"),
    "hum": answer_of("tubekit.bench.procedures:hum_procedure"),
    "found": _compare_chassis,
    "order": _order,
}
BENCH: dict[str, Callable[[Asked], Any]] = {
    "spread": _spread, "judge": _judge, "suspects": _suspects, "cable": _cable, "bench": _procedure,
    "record": _write_record,
}  # fmt: skip
