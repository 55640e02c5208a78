"""Tapers of potentiometers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from tubekit.devices.potentiometer import TAPERS, fraction
from tubekit.errors import InputError


@pytest.mark.parametrize("taper", TAPERS)
def test_tapers_rise_from_bottom_to_top(taper):
    share = fraction(np.linspace(0.0, 1.0, 101), taper)
    assert np.all(np.diff(share) > 0.0)
    assert share[0] == 0.0
    assert share[-1] == 1.0


def test_half_travel_of_each_taper():
    # 10 % at half travel for an audio taper: common practice, no source.
    assert [fraction(0.5, taper) for taper in TAPERS] == pytest.approx([0.5, 0.1, 0.9])


@given(st.floats(0.0, 1.0))
def test_reverse_audio_is_audio_turned_from_the_other_end(position):
    both = fraction(position, "audio") + fraction(1.0 - position, "reverse audio")
    assert both == pytest.approx(1.0, abs=1e-12)


@given(st.floats(0.0, 1.0), st.sampled_from(TAPERS))
def test_an_end_share_keeps_the_wiper_off_both_ends(position, taper):
    assert 0.001 <= fraction(position, taper, end=0.001) <= 0.999


def test_unknown_taper_and_impossible_position_say_what_to_write():
    with pytest.raises(InputError, match=r"no taper 'audoi'.*Near: audio"):
        fraction(0.5, "audoi")
    with pytest.raises(InputError, match="is not between 0 and 1"):
        fraction(1.2, "linear")
    with pytest.raises(InputError, match="is not between 0 and 1"):
        fraction([0.1, float("nan")], "linear")
    with pytest.raises(InputError, match="leaves no track"):
        fraction(0.5, "linear", end=0.7)
