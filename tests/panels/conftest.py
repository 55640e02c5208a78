from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from tubekit.amp import Amp, load_amp
from tubekit.errors import InputError, Note
from tubekit.panels import PartSwap, part_swap


@pytest.fixture(scope="session")
def amp() -> Amp:
    return load_amp("teasel")


@pytest.fixture
def panel(amp: Amp) -> PartSwap:
    return part_swap(amp)


@pytest.fixture
def reworded(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Call it, and from then on every message is nonsense: what is decided by words goes wrong."""
    made, noted = InputError.__init__, Note.__init__

    def error(self: InputError, problem: str, **place: Any) -> None:
        made(self, "zzz", **{**place, "fix": "yyy"})

    def note(self: Note, code: str, part: str, text: str, *flags: Any, **kinds: Any) -> None:
        noted(self, code, part, "zzz", *flags, **kinds)

    def swap_words() -> None:
        monkeypatch.setattr(InputError, "__init__", error)
        monkeypatch.setattr(Note, "__init__", note)

    return swap_words


@pytest.fixture(autouse=True)
def unpainted(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Panels are made as ever, but axes, ticks and letters are painted only for tests marked `painted`.

    Most of a panel's first second is ink that no assertion looks at.
    """
    if "painted" not in request.keywords:
        monkeypatch.setattr(FigureCanvasAgg, "draw", FigureCanvasAgg.get_renderer)
