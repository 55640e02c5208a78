"""What a change does to tone and hum, against whole solves; and the commands."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.amp.signal_amps import with_feedback
from tubekit import load_amp
from tubekit.amp.hum import hum
from tubekit.amp.signal import signal_path
from tubekit.cli import main
from tubekit.decisions.drive import drive_report
from tubekit.decisions.hum_remedies import hum_report
from tubekit.decisions.tone import tone_change
from tubekit.errors import ChangeError


def test_change_is_the_difference_of_two_whole_paths() -> None:
    amp = load_amp("teasel")
    result = tone_change(amp, {"C4": "4.7n", "R9": "220k"})
    old, new = signal_path(amp), signal_path(amp.changed({"C4": "4.7n", "R9": "220k"}))
    np.testing.assert_allclose(result.change_db, new.gain_db[0] - old.gain_db[0], atol=1e-6)
    text = str(result)
    for words in (
        "C4 47 nF → 4.7 nF",
        "Rolloffs that change",
        "V1b grid to V2a grid",
        "damping factor",
        "stable",
    ):
        assert words in text
    json.dumps(result.to_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("change", "low", "level"),
    [
        ({"C1": "1u"}, (-8.0, -1.0), (-0.5, 0.1)),  # smaller bypass: bass goes
        ({"C2": "100n"}, (0.5, 30.0), (-0.1, 0.1)),  # larger coupling: the deepest bass comes
        ({"C1": "removed"}, (-9.0, -3.0), (-7.0, -4.0)),  # no bypass: everything goes
        ({"R5": "220k"}, (0.5, 4.0), (0.5, 4.0)),  # larger plate load: more gain
        ({"V1": "12AU7"}, (-30.0, -10.0), (-30.0, -10.0)),  # a tube of a fifth of the mu, twice
    ],
    ids=str,
)
def test_directions_that_every_bench_knows(change, low, level) -> None:
    result = tone_change(load_amp("teasel"), change)
    assert low[0] < result.change_db[10] < low[1]  # 8 Hz
    assert level[0] < result.level_db < level[1]


def test_a_feedback_resistor_shows_in_the_loop_and_the_damping() -> None:
    result = tone_change(with_feedback("47k"), {"R27": "10k"})
    assert result.level_db < -2
    assert result.loop_after.feedback_db()[0] > result.loop_before.feedback_db()[0]
    assert result.after.damping_factor[0] > result.before.damping_factor[0]
    assert "phase margin (worst)" in str(result)


def test_a_change_that_reverses_the_feedback_gives_no_response() -> None:
    result = tone_change(with_feedback("22k"), {"V3.plate": "p4", "V4.plate": "p3"})
    text = str(result)
    assert "UNSTABLE" in result.headline()
    assert "\nGain, " not in text
    assert "plate leads" in text
    assert np.isnan(result.change_db).all()
    json.dumps(result.to_json(), allow_nan=False)


def test_nothing_and_batches_are_refused() -> None:
    with pytest.raises(ChangeError, match="nothing to change"):
        tone_change(load_amp("teasel"), {})
    with pytest.raises(ChangeError, match="one amp at a time"):
        tone_change(load_amp("teasel"), {"C2": ["1n", "2n"]})
    with pytest.raises(ChangeError, match="one amp at a time"):
        hum_report(load_amp("teasel").changed({"C2": ["1n", "2n"]}))


def test_remedies_are_what_a_new_solve_says() -> None:
    amp = load_amp("teasel").changed({"C14": "4.7u", "V4.emission": 0.7})
    result = hum_report(amp)
    tried = {each.what: each for each in result.remedies}
    larger = hum(amp.changed({"C14": 9.4e-6}))
    assert tried["C14 4.70 µF → 9.40 µF"].total_rms == pytest.approx(larger.total_rms[0], rel=1e-3)
    renewed = hum(amp.changed({"V4.emission": 1.0}))
    assert tried["a new V4 (the old one has 70 % emission)"].total_rms == pytest.approx(
        renewed.total_rms[0], rel=1e-3
    )
    assert result.first is result.remedies[0]
    assert [each.gain_db for each in result.remedies] == sorted(
        (e.gain_db for e in result.remedies), reverse=True
    )
    json.dumps(result.to_json(), allow_nan=False)


def test_advice_keeps_to_the_limit_of_the_rectifier() -> None:
    """The 5Y3GT takes 20 µF: its reservoir of 20 µF is not doubled, a later filter capacitor is."""
    result = hum_report(load_amp("teasel"))
    assert not [each for each in result.remedies if each.part == "C14"]
    assert "C14 20.0 µF → 40.0 µF is left out: V5" in result.left_out[0]
    assert [each for each in result.remedies if each.part == "C15"]


def test_signal_to_noise_counts_rated_output() -> None:
    result = drive_report(load_amp("teasel"))
    rated = np.sqrt(result.headroom.rated_w * 8.0)  # the speaker takes its watts at other ohms than nominal
    assert result.signal_to_noise_db == pytest.approx(
        20 * np.log10(rated / result.noise.output_rms[0]), abs=1
    )
    json.dumps(result.to_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["trace", "teasel", "R31.position=0.3"], "Levels at 1000 Hz"),
        (["tone", "teasel", "C2=10n"], "Rolloffs that change"),
        (["hum", "teasel", "V3.emission=0.7"], "What helps"),
        (["drive", "teasel", "--hertz", "400"], "What clips first"),
        (["loop", "teasel", "--at", "R10"], "Loop gain"),
    ],
    ids=lambda w: w[0] if isinstance(w, list) else "",
)
def test_commands_answer_in_text_and_json(
    words: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 0
    assert text in capsys.readouterr().out
    assert main([*words, "--json", "--line", "120"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out), dict)


@pytest.mark.parametrize(
    "words", [["tone", "teasel"], ["loop", "teasel"], ["trace", "teasel", "--jack", "J7"]]
)
def test_commands_refuse_with_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert capsys.readouterr().err.startswith("tubekit: teasel")
