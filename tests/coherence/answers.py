"""Every answer about one amp, as a command, a panel or a record gives it: a name and its HTML."""

from __future__ import annotations

import argparse
import html
import re
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ipywidgets

from tubekit.amp import Amp, analyze
from tubekit.bench.readings import readings_from_text
from tubekit.cli import amp_commands, bench_commands
from tubekit.cli.listing import FullReport
from tubekit.cli.main import _parser
from tubekit.decisions import swap
from tubekit.decisions.judge import judge
from tubekit.decisions.spread import spread
from tubekit.errors import ChangeError, SolveError
from tubekit.record import contents, record_results
from tubekit.record.page import page

Answer = Callable[[Amp], Any]

WILD = re.compile(r"UNSTABLE|\b(the amp|it) oscillates", re.IGNORECASE)
"""How an answer says that the amp oscillates; that a tremolo's tube does is no fault."""

REFUSED = "REFUSED"
SHORT: dict[str, dict[str, Any]] = {"listen": {"seconds": 0.2}}
"""Options that are not left as they are: a fifth of a second of sound."""


def _asked(words: str, amp: Amp, **more: Any) -> argparse.Namespace:
    """What the command line makes of `words`: each option as it is when nobody names it."""
    asked = _parser()[0].parse_args([*words.split(), amp.name])
    vars(asked).update(more)
    return asked


def _commands() -> Iterator[tuple[str, Answer]]:
    yield "report", FullReport.of
    yield "swap", lambda amp: swap(amp, {}, mains_rms=float(amp.mains_rms))
    for name, work in amp_commands.ANSWERS.items():
        if name not in {"tone", "standby", "lower-line", "substitutes"}:
            yield (
                name,
                lambda amp, name=name, work=work: work(_asked(name, amp, **SHORT.get(name, {})), amp, {}),
            )
    for name in ("up", "lamp", "trace", "drive", "hum"):
        work = bench_commands.PROCEDURES[name]
        words = f"bench {name}"
        yield words, lambda amp, words=words, work=work: work(_asked(words, amp), amp, {})
    yield "spread", lambda amp: spread(amp, size=200)
    yield "judge", lambda amp: judge(readings_of(amp))


def readings_of(amp: Amp) -> Any:
    """What a perfect meter would read on the amp as drawn: the list that nobody may find fault with."""
    lines = ["place,quantity,value"]
    lines += [f"{one.node},DC volts,{one.dc_v:.5g}" for one in analyze(amp).nodes if abs(one.dc_v) > 0.5]
    return readings_from_text("\n".join(lines), amp)


def answers(amp: Amp, only: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """(who states it, HTML) of every command, then the record, then the panels."""
    for name, work in _commands():
        if not only or name in only:
            yield name, _output_of(lambda work=work: work(amp).html())
    if not only or "record" in only:
        yield "record", _output_of(lambda: _record(amp))
    if not only or "panels" in only:
        yield from _panels(amp)


def _output_of(make: Callable[[], str]) -> str:
    """The answer, or why there is none: nothing to be asked about, or it oscillates; else it is a crash."""
    try:
        return make()
    except Exception as error:  # noqa: BLE001 - whatever it is, it is what the user would meet
        meant = isinstance(error, ChangeError) or (isinstance(error, SolveError) and WILD.search(str(error)))
        kind = REFUSED if meant else f"CRASH {type(error).__name__}"
        return f"<p>{kind}: {html.escape(str(error))}</p>"


def _record(amp: Amp) -> str:
    worked = record_results(amp, sheets=("up",))
    return page(contents(worked.amp, *worked.results))


def _panels(amp: Amp) -> Iterator[tuple[str, str]]:
    from tubekit import panels

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{amp.name}.toml"
        path.write_text(amp.copy_as_text(), encoding="utf-8")
        for make in (panels.start, panels.part_swap, panels.supply, panels.hum, panels.tone):
            yield f"panel {make.__name__}", _output_of(lambda make=make: "".join(_html_of(make(str(path)))))


def _html_of(widget: Any) -> Iterator[str]:
    seen: set[int] = set()
    todo = [getattr(widget, "widget", widget)]
    while todo:
        one = todo.pop(0)
        if id(one) in seen:
            continue
        seen.add(id(one))
        if isinstance(one, ipywidgets.HTML):
            yield str(one.value)
        todo += list(getattr(one, "children", ()))
