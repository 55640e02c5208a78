from __future__ import annotations

import pytest

from tubekit.amp import Amp, load_amp
from tubekit.decisions import SwapReport, swap


@pytest.fixture(scope="session")
def amp() -> Amp:
    return load_amp("teasel")


@pytest.fixture(scope="session")
def swapped(amp: Amp) -> SwapReport:
    return swap(amp, {"R14": "180", "V5": "5U4GB"}, mains_rms=123)
