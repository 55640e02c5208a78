"""Commands about the signal: trace, tone, loop, drive, bias, hum."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from tubekit.cli.arguments import Asked, amp_words, change_words, changes, command, drawn_amp


def add_commands(commands: Any) -> None:
    """Add the commands."""
    for name, (help_text, answer) in _ANSWERS.items():
        parser = command(commands, name, help_text, partial(_answered, answer))
        amp_words(parser)
        parser.add_argument(
            "--jack", metavar="J1", help="input jack to drive (default: the one with a plug in it)"
        )
        change_words(parser)
        if name == "trace":
            parser.add_argument(
                "--level", metavar="VOLTS", help="level at the jack (default: below clipping, 10 mV at most)"
            )
        if name == "bias":
            parser.add_argument(
                "--playing", action="store_true", help="current at 1 W, 5 W and full power, sine and music"
            )
        if name == "loop":
            parser.add_argument(
                "--at", metavar="PART", help="where to break the loop (default: the feedback resistor)"
            )
        if name == "drive":
            parser.add_argument(
                "--hertz", metavar="HZ", type=float, default=1000.0, help="frequency of the drive"
            )


def _answered(answer: Callable[..., Any], asked: Asked) -> Any:
    return answer(asked, drawn_amp(asked), changes(asked.changes))


def _trace(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.amp.signal import signal_path
    from tubekit.units import parse

    level = None if asked.level is None else parse(asked.level, "V", positive=True)
    return signal_path(amp.changed(changed), jack=asked.jack, level_rms=level)


def _tone(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.tone import tone_change

    return tone_change(amp, changed, jack=asked.jack)


def _loop(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.amp.loop import overall_feedback

    return overall_feedback(amp.changed(changed), asked.at, jack=asked.jack)


def _drive(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.drive import drive_report

    return drive_report(amp.changed(changed), jack=asked.jack, frequency_hz=asked.hertz)


def _bias(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.bench.playing import playing
    from tubekit.decisions.bias import bias_report

    if getattr(asked, "playing", False):
        return playing(amp.changed(changed))
    return bias_report(amp.changed(changed))


def _hum(asked: Asked, amp: Any, changed: Mapping[str, object]) -> Any:
    from tubekit.decisions.hum_remedies import hum_report

    return hum_report(amp.changed(changed), jack=asked.jack)


_ANSWERS: dict[str, tuple[str, Callable[..., Any]]] = {
    "trace": ("Show signal levels, impedances and rolloffs, stage by stage.", _trace),
    "tone": ("Show what a change of parts or controls does to level, tone and stability.", _tone),
    "loop": ("Show how much negative feedback there is, and whether the amp is stable.", _loop),
    "drive": ("Show what clips first, sensitivity, output and noise.", _drive),
    "bias": ("Judge the bias of the output tubes: leave it or change it.", _bias),
    "hum": ("Show the hum at the speaker by source, and which part to start with.", _hum),
}
