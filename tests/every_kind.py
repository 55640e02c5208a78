"""An amp with a part of every kind: a demo amp with the kinds it lacks drawn in."""

from __future__ import annotations

from functools import lru_cache

from tubekit import analyze
from tubekit.amp import Amp, AmpReport, amp_from_text

TEXT = """
[amp]
extends = "vetch"
title = "One of each"

[RT1]
nodes = ["mains_switched", "mains_limited"]
value = "10"
hot = "0.5"
rating = "2 A"

[T1.primary]
nodes = ["mains_limited", "mains_neutral"]

[L1]
nodes = ["B1", "B1f"]
value = "5 H"
resistance = "150"
rating = "80 mA"

[R11]
nodes = ["B1f", "B2"]

[CR1]
type = "1N4007"
nodes = ["minus", "hv_a"]

[C20]
nodes = ["ground", "minus"]
value = "10u"
style = "electrolytic"
rating = "450 V"

[CR2]
kind = "Zener diode"
type = "1N4764A"
nodes = ["held", "ground"]

[R45]
nodes = ["minus_2", "held"]
value = "150k"
rating = "2 W"

[CR3]
kind = "selenium rectifier"
plates = 24
rating = "50 mA"
nodes = ["minus_2", "hv_b"]

[C21]
nodes = ["ground", "minus_2"]
value = "10u"
style = "electrolytic"
rating = "450 V"

[R43]
nodes = ["minus", "ground"]
value = "220k"
rating = "2 W"

[R12]
value = "6.8k"
rating = "5 W"

[V4]
type = "0A2"
plate = "B3"
cathode = "ground"
role = "regulator of the first stage"

[S2]
kind = "selector switch"
common = "k2"
contacts = ["bypass", "no_bypass"]
position = 1

[C5]
nodes = ["bypass", "ground"]

[R41]
nodes = ["no_bypass", "ground"]
value = "1M"
rating = "0.5 W"

[P2]
kind = "connector"
plug = ["speaker_plug", "ground"]
socket = ["speaker", "ground"]

[W1]
nodes = ["speaker_plug", "speaker_cab"]

[R40]
kind = "L-pad"
input = "speaker_cab"
output = "cone"
common = "ground"
value = "4"
position = 0.8
rating = "10 W"

[LS1]
nodes = ["cone", "ground"]

[DL1]
kind = "reverb tank"
input = ["speaker", "springs_in"]
output = ["springs_out", "ground"]
value = "150"
output_value = "2.25k"
delay = "33m"
decay = "2.5"

[R46]
nodes = ["springs_in", "ground"]
value = "1k"
rating = "0.5 W"

[R47]
nodes = ["springs_out", "ground"]
value = "220k"
rating = "0.5 W"
"""


@lru_cache(maxsize=1)
def every_kind() -> Amp:
    """The amp."""
    return amp_from_text(TEXT, "one of each")


@lru_cache(maxsize=1)
def every_kind_solved() -> AmpReport:
    """Its idle state, solved once."""
    return analyze(every_kind())
