"""Current while playing: its ends are idle and full drive as solved alone; music is between."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import amp, solved
from tubekit.amp.sag import full_drive
from tubekit.bench.playing import CREST, MUSIC, SINE, _mean, playing
from tubekit.bench.procedures import driven_tube, on_dummy_load


@pytest.mark.parametrize("name", ["teasel", "burdock"])
def test_ends_are_idle_and_full_drive_and_music_is_between(name: str) -> None:
    result, report = playing(amp(name)), solved(name)
    hard = full_drive(on_dummy_load(amp(name)), near=report)
    tubes = [driven_tube(hard, report, one) for one in hard.output_tubes]
    idle, sine = result.rows[0], [row for row in result.rows if row.signal == SINE]
    assert idle.cathode_a == pytest.approx(np.mean([t.idle_a for t in tubes]))
    assert sine[-1].cathode_a == pytest.approx(np.mean([t.driven_a for t in tubes]), rel=0.02)
    assert 100 * sine[-1].sag == pytest.approx(hard.sag_percent, abs=0.3)
    loud = next(row for row in result.rows[::-1] if row.signal == MUSIC)
    if result.bias == "fixed":
        assert idle.cathode_a < loud.cathode_a < sine[-1].cathode_a
    assert result.stable == (name == "teasel") or result.bias == "fixed"


def test_music_is_the_mean_over_its_envelope() -> None:
    """Of a current that rises with the square of the output, noise of RMS peak/4 leaves 2/16 of the rise."""
    volts = np.linspace(0.0, 1.0, 500)
    assert _mean(MUSIC, volts, volts**2, 1.0) == pytest.approx(2.0 / CREST**2, rel=0.01)
    assert _mean(SINE, volts, volts**2, 0.5) == pytest.approx(0.25, rel=0.01)
