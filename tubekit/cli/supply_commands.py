"""Commands about the power supply: supply, switch-on, standby, discharge, sag, regulation, mains, parts."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from tubekit.cli.arguments import Asked, amp_words, change_words, changed_amp, command


def add_supply_commands(commands: Any) -> None:
    """Add the commands."""
    for name, (help_text, answer, extra) in _ANSWERS.items():
        parser = command(commands, name, help_text, partial(_answered, answer))
        amp_words(parser)
        for word, options in extra.items():
            parser.add_argument(word, **options)
        change_words(parser)


def _answered(answer: Callable[..., Any], asked: Asked) -> Any:
    return answer(asked, changed_amp(asked, mains=answer is not _lower))


def _supply(_asked: Asked, amp: Any) -> Any:
    from tubekit.cli.supply_answer import SupplyAnswer

    return SupplyAnswer.of(amp)


def _switch_on(_asked: Asked, amp: Any) -> Any:
    from tubekit.amp.switching import switch_on

    return switch_on(amp)


def _standby(asked: Asked, amp: Any) -> Any:
    from tubekit.amp.switching import hot_standby

    return hot_standby(amp, asked.switch)


def _discharge(_asked: Asked, amp: Any) -> Any:
    from tubekit.amp.discharge import discharge

    return discharge(amp)


def _sag(_asked: Asked, amp: Any) -> Any:
    from tubekit.amp.sag import sag

    return sag(amp)


def _regulation(asked: Asked, amp: Any) -> Any:
    from tubekit.amp.loading import load_regulation

    return load_regulation(amp, asked.node)


def _band(_asked: Asked, amp: Any) -> Any:
    from tubekit.decisions.line_band import line_band

    return line_band(amp)


def _lower(asked: Asked, amp: Any) -> Any:
    from tubekit.amp.findings import MAINS
    from tubekit.decisions.line_lowering import lower_line_voltage
    from tubekit.errors import ChangeError

    if asked.mains is None:
        raise ChangeError(
            "no line voltage is given",
            where=asked.amp,
            fix="Type the line voltage the amp runs on, like --line 124",
        )
    return lower_line_voltage(amp, MAINS.read(asked.mains))


def _substitutes(asked: Asked, amp: Any) -> Any:
    from tubekit.decisions.substitutes import substitutes

    return substitutes(amp, asked.part, tolerance_percent=asked.within, series=asked.series)


_PART = {"part": {"metavar": "PART", "help": "designator, like C14 or V5"}}
_ANSWERS: dict[str, tuple[str, Callable[..., Any], dict[str, dict[str, Any]]]] = {
    "supply": ("Show ripple, rectifier, windings, line, fuses, and the parts over a limit.", _supply, {}),
    "switch-on": ("Show surge at each capacitor and inrush at each fuse at switch-on.", _switch_on, {}),
    "standby": (
        "Show what the standby switch does to the rectifier.", _standby,
        {"switch": {"metavar": "SWITCH", "nargs": "?", "default": "",
                    "help": "designator, like S2 (default: the standby switch)"}},
    ),
    "discharge": ("Show how long each capacitor holds its charge after switch-off.", _discharge, {}),
    "sag": ("Show B+ from idle to full power and back.", _sag, {}),
    "regulation": (
        "Show B+ versus load current.", _regulation,
        {"--node": {"metavar": "NODE", "help": "B+ point (default: the first filter cap)"}},
    ),
    "line-band": ("Show the amp over a range of line voltages.", _band, {}),
    "lower-line": ("Find a dropping resistor or bucking transformer for high line voltage.", _lower, {}),
    "substitutes": (
        "List standard values or types that can replace a part.", _substitutes,
        {
            **_PART,
            "--within": {"metavar": "PERCENT", "type": float, "default": 5.0,
                         "help": "how much voltages may change [%%] (default 5)"},
            "--series": {"metavar": "E12", "help": "preferred values, E3 to E192"},
        },
    ),
}  # fmt: skip
