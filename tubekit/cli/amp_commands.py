"""Commands about one amp: its signal (trace, tone, drive, listen, hum, …), its supply, its substitutes."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import (
    LEVELS,
    Asked,
    Work,
    answer_of,
    changes,
    drawn_amp,
    is_change,
    line_voltage,
    measured,
)
from tubekit.errors import ChangeError, SolveError

SLOW_MIN = 10
"""Minutes that a second of sound takes before and after a change where steps are not compiled, about."""


def answered(work: Work, asked: Asked) -> Any:
    """The answer of a command about one amp."""
    return work(asked, drawn_amp(asked, mains=work is not _lower), changes(asked.changes))


def _trace(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.amp.signal import signal_path

    level = measured(asked, "level", "V", *LEVELS)
    return signal_path(amp.changed(changed), jack=asked.jack, level_rms=level)


def _tone(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.tone import tone_change

    return tone_change(amp, changed, jack=asked.jack)


def _bias(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.bench.playing import playing
    from tubekit.decisions.bias import bias_report

    return (playing if getattr(asked, "playing", False) else bias_report)(amp.changed(changed))


def _standby(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.amp.switching import hot_standby

    if is_change(asked.switch):  # no switch is named: the first place is a change
        return hot_standby(amp.changed(changes([asked.switch]) | dict(changed)))
    return hot_standby(amp.changed(changed), asked.switch)


def _lower(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.line_lowering import lower_line_voltage

    volts = line_voltage(asked)
    if volts is None:
        raise ChangeError(
            "no line voltage is given",
            where=asked.amp,
            fix="Type the line voltage the amp runs on, like --line 124",
        )
    return lower_line_voltage(amp.changed(changed), volts)


def _specs(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.specs import specs

    return specs(amp, changed, jack=asked.jack, rated_thd=asked.thd, progress=_Left("calculating", READY))


def _listen(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.analyses import audio_kernel
    from tubekit.analyses.natural_modes import NaturalModes
    from tubekit.decisions.listen import listen, signal

    if not audio_kernel.installed():
        words = f"numba is not installed, so each second of sound takes some {SLOW_MIN} minutes"
        print(f"tubekit: {words}. Stop with Ctrl+C and run pip install 'tubekit[sound]'.", file=sys.stderr)
    level = measured(asked, "level", "V", 0.0, LEVELS[1]) or 0.0
    what = signal(asked.signal, level_v=level, hertz=asked.hertz, seconds=asked.seconds)
    folder = None if asked.to is None else Path(asked.to)
    try:
        return listen(
            amp, changed, what, jack=asked.jack, fine=asked.fine, unstable=asked.unstable, folder=folder,
            overwrite=asked.overwrite, progress=_Left("playing (Ctrl-C keeps what is done)", READY),
        )  # fmt: skip
    except SolveError as error:
        if isinstance(error.best, NaturalModes):
            raise SolveError(f"{error} Add --unstable to hear it all the same.", best=error.best) from None
        raise


READY = "getting ready: a second or two, up to half a minute the first time"
WIDE = 72
"""Letters of a line of progress: the next one covers it."""


class _Left:
    """Share done and time left in the terminal, where one looks on; getting ready does not count."""

    def __init__(self, doing: str, first: str = "") -> None:
        self.doing, self.begun = doing, (0.0, 0.0)
        if first:
            self._show(first)

    def __call__(self, share: float) -> None:
        now, (begun, had) = time.monotonic(), self.begun
        if not begun:
            self.begun = now, share
        elif share > had:
            left = (now - begun) * (1.0 - share) / (share - had)
            self._show(
                f"{self.doing}: {100 * share:3.0f} %, {left:3.0f} s left", "\n" if share >= 1.0 else ""
            )

    @staticmethod
    def _show(words: str, end: str = "") -> None:
        if sys.stderr.isatty():
            print(f"\r{words:{WIDE}}", end=end, file=sys.stderr, flush=True)


ANSWERS: dict[str, Work] = {
    "trace": _trace,
    "tone": _tone,
    "loop": answer_of("tubekit.amp.loop:overall_feedback", part="at", jack="jack"),
    "drive": answer_of("tubekit.decisions.drive:drive_report", jack="jack", frequency_hz="hertz"),
    "specs": _specs,
    "listen": _listen,
    "bias": _bias,
    "hum": answer_of("tubekit.decisions.hum_remedies:hum_report", jack="jack"),
    "supply": answer_of("tubekit.cli.supply_answer:SupplyAnswer.of"),
    "switch-on": answer_of("tubekit.amp.switching:switch_on"),
    "standby": _standby,
    "discharge": answer_of("tubekit.amp.discharge:discharge"),
    "sag": answer_of("tubekit.amp.sag:sag"),
    "regulation": answer_of("tubekit.amp.loading:load_regulation", node="node"),
    "line-band": answer_of("tubekit.decisions.line_band:line_band"),
    "lower-line": _lower,
    "substitutes": answer_of(
        "tubekit.decisions.substitutes:substitutes", part="part", tolerance_percent="within", series="series"
    ),
}
