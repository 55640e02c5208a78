"""The amps that tests run on: the demo amps, and whole amps that nobody tuned anything to.

Those in `amp_files` were described from general knowledge of the trade by someone who had not seen the
code; their values are typical of the era, no maker's drawing. Those in `cold_amps` come with figures written
down before the first run.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from tubekit import analyze, load_amp
from tubekit.amp import Amp, AmpReport, amp_from_text

FILES = Path(__file__).parent / "amp_files"
COLD_FILES = Path(__file__).parent / "cold_amps"
DEMO = ("teasel", "burdock", "fescue", "vetch")
OTHERS = tuple(sorted(path.stem for path in FILES.glob("*.toml")))
COLD = tuple(sorted(path.stem for path in COLD_FILES.glob("*.[ct]*")))
EVERY = DEMO + OTHERS


@lru_cache(maxsize=32)
def amp(name: str) -> Amp:
    """An amp by its name here."""
    folder = COLD_FILES if name in COLD else FILES
    return load_amp(name if name in DEMO else next(folder.glob(f"{name}.*")))


def variant(title: str, text: str, gone: tuple[str, ...] = ()) -> Amp:
    """The demo amp with some tables laid over it and some parts taken out."""
    head = f'[amp]\nextends = "teasel"\ntitle = "{title}"\n'
    return amp_from_text(head + text + "".join(f"\n[{name}]\nremoved = true\n" for name in gone), title)


@lru_cache(maxsize=32)
def solved(name: str) -> AmpReport:
    """Its report at the drawn line voltage, solved once for all tests of a worker."""
    return analyze(amp(name))


def reading_so(report: AmpReport, place: str, **values: float) -> AmpReport:
    """The report with other readings of a section or of every section of a tube."""
    other = replace(report, solved=replace(report.solved))
    tubes = tuple(replace(t, **values) if place in (t.section, t.designator) else t for t in report.tubes)
    vars(other)["tubes"] = vars(other.solved)["tubes"] = tubes
    return other
