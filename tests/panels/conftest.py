from __future__ import annotations

import pytest

from tubekit.amp import Amp, load_amp
from tubekit.panels import PartSwap, part_swap


@pytest.fixture(scope="session")
def amp() -> Amp:
    return load_amp("teasel")


@pytest.fixture
def panel(amp: Amp) -> PartSwap:
    return part_swap(amp)
