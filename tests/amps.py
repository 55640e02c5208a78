"""The amps that tests run on: the demo amps, and whole amps that nobody tuned anything to.

Those in `amp_files` were described from general knowledge of the trade by someone who had not seen the
code; their values are typical of the era, no maker's drawing.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from tubekit import analyse, load_amp
from tubekit.amp import Amp, AmpReport

FILES = Path(__file__).parent / "amp_files"
DEMO = ("teasel", "burdock", "fescue", "vetch")
OTHERS = tuple(sorted(path.stem for path in FILES.glob("*.toml")))
EVERY = DEMO + OTHERS


@lru_cache(maxsize=32)
def amp(name: str) -> Amp:
    """An amp by its name here."""
    return load_amp(name if name in DEMO else FILES / f"{name}.toml")


@lru_cache(maxsize=32)
def solved(name: str) -> AmpReport:
    """Its report at the drawn line voltage, solved once for all tests of a worker."""
    return analyse(amp(name))
