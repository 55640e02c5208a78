"""Directly heated output tubes: the middle of the filament is the cathode.

2A3: 2.5 V, 2.5 A; 60 mA at 250 V to the filament's middle and -45 V (handbook row, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from tests.fuzz import unlawful
from tubekit import analyze, plots
from tubekit.amp import Amp, AmpReport, amp_from_text
from tubekit.amp.hum import hum
from tubekit.amp.parts import Tube
from tubekit.amp.signal import signal_path
from tubekit.devices import catalogue
from tubekit.errors import AmpFileError

TAP = (
    'T1.filament = { nodes = ["f1", "k2", "f2"], volts = ["1.3 V", "1.3 V"], resistance = ["0.02", "0.02"] }'
)
POT = """T1.filament = { nodes = ["f1", "f2"], volts = ["2.6 V"], resistance = ["0.04"] }
R50 = { kind = "potentiometer", value = "50", top = "f1", wiper = "k2", bottom = "f2", taper = "linear" }"""
TEXT = """
[amp]
extends = "vetch"
title = "Directly heated"
[test_points]
TP6 = { node = "p2", volts = "270 V", tolerance = "50 %" }
[parts]
V2 = { removed = true }
R10 = { removed = true }
V7 = { type = "2A3", plate = "p2", grid = "g2", heater = ["f1", "f2"] }
R9 = { value = "750", nodes = ["k2", "ground"], rating = "5 W" }
C5 = { nodes = ["k2", "ground"] }
"""


@cache
def drawn(way: str) -> Amp:
    return amp_from_text(TEXT.replace("[parts]\n", f"[parts]\n{TAP if way == 'tap' else POT}\n"), way)


@cache
def idle(way: str) -> AmpReport:
    return analyze(drawn(way))


@pytest.mark.parametrize("way", ["tap", "pot"])
def test_the_cathode_is_the_middle_of_the_filament(way: str) -> None:
    part = drawn(way).parts["V7"]
    assert isinstance(part, Tube)
    assert part.filament
    assert part.heater == ("f1", "V7_filament", "f2")
    one = idle(way).tube("V7")
    amps = float(one.plate_a)
    assert idle(way).node("V7_filament").dc_v == pytest.approx(750.0 * amps, rel=0.03)
    law = catalogue.tube("2A3").at(plate=float(one.plate_v), grid=float(one.grid_v))
    assert amps == pytest.approx(float(law.plate_a), rel=1e-3)
    assert one.heater_rms_v == pytest.approx(2.5, rel=0.1)
    assert amp_from_text(drawn(way).copy_as_text()).parts["V7"].heater == part.heater  # type: ignore[attr-defined]


@pytest.mark.parametrize("way", ["tap", "pot"])
def test_kirchhoffs_law_holds_at_the_middle_of_the_filament(way: str) -> None:
    """What its halves bring is what the tube takes; a tenth more is seen."""
    assert unlawful(idle(way)) == ""
    more = [replace(tube, cathode_a=1.1 * tube.cathode_a) for tube in idle(way).tubes]
    report = replace(idle(way))
    vars(report)["tubes"] = tuple(more)  # they are calculated when they are first asked for
    assert "vanish at" in unlawful(report)


def test_hum_of_the_filament_goes_with_the_wiper_off_its_middle() -> None:
    """V·dx between cathode and wiper counts (1 + 1/mu) times as much as at the grid; closed form."""

    def heard(position: float) -> complex:
        result = hum(drawn("pot").changed({"R50.position": position}))
        return sum(complex(s.volts[0, 0]) for s in result.sources if s.kind == "heater")

    whole = heard(0.7) - heard(0.5)
    assert whole == pytest.approx(2.0 * (heard(0.6) - heard(0.5)), rel=0.02)
    path = signal_path(drawn("pot"), reference_hz=60.0)
    from_grid = abs(path.reference_gain[0] / path.stage("V7").grid_gain[0])
    one = idle("pot").tube("V7")
    mu = float(catalogue.tube("2A3").at(plate=float(one.plate_v), grid=float(one.grid_v)).mu)
    assert abs(whole) == pytest.approx(0.2 * float(one.heater_rms_v) * (1 + 1 / mu) * from_grid, rel=0.05)


def test_a_cathode_of_its_own_is_refused_with_where_it_goes() -> None:
    """Solved before with the filament beside the current's way: no drop in the hum control."""
    text = TEXT.replace("[parts]\n", f"[parts]\n{POT}\n")
    apart = text.replace('grid = "g2", heater', 'grid = "g2", cathode = "k2", heater')
    with pytest.raises(
        AmpFileError, match=r"V7: 2A3 has no cathode pin.*Connect k2 .*wiper of the hum control"
    ):
        amp_from_text(apart)
    end = text.replace('grid = "g2", heater', 'grid = "g2", cathode = "f1", heater')
    part = amp_from_text(end).parts["V7"]
    assert isinstance(part, Tube)
    assert part.sections[0].cathode == "V7_filament"


def test_a_filament_without_nodes_is_not_told_to_miss_a_cathode() -> None:
    text = TEXT.replace("[parts]\n", f"[parts]\n{POT}\n").replace(', heater = ["f1", "f2"]', "")
    with pytest.raises(AmpFileError) as caught:
        amp_from_text(text)
    assert "the heater of 2A3 is not connected" in str(caught.value)
    assert "cathode is missing" not in str(caught.value)


def test_it_is_drawn_with_a_filament() -> None:
    figure = str(plots.schematic(drawn("tap")))
    assert "V7" in figure


def test_what_is_left_out_of_the_hum_of_a_filament_is_said() -> None:
    assert "twice the line frequency is left out" in " ".join(str(hum(drawn("pot"))).split())


def test_a_filament_winding_that_floats_is_named_with_its_fix() -> None:
    said = analyze(drawn("pot").changed({"R50": "removed"})).assumptions
    words = [line for line in said if line.startswith("f1, f2: only tubes connect this winding to ground.")]
    assert len(words) == 1
    assert "Wire it" in words[0]
    assert not any("only tubes connect" in line for line in idle("pot").assumptions)
