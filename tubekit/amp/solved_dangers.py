"""Dangers that show once an amp is solved: said before those of its wiring, in every answer about it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from tubekit.amp.parts import Capacitor, Fuse
from tubekit.amp.readings import TubeReading
from tubekit.amp.solve import SolvedAmp, fuse_amps
from tubekit.amp.stability import Stability
from tubekit.amp.surge import fuse_class
from tubekit.errors import Note
from tubekit.units import show

FAR_OVER = 1.5
"""A tube that idles above this share of a rating does not last (common practice, no source)."""
OPENS = 2.0
"""A fuse that carries this many times its rating is taken as open (common practice)."""
REVERSE_V = 1.0
"""An electrolytic stands no more than this the wrong way round (common practice, no source)."""


def solved_dangers(solved: SolvedAmp, judged: Stability) -> tuple[Note, ...]:
    """Tubes far too hot, fuses that blow, electrolytics the wrong way round, oscillation."""
    return (*_overheated(solved.tubes), *_fuses(solved), *_reversed(solved), *judged.dangers)


def _overheated(tubes: Iterable[TubeReading]) -> Iterator[Note]:
    """Tubes that idle far over what their plates or screens may dissipate, the hottest first."""
    hot = []
    for t in tubes:
        loads = (("plate", t.plate_share, t.plate_w), ("screen", t.screen_share, t.screen_w))
        for what, share, watts in loads:
            used = float(np.nan_to_num(np.max(share)))
            if used > FAR_OVER:
                load = f"{show(np.max(watts), 'W')} on the {what}, {100 * used:.0f} % of its rating"
                name = f"{t.section} ({', '.join(dict.fromkeys(t.types))})"
                hot.append((used, t.designator, f"{name} idles at {show(np.max(t.cathode_a), 'A')}, {load}"))
                break
    hot.sort(reverse=True)
    if hot:
        text = f"Do not power up. {'; '.join(words for *_, words in hot)}."
        yield Note("overheated", hot[0][1], text, danger=True)


def _fuses(solved: SolvedAmp) -> Iterator[Note]:
    """Fuses that blow, or that let a short burn where they are too large."""
    for name, part in solved.amp.parts.items():
        if isinstance(part, Fuse) and part.condition == "fitted":
            amps = np.max(fuse_amps(solved.state, part))
            times = amps / np.min(part.amps)
            if times >= OPENS:
                words = f"{name} carries {show(amps, 'A')}, {100 * times:.0f} % of its rating"
                text = f"Do not power up. {words}: it {fuse_class(solved.amp, part).carries(times)}."
                yield Note("fuse_blows", name, text, danger=True)


def _reversed(solved: SolvedAmp) -> Iterator[Note]:
    for name, part in solved.amp.parts.items():
        if isinstance(part, Capacitor) and part.style == "electrolytic" and part.condition == "fitted":
            volts = np.min(solved.state.mean(*part.ends))
            if volts < -REVERSE_V:
                text = f"Do not power up. {name} is BACKWARDS: {show(-volts, 'V')} the wrong way round."
                more = "A reversed electrolytic heats up, vents, and may burst."
                yield Note("reversed_electrolytic", name, f"{text} {more}", danger=True)
