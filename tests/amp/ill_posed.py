"""Amps in which nothing but leakage sets some voltage: no load, no reference, no heat, an open way."""

from __future__ import annotations

from collections.abc import Mapping

from tests.amps import amp
from tubekit.amp import Amp, amp_from_text

PULLED = dict.fromkeys(("V1", "V2", "V3", "V4"), "removed")
COLD = {f"V{number}.emission": "0" for number in range(1, 5)}

_DOUBLER = """
[amp]
extends = "teasel"
title = "{title}"
[V5]
removed = true
[T1.rectifier_heater]
removed = true
[T1.high_voltage]
nodes = {nodes}
volts = ["130 V"]
resistance = ["20"]
[C61]
value = "47u"
nodes = {stacked}
style = "electrolytic"
rating = "450 V"
[CR61]
type = "1N4007"
nodes = {up}
[CR62]
type = "1N4007"
nodes = {down}
"""


def full_wave_doubler() -> Amp:
    """Two capacitors in a stack, the winding between them; `C14` across both."""
    return amp_from_text(
        _DOUBLER.format(
            title="Doubler", nodes=["hv_a", "mid"], stacked=["mid", "ground"], up=["hv_a", "B1"],
            down=["ground", "hv_a"],
        ).replace("'", '"')
        + '[C62]\nvalue = "47u"\nnodes = ["B1", "mid"]\nstyle = "electrolytic"\nrating = "450 V"\n',
        "doubler",
    )  # fmt: skip


def cascade_doubler() -> Amp:
    """A capacitor in series with the winding, clamped, then rectified."""
    return amp_from_text(
        _DOUBLER.format(
            title="Cascade", nodes=["hv_a", "ground"], stacked=["lift", "hv_a"], up=["lift", "B1"],
            down=["ground", "lift"],
        ).replace("'", '"'),
        "cascade",
    )  # fmt: skip


def floating_winding() -> Amp:
    """The center tap of the high voltage on nothing: no way back for any current."""
    return amp_from_text(
        '[amp]\nextends = "teasel"\ntitle = "Floating"\nleft_open = ["tap"]\n'
        '[T1.high_voltage]\nnodes = ["hv_a", "tap", "hv_b"]\n',
        "floating",
    )


def _of(name: str, changes: Mapping[str, object]) -> Amp:
    return amp(name).changed(changes)


ILL_POSED = {
    "full-wave doubler": full_wave_doubler,
    "doubler, no load": lambda: full_wave_doubler().changed({**PULLED, "R24": "removed"}),
    "cascade doubler": cascade_doubler,
    "cascade, no load": lambda: cascade_doubler().changed({**PULLED, "R24": "removed"}),
    "floating winding": floating_winding,
    "series heaters, one out": lambda: _of("no-transformer", {"V2": "removed"}),
    "no bleeder": lambda: _of("teasel", {"R24": "removed"}),
    "silicon, no load": lambda: _of("teasel", {**PULLED, "R24": "removed", "V5": "silicon"}),
    "open feedback": lambda: _of("burdock", {"R13": "open"}),
    "standby open, no bleeder": lambda: _of("burdock", {"S2": "open", "R41": "removed"}),
    "standby loop open": lambda: _of("fescue", {"S2": "open", "R31": "removed"}),
    "cold cathodes": lambda: _of("teasel", {**COLD, "R24": "removed"}),
    "heater winding dead": lambda: _of("teasel", {"T1.heater.volts": ["0.1"], "R24": "removed"}),
    "field coil open": lambda: _of("paraphase-field-coil", {"L1": "open"}),
}


def starved_screen() -> Amp:
    """The input pentode with its grid lifted, a large cathode resistor and its screen on 2.6 megohms."""
    more = '[R61]\nvalue = "3.9M"\nnodes = ["B3", "in"]\n'
    text = amp("paraphase-field-coil").copy_as_text() + more
    return amp_from_text(text, "starved").changed({"R1": "800k", "R2": "84k", "R3": "2.6M", "R4": "2.2k"})
