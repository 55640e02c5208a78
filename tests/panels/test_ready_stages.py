"""Ready stages of the form: together they make amps that solve within the ratings of their parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit import analyze
from tubekit.amp.signal import signal_path
from tubekit.panels import AmpForm
from tubekit.panels.form import suggest
from tubekit.panels.form.draft import Draft

PRACTICE = (
    "supply-tube-rectifier input-jack triode-gain-stage volume-control triode-gain-stage output-single-ended"
)
COMBO = (
    "supply-tube-rectifier supply-step input-jack triode-gain-stage volume-control triode-gain-stage "
    "tone-two-controls triode-gain-stage split-load-inverter output-push-pull"
)
TWO_CHANNELS = (
    "supply-choke bias-supply supply-step supply-step input-jack triode-gain-stage volume-control input-jack "
    "triode-gain-stage volume-control channel-mixer triode-gain-stage volume-control triode-gain-stage "
    "long-tailed-pair:rail=B3 output-6l6-fixed-bias bias-tremolo:rail=B3"
)
DOUBLER = (
    "supply-doubler standby-loop input-jack cathode-follower tone-two-controls triode-gain-stage "
    "volume-control triode-gain-stage paraphase-inverter output-push-pull"
)
TWO_CHASSIS = (
    "supply-choke choke-step input-jack triode-gain-stage multi-pin-cable volume-control effects-send "
    "volume-control triode-gain-stage paraphase-inverter output-6l6-cathode-bias"
)
FAR_HEATER = {"V3": ["far_h1", "far_h2"]}
REVERB = (
    "supply-tube-rectifier supply-step input-jack triode-gain-stage reverb:driver_rail=B2 "
    "channel-mixer:signal_in_a=signal2 triode-gain-stage volume-control triode-gain-stage output-single-ended"
)
AMPS = (PRACTICE, COMBO, REVERB, TWO_CHANNELS, DOUBLER, TWO_CHASSIS)


def of_stages(names: str) -> Draft:
    """An amp of ready stages; 'stage:port=node' joins a port elsewhere than is suggested."""
    draft = Draft.empty("Of stages", "117 V")
    for word in names.split():
        name, _, port = word.partition(":")
        ports = dict([port.split("=")]) if port else {}
        draft = suggest.put_in(draft, suggest.stage(name), ports)
    return draft.put(("V3", "heater"), FAR_HEATER["V3"]) if "far_h1" in draft.nodes else draft


@pytest.mark.parametrize("names", AMPS)
def test_amps_of_ready_stages_keep_their_ratings_and_do_not_oscillate(names: str) -> None:
    """Each figure is held to the rating printed for its type (`limits` names the source)."""
    from tubekit.decisions.limits import limits

    draft = of_stages(names)
    assert [str(one) for one in draft.problems] == []
    assert draft.amp is not None
    report = analyze(draft.amp)
    assert limits(report).exceeded == ()
    assert report.stability.stable.all()
    assert (report.stability.oscillator != "") == ("tremolo" in names)


def test_every_ready_stage_is_in_one_of_these_amps() -> None:
    used = {word.partition(":")[0] for word in " ".join(AMPS).split()}
    assert {one.name for one in suggest.stages()} - used == {"hum-balance"}


def test_a_hum_balance_takes_the_place_of_the_fixed_center() -> None:
    draft = of_stages(PRACTICE).without("R4").without("R5")
    draft = suggest.put_in(draft, suggest.stage("hum-balance"))
    (control,) = [table for table in draft.parts.values() if table.get("role") == "hum balance"]
    assert [control[end] for end in ("top", "wiper", "bottom")] == ["h1", "ground", "h2"]
    assert draft.amp is not None
    assert draft.problems == ()


@pytest.mark.parametrize("first", ["supply-choke", "supply-doubler"])
def test_standby_switches_all_b_plus_whenever_it_is_put_in(first: str) -> None:
    """Screens taken from behind the choke had stayed ahead of the switch."""
    names = (f"{first} {PRACTICE.partition(' ')[2]} standby-loop" if first == "supply-choke"
             else f"{first} standby-loop {PRACTICE.partition(' ')[2]}")  # fmt: skip
    draft = of_stages(names)
    assert draft.problems == ()
    assert draft.amp is not None
    on, off = analyze(draft.amp), analyze(draft.amp.changed({"S2": "open"}))
    assert on.node("B1").dc_v > 200.0
    assert off.node("ahead").dc_v > on.node("ahead").dc_v
    for rail in ("B1", "B2", "B3"):
        assert abs(off.node(rail).dc_v) < 1.0


def test_two_jacks_and_two_channels_meet_in_the_mixer() -> None:
    """The second jack's node is called after the first's; what only reads alike stays."""
    draft = of_stages(TWO_CHANNELS)
    assert draft.get(("J2", "tip")) == "input_2"
    assert draft.get(("J2", "direction")) == "input"
    wipers = [table["wiper"] for table in draft.parts.values() if table.get("role") == "volume"]
    mixers = [table["nodes"][0] for table in draft.parts.values() if "mixing" in str(table.get("role"))]
    assert mixers == wipers[:2]


def test_two_gain_stages_share_a_bottle() -> None:
    draft = of_stages(PRACTICE)
    doubles = [table for table in draft.parts.values() if table.get("type") == "12AX7"]
    assert len(doubles) == 1
    assert {"a", "b"} <= set(doubles[0])


def test_ports_go_where_they_are_told_and_names_never_collide(tmp_path: Path) -> None:
    form = AmpForm(folder=tmp_path)
    form.stage("tone-two-controls", {"signal_in": "from_here", "signal_out": "to_there"})
    form.stage("tone-two-controls", {"signal_in": "to_there", "signal_out": "on"})
    nodes = form.draft.nodes
    assert {"from_here", "to_there", "on", "bass_top", "bass_top_2"} <= set(nodes)
    assert len(form.draft.parts) == 2 * len(suggest.stage("tone-two-controls").parts)


def test_the_mains_of_the_heading_stands_at_the_primary() -> None:
    draft = suggest.put_in(Draft.empty("230", "230 V", "50 Hz"), suggest.stage("supply-tube-rectifier"))
    assert draft.get(("T1", "primary", "volts")) == ["230 V"]


def test_a_reverb_is_driven_as_its_closed_form_says() -> None:
    """Ohm's law at the coil, behind an ideal transformer of 53 to 1 with its copper (textbook).

    Strays, leakage and the current of the primary's 15 H are left out: 94 kΩ beside 23 kΩ.
    """
    amp = of_stages(REVERB).amp
    assert amp is not None
    path = signal_path(amp)
    (tank,), stage = path.tanks, path.stage("V3a")
    copper, henries = tank.tank.coils()[0]
    impedance = copper + 2j * np.pi * 1000.0 * henries
    assert_allclose(np.abs(impedance), 8.0, rtol=1e-9)
    assert_allclose(tank.tank.rated_a, 28e-3)  # from memory
    secondary = impedance + 0.6 + 1100 / 53.0**2
    current = np.abs(stage.plate_gain[0] / 53.0 / secondary)
    assert_allclose(np.abs(tank.drive_s[0]), current, rtol=0.04)
    assert_allclose(np.abs(tank.coil_gain[0]), 8.0 * current, rtol=0.04)
    assert_allclose(tank.full_v[0] * np.abs(tank.drive_s[0]), 28e-3, rtol=1e-9)
    rows = next(table for table in path.tables() if table.key == "tanks").rows
    assert_allclose(float(rows[0][4][0]), 100 * path.level_rms / tank.full_v[0])
    assert not path.stage("V4a").before.startswith("V2b"), "springs are no way of the signal"
