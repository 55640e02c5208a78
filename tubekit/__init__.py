"""Work out, before anyone solders, what a part swap will do to a vintage tube amp.

The names below load their room when first used, so that ``import tubekit`` stays light
(no numpy, no drawing). This file is read by Pythons too old to run tubekit: they get a
sentence from ``__main__``, not a syntax error.
"""

import importlib
import sys
import types
import typing

__version__ = "0.1.0"

_HOMES = {
    "tubekit.amp": ("Amp", "AmpReport", "analyze", "load_amp"),
    "tubekit.amp.controls": ("control_family",),
    "tubekit.amp.discharge": ("discharge",),
    "tubekit.amp.headroom": ("headroom",),
    "tubekit.amp.hum": ("hum",),
    "tubekit.amp.hum_balance": ("hum_balance",),
    "tubekit.amp.loop": ("overall_feedback",),
    "tubekit.amp.sag": ("sag",),
    "tubekit.amp.signal": ("noise_floor", "signal_path"),
    "tubekit.amp.supply": ("supply_report",),
    "tubekit.amp.switching": ("hot_standby", "switch_on"),
    "tubekit.analyses.large_signal": ("large_signal",),
    "tubekit.analyses.loadline": ("load_line",),
    "tubekit.analyses.mains": ("mains_steady_state",),
    "tubekit.analyses.operating_point": ("operating_point",),
    "tubekit.analyses.regulation": ("regulation",),
    "tubekit.analyses.small_signal": ("frequency_response",),
    "tubekit.analyses.transient": ("transient",),
    "tubekit.bench.bring_up": ("bring_up",),
    "tubekit.bench.cable": ("check_cable",),
    "tubekit.bench.chassis_diff": ("chassis_diff",),
    "tubekit.bench.orders": ("order_list",),
    "tubekit.bench.procedures": ("current_under_drive", "hum_procedure"),
    "tubekit.bench.readings": ("load_readings",),
    "tubekit.bench.suspects": ("suspects",),
    "tubekit.bench.trace": ("trace",),
    "tubekit.decisions.swap": ("SwapReport", "swap"),
    "tubekit.decisions.drive": ("drive_report",),
    "tubekit.decisions.judge": ("judge",),
    "tubekit.decisions.line_band": ("line_band",),
    "tubekit.decisions.hum_remedies": ("hum_report",),
    "tubekit.decisions.line_lowering": ("lower_line_voltage",),
    "tubekit.decisions.spread": ("spread",),
    "tubekit.decisions.substitutes": ("substitutes",),
    "tubekit.decisions.tone": ("tone_change",),
    "tubekit.devices.catalogue": ("add_tube", "tube", "tube_types"),
    "tubekit.devices.points_fit": ("fit_tube",),
    "tubekit.record.record": ("record",),
}
_ROOMS = ("errors", "lessons", "panels", "plots", "textbook", "units")
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [  # noqa: PLE0604 - made from the table above, so that there is one list
    *sorted(_HOME_OF),
    *_ROOMS,
]

if typing.TYPE_CHECKING:
    from tubekit import (
        errors as errors,
        lessons as lessons,
        panels as panels,
        plots as plots,
        textbook as textbook,
        units as units,
    )
    from tubekit.amp import Amp as Amp, AmpReport as AmpReport, analyze as analyze, load_amp as load_amp
    from tubekit.amp.controls import control_family as control_family
    from tubekit.amp.discharge import discharge as discharge
    from tubekit.amp.headroom import headroom as headroom
    from tubekit.amp.hum import hum as hum
    from tubekit.amp.hum_balance import hum_balance as hum_balance
    from tubekit.amp.loop import overall_feedback as overall_feedback
    from tubekit.amp.sag import sag as sag
    from tubekit.amp.signal import noise_floor as noise_floor, signal_path as signal_path
    from tubekit.amp.supply import supply_report as supply_report
    from tubekit.amp.switching import hot_standby as hot_standby, switch_on as switch_on
    from tubekit.analyses.large_signal import large_signal as large_signal
    from tubekit.analyses.loadline import load_line as load_line
    from tubekit.analyses.mains import mains_steady_state as mains_steady_state
    from tubekit.analyses.operating_point import operating_point as operating_point
    from tubekit.analyses.regulation import regulation as regulation
    from tubekit.analyses.small_signal import frequency_response as frequency_response
    from tubekit.analyses.transient import transient as transient
    from tubekit.bench.bring_up import bring_up as bring_up
    from tubekit.bench.cable import check_cable as check_cable
    from tubekit.bench.chassis_diff import chassis_diff as chassis_diff
    from tubekit.bench.orders import order_list as order_list
    from tubekit.bench.procedures import (
        current_under_drive as current_under_drive,
        hum_procedure as hum_procedure,
    )
    from tubekit.bench.readings import load_readings as load_readings
    from tubekit.bench.suspects import suspects as suspects
    from tubekit.bench.trace import trace as trace
    from tubekit.decisions.drive import drive_report as drive_report
    from tubekit.decisions.hum_remedies import hum_report as hum_report
    from tubekit.decisions.judge import judge as judge
    from tubekit.decisions.line_band import line_band as line_band
    from tubekit.decisions.line_lowering import lower_line_voltage as lower_line_voltage
    from tubekit.decisions.spread import spread as spread
    from tubekit.decisions.substitutes import substitutes as substitutes
    from tubekit.decisions.swap import SwapReport as SwapReport, swap as swap
    from tubekit.decisions.tone import tone_change as tone_change
    from tubekit.devices.catalogue import add_tube as add_tube, tube as tube, tube_types as tube_types
    from tubekit.devices.points_fit import fit_tube as fit_tube
    from tubekit.record.record import record as record


class _FrontDoor(types.ModuleType):
    """Keeps the name `record` for what writes one; importing the room of that name would take it."""

    def __setattr__(self, name: str, value: typing.Any) -> None:
        if not (name in _HOME_OF and isinstance(value, types.ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _FrontDoor


def __getattr__(name: str) -> typing.Any:
    """Load the room that holds `name` and keep what it gave."""
    if name in _ROOMS:
        return importlib.import_module("tubekit." + name)
    if name not in _HOME_OF:
        raise AttributeError("module 'tubekit' has no attribute {!r}".format(name))
    value = getattr(importlib.import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> "typing.List[str]":
    """What a user can ask for, loaded or not."""
    return sorted(set(globals()) | set(__all__))
