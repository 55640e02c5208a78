"""The spec sheet against the commands it takes from, and intermodulation against closed forms."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp.headroom import headroom
from tubekit.amp.sag import sag
from tubekit.amp.signal import signal_path
from tubekit.amp.sound import READ_S, TONE_HZ, Ready
from tubekit.cli import main
from tubekit.decisions import specs as module
from tubekit.decisions.specs import BELOW, Specs, specs
from tubekit.result_fields import to_json_value


@cache
def worn() -> Specs:
    return specs(amp("vetch"), {"V2.emission": 0.7})


def test_figures_are_those_of_the_other_commands() -> None:
    before = worn().before
    assert before is not None
    limit, path, supply = headroom(amp("vetch")), signal_path(amp("vetch")), sag(amp("vetch"))
    assert (before.rated_w, before.rated_input_rms) == (limit.rated_w, limit.rated_input_rms)
    assert before.gain_db == pytest.approx(20 * np.log10(abs(path.reference_gain[0])))
    assert before.output_ohms == pytest.approx(abs(path.output_ohms[0]))
    assert before.damping_factor == pytest.approx(4.0 / before.output_ohms)
    assert before.sag_percent == pytest.approx(supply.b_plus.sag_percent)
    assert before.by_level["thd_percent"][3] == pytest.approx(5.0, rel=0.01)
    assert worn().after.rated_w < before.rated_w


def test_distortion_is_that_of_the_amp_in_time() -> None:
    """The supply runs there; harmonic balance holds it."""
    before = worn().before
    assert before is not None
    ready = Ready.of(amp("vetch"))
    lines = np.abs(ready.steady([np.sqrt(2.0) * BELOW * before.rated_input_rms], [TONE_HZ]))
    lines = lines[:: round(TONE_HZ * READ_S)]
    thd = 100.0 * np.sqrt(np.square(lines[2:21]).sum()) / lines[1]
    assert thd == pytest.approx(before.thd_percent, rel=0.02)


def test_intermodulation_of_a_bent_line_is_its_closed_form(monkeypatch: pytest.MonkeyPatch) -> None:
    """y = x + a x² + b x³ gives side tones a A B and 3/4 b A² B (any textbook), one on each side."""
    a, b, result = 0.02, 0.005, headroom(amp("vetch"))

    def bent(self: Ready, peaks: np.ndarray, hertz: tuple[float, ...]) -> np.ndarray:
        gains = np.abs(module.gain_at(self.view, np.array(hertz))[0])
        x = np.sin(2 * np.pi * np.outer(np.arange(9600) / 96e3, hertz)) @ (np.asarray(peaks) * gains)
        return np.fft.rfft(x + a * x**2 + b * x**3) * 2.0 / 9600

    monkeypatch.setattr(Ready, "steady", bent)
    found = module._mixed(result, {})
    peak = np.sqrt(2.0) * BELOW * result.rated_rms
    low, high = 0.8 * peak, 0.2 * peak
    carrier = high * (1 + 0.75 * b * (high**2 + 2 * low**2))
    wanted = np.hypot(2 * a * low * high, 2 * 0.75 * b * low**2 * high) / carrier
    assert found["im_percent"] == pytest.approx(100 * wanted, rel=1e-3)
    half = 0.5 * peak
    wanted = np.hypot(a * half**2, 1.5 * b * half**3) / (2 * half * (1 + 2.25 * b * half**2))
    assert found["difference_percent"] == pytest.approx(100 * wanted, rel=1e-3)


def test_a_killed_signal_and_a_preamp_are_said_in_words() -> None:
    dead = specs(amp("vetch"), {"C2": "open"}).headline()
    assert "before and none after. No signal gets to LS1" in dead
    preamp = specs(amp("line-preamp"))
    assert "no tube drives an output transformer" in preamp.headline()
    assert "rated output voltage" in str(preamp)
    assert "at the smallest drive" in specs(amp("vetch"), rated_thd=0.01).headline()


def test_stop_keeps_what_is_done() -> None:
    def stop(share: float) -> None:
        raise KeyboardInterrupt

    result = specs(amp("vetch"), progress=stop)
    assert result.after.rated_w == pytest.approx(headroom(amp("vetch")).rated_w)
    assert np.isnan(result.after.gain_db)
    assert "Stopped" in result.headline()


def test_the_command_answers_in_25_lines_and_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["specs", "vetch", "V2.emission=0.7"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 25
    assert max(map(len, lines)) <= 100
    answer = json.loads(json.dumps(to_json_value(worn())))
    assert answer["rated_thd"] == 5.0
    assert answer["before"]["rated_w"] > answer["after"]["rated_w"]
    assert len(answer["after"]["thd_by_hz"]) == len(answer["hertz"])
    assert answer["after"]["by_level"]["input_rms"] == answer["before"]["by_level"]["input_rms"]
