"""Where the signal leaves: an output jack, in volts, or the speaker of the channel that is driven."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp.headroom import headroom
from tubekit.amp.hum import hum
from tubekit.amp.loop import overall_feedback
from tubekit.amp.signal import signal_path
from tubekit.decisions.drive import drive_report
from tubekit.errors import ChangeError


def test_a_load_at_the_output_jack_divides_with_the_output_impedance() -> None:
    empty = signal_path(amp("line-preamp").changed({"J2.plugged": False}))
    loaded = signal_path(amp("line-preamp").changed({"J2.load": "600"}))
    behind = empty.output_ohms[0]
    wanted = empty.reference_gain[0] * 600 / (600 + behind)
    assert loaded.output == "J2"
    assert loaded.reference_gain[0] == pytest.approx(wanted, rel=1e-4)
    assert loaded.loaded_ohms[0] == pytest.approx(600.0)
    words = str(loaded)
    assert "output impedance at the output jack" in words
    assert not [word for word in ("speaker", "damping") if word in words]
    assert "load at the output jack" not in str(empty)


def test_levels_at_an_output_jack_are_in_volts() -> None:
    result = hum(amp("line-preamp"))
    assert result.db(np.array([1.0, 0.1])) == pytest.approx([0.0, -20.0])
    assert "below 1 V" in result.headline()
    assert "1 W" not in str(result)
    driven = drive_report(amp("line-preamp"))
    assert " W" not in str(driven)
    assert f"{driven.headroom.rated_rms:.2g} V at 5 %" in driven.headline()
    assert driven.signal_to_noise_db > 60


def test_an_amp_without_any_output_is_refused() -> None:
    with pytest.raises(ChangeError, match="no speaker is connected"):
        headroom(amp("line-preamp").changed({"J2.direction": "input", "J2.plugged": False}))


@pytest.mark.parametrize(("jack", "speaker", "part"), [("J1", "LS1", "R12"), ("J2", "LS2", "R13")])
def test_the_channel_of_the_driven_input_is_read(jack: str, speaker: str, part: str) -> None:
    """Two channels on one supply: output and feedback are those that the signal reaches."""
    path = signal_path(amp("stereo-single-ended"), jack=jack)
    assert path.output == speaker
    assert abs(path.reference_gain[0]) > 1
    assert overall_feedback(amp("stereo-single-ended"), view=path.view).part == part


def test_a_part_in_no_loop_has_no_margins() -> None:
    """Rounding, 320 dB down, was once listed as places where feedback turns positive."""
    with pytest.raises(ChangeError, match="R6 is not in a feedback loop"):
        overall_feedback(amp("line-preamp"), "R6")
