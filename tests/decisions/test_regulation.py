"""Regulation lines of rectifiers that no power law follows."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit.decisions.regulation import LOADS, STEEPEST, _fit


def test_a_choke_at_its_critical_current_gets_a_line() -> None:
    """A bridge into a choke, idling where the choke just keeps its current: steep below, flat above.

    Figures of a whole amp, solved in full. The exponent ran away, and the line overflowed.
    """
    volts = np.array([-235.758, -228.751, -222.393, -221.317, -220.466])
    amps = np.array([26.406, 29.330, 33.133, 44.865, 60.351]) * 1e-3
    line, miss = _fit(volts, amps, False)
    assert line.exponent == STEEPEST
    drop = (amps / line.conductance) ** (1.0 / line.exponent) - line.open_volts
    assert drop[LOADS.index(0.0)] == pytest.approx(volts[LOADS.index(0.0)], abs=1e-6)  # right where it idles
    assert np.all(np.diff(drop) > 0.0)
    assert miss == pytest.approx(np.abs(drop - volts).max())
    assert miss < 0.06 * abs(volts[0])
