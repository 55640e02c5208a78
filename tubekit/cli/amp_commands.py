"""Commands about one amp: its signal (trace, tone, drive, listen, hum, …), its supply, its substitutes."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import (
    LEVELS,
    Asked,
    Work,
    amp_words,
    answer_of,
    change_words,
    changes,
    command,
    drawn_amp,
    is_change,
    line_voltage,
    measured,
    number,
)
from tubekit.errors import ChangeError


def add_amp_commands(commands: Any) -> None:
    """Add the commands."""
    for name, (help_text, work, options) in ANSWERS.items():
        parser = command(commands, name, help_text, partial(_answered, work))
        amp_words(parser)
        for word, settings in options.items():
            parser.add_argument(word, **settings)
        change_words(parser)


def _answered(work: Work, asked: Asked) -> Any:
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

    return specs(amp, changed, jack=asked.jack, rated_thd=asked.thd, progress=_Left("calculating"))


def _listen(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.analyses import audio_kernel
    from tubekit.decisions.listen import listen, signal

    if not audio_kernel.installed():
        words = "numba is not installed, so this takes a hundred times as long: pip install 'tubekit[sound]'"
        print(f"tubekit: {words}", file=sys.stderr)
    level = measured(asked, "level", "V", 0.0, LEVELS[1]) or 0.0
    what = signal(asked.signal, level_v=level, hertz=asked.hertz, seconds=asked.seconds)
    folder = None if asked.to is None else Path(asked.to)
    return listen(
        amp, changed, what, jack=asked.jack, folder=folder, overwrite=asked.overwrite,
        progress=_Left("playing"),
    )  # fmt: skip


class _Left:
    """Share done and time left in the terminal, where one looks on."""

    def __init__(self, doing: str) -> None:
        self.doing, self.begun = doing, time.monotonic()

    def __call__(self, share: float) -> None:
        if sys.stderr.isatty() and share > 0.0:
            left = (time.monotonic() - self.begun) * (1.0 - share) / share
            end = "\n" if share >= 1.0 else ""
            words = f"\r{self.doing}: {100 * share:3.0f} %, {left:3.0f} s left"
            print(words, end=end, file=sys.stderr, flush=True)


_JACK = {
    "--jack": {"metavar": "J1", "help": "input jack to drive (default: the one with a plug in it)"}
}  # fmt: skip
ANSWERS: dict[str, tuple[str, Work, dict[str, dict[str, Any]]]] = {
    "trace": (
        "Show signal levels, impedances and rolloffs, stage by stage.", _trace,
        {**_JACK, "--level": {
            "metavar": "VOLTS", "help": "level at the jack (default: below clipping, 10 mV at most)"}},
    ),
    "tone": ("Show what a change of parts or controls does to level, tone and stability.", _tone, _JACK),
    "loop": (
        "Show how much negative feedback there is, and whether the amp is stable.",
        answer_of("tubekit.amp.loop:overall_feedback", part="at", jack="jack"),
        {**_JACK, "--at": {
            "metavar": "PART", "help": "where to break the loop (default: the feedback resistor)"}},
    ),
    "drive": (
        "Show what clips first, sensitivity, output and noise.",
        answer_of("tubekit.decisions.drive:drive_report", jack="jack", frequency_hz="hertz"),
        {**_JACK, "--hertz": {
            "metavar": "HZ", "type": number(10, 100_000), "default": 1000.0,
            "help": "frequency of the drive"}},
    ),
    "specs": (
        "Show rated output, gain, distortion, damping and sag, before and after a change.", _specs,
        {**_JACK, "--thd": {
            "metavar": "PERCENT", "type": number(0.01, 50), "default": 5.0,
            "help": "distortion that limits rated output [%%] (default 5)"}},
    ),
    "listen": (
        "Play a note before and after a change: hear it, and watch the currents move.", _listen,
        {
            **_JACK,
            "--signal": {
                "metavar": "NAME", "default": "string",
                "help": "string (default), sine, two-tone, burst, sweep, step, or a WAV or FLAC file"},
            "--level": {"metavar": "VOLTS", "default": "100m", "help": "peak at the jack (default: 100 mV)"},
            "--hertz": {"metavar": "HZ", "type": number(10, 20_000), "default": 110.0,
                        "help": "pitch (default: 110 Hz)"},
            "--seconds": {"metavar": "S", "type": number(0.01, 60), "default": 2.0,
                          "help": "how long (default: 2 s)"},
            "--to": {"metavar": "FOLDER", "help": "write WAV files, level-matched, into this folder"},
            "--overwrite": {"action": "store_true", "help": "overwrite files of the same name"},
        },
    ),
    "bias": (
        "Judge the bias of the output tubes: leave it or change it.", _bias,
        {"--playing": {
            "action": "store_true", "help": "current at 1 W, 5 W and full power, sine and music"}},
    ),
    "hum": (
        "Show the hum at the speaker by source, and which part to start with.",
        answer_of("tubekit.decisions.hum_remedies:hum_report", jack="jack"), _JACK,
    ),
    "supply": (
        "Show ripple, rectifier, windings, line, fuses, and the parts over a limit.",
        answer_of("tubekit.cli.supply_answer:SupplyAnswer.of"), {},
    ),
    "switch-on": (
        "Show surge at each capacitor and inrush at each fuse at switch-on.",
        answer_of("tubekit.amp.switching:switch_on"), {},
    ),
    "standby": (
        "Show what the standby switch does to the rectifier.", _standby,
        {"switch": {"metavar": "SWITCH", "nargs": "?", "default": "",
                    "help": "designator, like S2 (default: the standby switch)"}},
    ),
    "discharge": (
        "Show how long each capacitor holds its charge after switch-off.",
        answer_of("tubekit.amp.discharge:discharge"), {},
    ),
    "sag": ("Show B+ from idle to full power and back.", answer_of("tubekit.amp.sag:sag"), {}),
    "regulation": (
        "Show B+ versus load current.", answer_of("tubekit.amp.loading:load_regulation", node="node"),
        {"--node": {"metavar": "NODE", "help": "B+ point (default: the first filter cap)"}},
    ),
    "line-band": (
        "Show the amp over a range of line voltages.",
        answer_of("tubekit.decisions.line_band:line_band"), {},
    ),
    "lower-line": ("Find a dropping resistor or bucking transformer for high line voltage.", _lower, {}),
    "substitutes": (
        "List standard values or types that can replace a part.",
        answer_of("tubekit.decisions.substitutes:substitutes",
                  part="part", tolerance_percent="within", series="series"),
        {
            "part": {"metavar": "PART", "help": "designator, like C14 or V5"},
            "--within": {"metavar": "PERCENT", "type": number(0.01, 100), "default": 5.0,
                         "help": "how much voltages may change [%%] (default 5)"},
            "--series": {"metavar": "E12", "help": "preferred values, E3 to E192"},
        },
    ),
}  # fmt: skip
