"""Hum by its ways: they add up, cancel in a matched pair, and the balance control finds its null."""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from types import MappingProxyType

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amp.signal_amps import with_feedback, with_hum_balance
from tests.amps import variant
from tests.say import say
from tubekit import load_amp
from tubekit.amp import amp_from_text, demo_names
from tubekit.amp.build import HEATER_CATHODE_F, HEATER_CATHODE_OHMS, HEATER_GRID_F
from tubekit.amp.clipping import clips_at
from tubekit.amp.hum import Hum, _source, hum
from tubekit.amp.hum_balance import hum_balance
from tubekit.amp.hum_paths import hum_paths
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.signal import signal_path
from tubekit.amp.signal_view import gain_at
from tubekit.analyses.elimination import respond
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.part_sensitivity import picker
from tubekit.errors import ChangeError, SolveError


@cache
def drawn() -> Hum:
    return hum(load_amp("teasel"))


def size(volts: np.ndarray) -> float:
    return float(np.sqrt((np.abs(volts) ** 2).sum()))


@pytest.mark.parametrize("name", demo_names())
def test_the_ways_add_up_to_the_hum_of_the_whole_amp(name: str) -> None:
    """Parted by superposition, against one mains solve of everything, heater couplings included."""
    result = hum(load_amp(name))
    view, rate = result.view, result.amp.mains_hz
    state = mains_steady_state(view.network.circuit, frequency_hz=rate)
    a, b = view.output.ends
    expected = np.array([(state.harmonic(a, h) - harmonic(state, b, h))[0] for h in range(1, 21)]) / np.sqrt(
        2.0
    )
    same = dataclasses.replace(view, solved=dataclasses.replace(view.solved, state=state))
    parts = [_source(same, way).volts[0] for way in hum_paths(same, 2j * np.pi * rate * np.arange(1, 21))]
    off = np.abs(sum(parts) - expected).max() / max(np.abs(part).max() for part in parts)
    say(f"{name}: sum of {len(parts)} ways against the whole, in terms of the largest way: {off:.1e}")
    # Superposition leaves the bend of the tubes out: some 20 V of ripple at the plates and a screen current
    # that follows it. A pair cancels most of it, a single tube does not; more rounds change neither.
    assert off < (3e-5 if len(powers(result)) > 1 else 1e-4)
    # The list itself takes heaters and rails as they were before the couplings were laid on.
    assert size(result.total[0] - expected) < 0.02 * size(expected)


def powers(hum: Hum) -> list[str]:
    """Tubes with a screen."""
    parts = hum.amp.parts.values()
    return [one.designator for one in parts if isinstance(one, Tube) and any(s.screen for s in one.sections)]


def harmonic(state, node: str, order: int) -> np.ndarray:
    return np.zeros(1, complex) if node == "ground" else state.harmonic(node, order)


def test_heaters_on_a_positive_voltage_are_still_heaters() -> None:
    """The public-address amp holds its heaters at the output cathodes."""
    kinds = {each.node: each.kind for each in hum(load_amp("fescue")).sources}
    assert kinds["h1"] == kinds["h2"] == "heater"


def test_ways_that_cancel_are_said_in_words_not_in_percent() -> None:
    text = " ".join(str(hum(load_amp("teasel"))).split())
    assert "Paths cancel: without canceling they would add up to" in text
    assert "share" not in text.lower()


def test_shares_add_up_to_one() -> None:
    result = drawn()
    assert sum(result.share(each)[0] for each in result.sources) == pytest.approx(1.0, rel=1e-9)


def way_of(hum: Hum, part: str) -> np.ndarray:
    return next(each.volts for each in hum.sources if each.part == part)


def test_a_matched_pair_cancels_the_first_rail_and_a_weak_tube_lets_it_through() -> None:
    """What a matched pair leaves comes by its grids: the inverter drives them from unlike impedances."""
    level = variant(
        "level", '[T2.primary]\nresistance = ["155", "155"]\n[T1.high_voltage]\nresistance = ["62", "62"]\n'
    )
    matched, weak = hum(level), hum(level.changed({"V3.emission": 0.7}))
    for result, most, least in ((matched, 2e-2, 0.0), (weak, 1.0, 0.1)):
        halves = [way_of(result, f"T2 section {k}") for k in (1, 2)]
        left = size(sum(halves)) / size(halves[0])
        say(f"what two halves leave of one: {100 * left:.2f} %")
        assert least < left + 1e-12 < most
    assert weak.total_rms[0] > 5 * matched.total_rms[0]


def test_hum_of_one_rail_through_one_stage_by_hand() -> None:
    """B4 through R5 alone: divided between R5 and the plate resistance, then the rest of the amp's gain."""
    result = drawn()
    view = result.view
    path = signal_path(load_amp("teasel"), frequencies_hz=[120.0], reference_hz=120.0)
    stage = path.stage("V1a")
    behind = stage.output_ohms[0]  # R5 ∥ rp
    s = 2j * np.pi * 120.0
    onward = 1 / (s * 22e-9) + 900e3 + 100e3  # C2 and the volume control, near enough
    share = 1 / 100e3 / (1 / behind + 1 / onward)
    volts = view.solved.state.harmonic("B4", 2)[0] / np.sqrt(2.0) * share
    expected = abs(volts * path.reference_gain[0] / stage.plate_gain[0])
    assert abs(way_of(result, "R5")[0, 1]) == pytest.approx(expected, rel=0.02)


def test_more_filter_less_hum_from_that_rail() -> None:
    amp = load_amp("teasel").changed({"C15": ["20u", "40u"]})
    result = hum(amp)
    b3 = np.abs(result.together()["rail", "B3"][:, 1])
    assert b3[1] < 0.6 * b3[0]


def test_batch_equals_one_by_one() -> None:
    values = {"C14": [10e-6, 47e-6], "V3.emission": [1.0, 0.8]}
    batch = hum(load_amp("teasel").changed(values))
    for k in range(2):
        one = hum(load_amp("teasel").changed({key: each[k] for key, each in values.items()}))
        assert_allclose(batch.total_rms[k], one.total_rms[0], rtol=1e-4)


# ---- heaters


def test_null_of_a_matched_set_lies_at_mid_travel() -> None:
    result = hum_balance(with_hum_balance(), unbalance=0.0)
    say(f"null of a matched set at {100 * result.null:.2f} %")
    assert result.null == pytest.approx(0.5, abs=0.01)
    assert result.heater_v.min() < 1e-3 * result.heater_v[0]
    assert f"null at {100 * result.null:.0f} % of its travel" in result.headline()


@pytest.mark.parametrize("more", [0.2, 0.1, -0.1, -0.3])
def test_a_mismatched_tube_moves_the_null_inside_the_travel(more: float) -> None:
    """Inside the travel, near the middle: common practice, no source."""
    result = hum_balance(with_hum_balance(), unbalance={"V1": more})
    say(f"V1 {100 * more:+.0f} %: null at {100 * result.null:.1f} %, {result.depth_db:.0f} dB deep")
    assert 0.3 < result.null < 0.7
    assert np.sign(result.null - 0.5) == np.sign(more)
    even = hum_balance(with_hum_balance(), unbalance=more)  # every tube alike: all of it can be nulled
    assert even.null == pytest.approx(0.5 + more / 4, abs=1e-3)
    assert even.depth_db > result.depth_db


def test_a_wide_mismatch_of_the_pair_spoils_the_depth() -> None:
    clean = hum_balance(with_hum_balance(), unbalance={"V1": 0.05})
    dirty = hum_balance(with_hum_balance(), unbalance={"V1": 0.4})
    assert dirty.depth_db < clean.depth_db
    assert abs(dirty.null - 0.5) > abs(clean.null - 0.5)


def test_one_hum_for_one_setting_and_the_null_is_where_the_whole_hum_is_least() -> None:
    """The control as it is set and at its null, against `hum` of the amp set so; beside the null is more."""
    one = load_amp("fescue").changed({"R54.position": 0.3})
    result = hum_balance(one)
    assert result.now_v == pytest.approx(hum(one).total_rms[0], rel=1e-3)
    at = [result.null - 0.02, result.null, result.null + 0.02]
    whole = hum(one.changed({"R54.position": at})).total_rms
    assert result.null_v == pytest.approx(whole[1], rel=1e-3)
    assert whole[1] < min(whole[0], whole[2])


@pytest.mark.parametrize(
    ("part", "end"),
    [
        ('[W60]\nnodes = ["h1", "k34"]\n', "W60 bypasses R54 from its wiper to its top"),
        (
            '[C60]\nvalue = "1000u"\nnodes = ["h2", "k34"]\nrating = "50 V"\nstyle = "electrolytic"\n',
            "C60 bypasses R54 from its wiper to its bottom",
        ),
    ],
    ids=["wire", "capacitor"],
)
def test_what_bypasses_the_balance_control_is_named(part: str, end: str) -> None:
    head = (
        '[amp]\nextends = "fescue"\ntitle = "Bypassed"\ndesign_mains = "117 V"\nmains_frequency = "60 Hz"\n'
    )
    result = hum_balance(amp_from_text(head + part, "bypassed"))
    assert not result.works
    assert end in result.headline()


@pytest.mark.parametrize(("switch", "grounded"), [("ground", True), (None, False)])
def test_an_empty_input_is_left_to_its_contact(switch: str | None, grounded: bool) -> None:
    """Grounded there is nothing to pick up; open there is, and the noise of the open grid is said."""
    drawn_amp = load_amp("vetch")
    jack = dataclasses.replace(drawn_amp.parts["J1"], plugged=False, tip_switch=switch)  # type: ignore[call-arg]
    one = dataclasses.replace(drawn_amp, parts=MappingProxyType({**drawn_amp.parts, "J1": jack}))
    result = hum(one)
    assert (result.pickup_v[0] == 0.0) == grounded
    assert (result.noise_v is None) == grounded
    text = " ".join(str(result).split())
    assert ("J1 is empty and grounds its tip" in text) == grounded
    assert ("J1, open" in text and "J1 is open and picks up" in text) == (not grounded)


def test_heater_coupling_by_hand() -> None:
    """Into an unbypassed cathode: heater volts over leak or capacitance, times what an ampere there makes."""
    amp = variant("open cathode", "[C1]\nremoved = true\n")
    result = hum(amp, unbalance=0.0)
    path = signal_path(amp, reference_hz=60.0)
    heater = result.view.solved.state.harmonic("h1", 1)[0] / np.sqrt(2.0)
    s = 2j * np.pi * 60.0
    network = path.view.network
    volts = respond(network, path.view.matrix, picker(network, "k1a"), np.array([s]))[0, 0] @ path.view.out
    leak = heater / HEATER_CATHODE_OHMS * volts
    assert abs(way_of(result, "V1a heater1 leak")[0, 0]) == pytest.approx(abs(leak), rel=0.01)
    both = heater * s * HEATER_CATHODE_F * volts
    assert abs(way_of(result, "V1a heater1 cathode")[0, 0]) == pytest.approx(abs(both), rel=0.01)
    assert HEATER_GRID_F < HEATER_CATHODE_F
    assert path.stage("V1a").cathode == "k1a"


# ---- words and refusals


def test_prints_and_json() -> None:
    text = str(drawn())
    for words in (
        "by source",
        "heaters",
        "extra, if the input lead is open",
        "T2 section 1",
        "120 Hz",
    ):
        assert words in text
    data = json.loads(json.dumps(drawn().to_json(), allow_nan=False))
    assert {"rail", "heater"} <= {each["kind"] for each in data["sources"]}
    balance = hum_balance(with_hum_balance(), unbalance=0.0, positions=[0.0, 0.5, 1.0])
    assert "shop rule of thumb" in str(balance).lower()
    assert balance.to_json()["null"] == pytest.approx(0.5, abs=0.01)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ChangeError, match="no hum-balance pot across the heaters"):
        hum_balance(load_amp("teasel"))
    with pytest.raises(ChangeError, match=r"'R1' is not a potentiometer.*R31, R32, R33"):
        hum_balance(load_amp("teasel"), "R1")
    with pytest.raises(ChangeError, match="each amp has its own null"):
        hum_balance(with_hum_balance().changed({"R14": ["220", "270"]}))
    with pytest.raises(
        SolveError, match=r"squeals or blocks.*Gain and impedance are not shown while it oscillates"
    ):
        hum(with_feedback("22k", reversed_phase=True))


def test_pickup_of_an_open_lead_ends_where_a_stage_clips() -> None:
    """The level at which a stage clips is that of `clips_at`; below it pick-up goes with the gain."""
    usual, loud = (hum(load_amp("teasel").changed({"R31.position": each})) for each in (0.5, 1.0))
    assert (usual.pickup_clips, usual.clips_words) == ((), "")
    assert [each.section for each in loud.pickup_clips]
    assert f"(it clips: {loud.pickup_clips[0].section})" in str(loud)
    first = clips_at(loud.view, loud.amp.mains_hz)[0]
    assert loud.pickup_clips[0].section == first.section
    gain = float(np.abs(gain_at(loud.view, np.array([loud.amp.mains_hz]))).max())
    assert 0.5 < float(loud.pickup_v[0]) / (first.input_rms * gain) < 2.0
