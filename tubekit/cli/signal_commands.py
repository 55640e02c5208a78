"""Commands about the signal: trace, tone, loop, drive, hum."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from typing import Any

Asked = argparse.Namespace
Maker = Callable[[Any, str, str, Callable[[Asked], Any]], argparse.ArgumentParser]
Changes = Callable[[Any], dict[str, object]]


def add_commands(commands: Any, command: Maker, amp_words: Callable[[Any], None], changes: Changes) -> None:
    """Add the commands; `command` makes a parser, `amp_words` adds AMP and --mains."""
    for name, (help_text, answer) in _ANSWERS.items():
        parser = command(commands, name, help_text, _asked(answer, changes))
        amp_words(parser)
        parser.add_argument("--jack", metavar="J1", help="input jack that is driven; the plugged one else")
        parser.add_argument(
            "changes", nargs="*", metavar="PART=VALUE",
            help="a value (C2=10n), a type (V1=12AY7), a control (R31.position=0.7)",
        )  # fmt: skip
        if name == "loop":
            parser.add_argument(
                "--at", metavar="PART", help="part to break the loop at; the feedback resistor else"
            )
        if name == "drive":
            parser.add_argument(
                "--hertz", metavar="HZ", type=float, default=1000.0, help="frequency of the drive"
            )


def _asked(answer: Callable[..., Any], read: Changes) -> Callable[[Asked], Any]:
    def answered(asked: Asked) -> Any:
        from tubekit.amp import load_amp

        amp = load_amp(asked.amp)
        if asked.mains is not None:
            amp = amp.changed({}, mains_rms=asked.mains)
        return answer(asked, amp, read(asked.changes))

    return answered


def _trace(asked: Asked, amp: Any, changes: Mapping[str, object]) -> Any:
    from tubekit.amp.signal import signal_path

    return signal_path(amp.changed(changes), jack=asked.jack)


def _tone(asked: Asked, amp: Any, changes: Mapping[str, object]) -> Any:
    from tubekit.decisions.tone import tone_change

    return tone_change(amp, changes, jack=asked.jack)


def _loop(asked: Asked, amp: Any, changes: Mapping[str, object]) -> Any:
    from tubekit.amp.loop import overall_feedback

    return overall_feedback(amp.changed(changes), asked.at, jack=asked.jack)


def _drive(asked: Asked, amp: Any, changes: Mapping[str, object]) -> Any:
    from tubekit.decisions.drive import drive_report

    return drive_report(amp.changed(changes), jack=asked.jack, frequency_hz=asked.hertz)


def _hum(asked: Asked, amp: Any, changes: Mapping[str, object]) -> Any:
    from tubekit.decisions.quieten import hum_report

    return hum_report(amp.changed(changes), jack=asked.jack)


_ANSWERS: dict[str, tuple[str, Callable[..., Any]]] = {
    "trace": ("Signal levels, impedances and corners, stage by stage.", _trace),
    "tone": ("What a change of parts or controls does to level, tone and stability.", _tone),
    "loop": ("Loop gain of the overall feedback, with its margins.", _loop),
    "drive": ("Order of clipping, sensitivity, output and noise.", _drive),
    "hum": ("Hum at the loudspeaker by source, and which part to change first.", _hum),
}
