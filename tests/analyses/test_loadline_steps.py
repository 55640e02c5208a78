"""A row of loads: each as alone, and the shape that output-stage charts have."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import load_line
from tubekit.analyses.loadsteps import load_steps
from tubekit.errors import InputError

STAGE = {"plate": 250, "screen": 250, "grid": -12.5}


def test_each_step_is_the_load_line_alone() -> None:
    steps = load_steps("6V6GT", loads=[3000, 6000], **STAGE)
    for k, load in enumerate((3000, 6000)):
        alone = load_line("6V6GT", load=load, **STAGE)
        assert steps.power_w[k] == alone.power_w
        assert steps.thd_pct[k] == alone.thd_pct


def test_power_peaks_in_between_and_the_harmonics_cross() -> None:
    # Pentode charts: with rising load the second harmonic falls to a least value and the third
    # rises (any manual).
    steps = load_steps("6V6GT", loads=np.geomspace(1500, 15000, 12), **STAGE)
    assert 0 < int(np.argmax(steps.power_w)) < 11
    assert 0 < int(np.argmin(steps.second_pct)) < 11
    assert steps.third_pct[-1] > steps.third_pct[0]
    assert steps.best.power_w == steps.power_w.max()
    assert "takes most power" in str(steps)


def test_no_loads_are_refused() -> None:
    with pytest.raises(InputError, match="no loads"):
        load_steps("6V6GT", loads=[], **STAGE)
    with pytest.raises(InputError, match="not above zero"):
        load_steps("6V6GT", loads=[-5], **STAGE)
