"""What goes into a record, and the blocks a page is made of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport
from tubekit.bench.suspects import Suspects
from tubekit.decisions import Finding, SwapReport
from tubekit.decisions.judge import Judgement
from tubekit.decisions.limits import Limits
from tubekit.decisions.reading import Readings
from tubekit.decisions.tone import ToneChange
from tubekit.plots.ink import Drawing
from tubekit.text import Table, headed
from tubekit.units import show

PAPERS = {"Letter": (215.9, 279.4), "A4": (210.0, 297.0)}
"""Papers a record is laid out for: width and height [mm] (ANSI Letter; ISO 216 A4)."""


@dataclass(frozen=True, eq=False)
class Content:
    """What goes into a record."""

    title: str
    amp: Amp
    decided: str
    why: str
    by: str
    date: str
    results: tuple[Any, ...]
    readings: Readings | None
    figures: tuple[Drawing, ...]
    paper: str = "Letter"


@dataclass(frozen=True, eq=False)
class Figure:
    """A drawing with a short caption; the whole of its words is for whoever cannot see it."""

    caption: str
    drawing: Drawing


@dataclass(frozen=True, eq=False)
class PagePart:
    """What one result gives to a record: words and tables to read now, figures, numbers to look up."""

    place: str
    heading: str
    lead: str = ""
    tables: Sequence[Table] = ()
    figures: Sequence[Figure] = ()
    numbers: Sequence[Table] = field(default=())


STILL = 0.005
"""A reading that moves by less than this share is said to stay."""
STILL_DB = 0.2


def sentences(content: Content) -> tuple[str, ...]:
    """Summary of the results, the verdict first.

    Examples
    --------
    >>> from tubekit import load_amp, swap
    >>> amp = load_amp("teasel")
    >>> content = Content("t", amp, "", "", "", "", (swap(amp, {"R14": "330"}),), None, ())
    >>> for line in sentences(content):
    ...     print(line)
    No rating is exceeded at idle; 5 are at or within 10 % of their limit.
    B+ at B1: 335 V → 340 V (+1.6 %), before and after at a line voltage of 117 V.
    Output tubes V3 and V4: 33.3 mA → 30.0 mA each, 8.94 W of plate dissipation, 74 % of the rating.
    """
    return tuple(line for result in content.results for line in _sentences_of(result))


def changed(amp: Amp) -> Table:
    """Table of what is changed: the part, its role, as drawn, as decided."""
    rows = []
    for key, (before, after) in amp.changes.items():
        name = key.partition(".")[0]
        part = amp.parts.get(name) or amp.drawn.parts.get(name)
        role = "line voltage" if key == "mains" else (part.role or part.kind) if part else ""
        rows.append((key, role, before, after))
    return Table("", headed("part", "what it is", "drawn", "now"), rows)


def _sentences_of(result: Any) -> Iterator[str]:
    if isinstance(result, SwapReport):
        yield _ratings(result)
        yield _supply(result)
        yield from _output(result)
    elif isinstance(result, Limits):
        yield _checked(result)
    elif isinstance(result, AmpReport):
        yield f"Idle state at a line voltage of {show(result.amp.mains_rms, 'V')}."
    elif isinstance(result, ToneChange):
        yield _tone(result)
    elif isinstance(result, (Judgement, Suspects)):
        words = result.headline().removeprefix(f"{result.readings.drawn.title}: ")
        yield f"{words[0].upper()}{words[1:]}"


def _ratings(report: SwapReport) -> str:
    """What the change does to the ratings, then what was so before it."""
    over = [f for f in report.verdict if f.weight in ("stop", "exceeded") and f.by_change]
    already = [f for f in report.verdict if f.weight == "exceeded" and not f.by_change]
    before = f" Exceeded before the change as well: {_parts_of(already)}." if already else ""
    if not over:
        near = sum(f.weight in ("at limit", "near") for f in report.verdict)
        verb, whose = ("is", "its") if near == 1 else ("are", "their")
        close = f"{near} {verb} at or within 10 % of {whose} limit"
        none = "The change exceeds no rating" if already else "No rating is exceeded at idle"
        return f"{none}{f'; {close}' if near else ''}.{before}"
    stops = sum(f.weight == "stop" for f in over)
    lines = [
        f"{stops} {'reason' if stops == 1 else 'reasons'} it will not fit the socket" if stops else "",
        _count(len(over) - stops) if len(over) > stops else "",
    ]
    worse = sum(f.cause == "worse" for f in over)
    grown = f", {worse} of them exceeded before and now by more" if worse else ""
    return (
        f"The numbers argue against this change: {', '.join(w for w in lines if w)}{grown} "
        f"({_parts_of(over)}).{before}"
    )


def _parts_of(findings: list[Finding]) -> str:
    return ", ".join(dict.fromkeys(f.part for f in findings if f.part))


def _checked(limits: Limits) -> str:
    """How the ratings of an amp as it stands are used."""
    over = list(dict.fromkeys(check.part for check in limits.exceeded))
    text = f"{_count(len(limits.exceeded))} ({', '.join(over)})" if over else "No rating is exceeded"
    near = len(limits.near)
    close = f"; {near} at or within 10 % of {'its' if near == 1 else 'their'} limit" if near else ""
    text = f"{text}{close}, of {len(limits.checks)} checked."
    return text[0].upper() + text[1:]


def _count(number: int) -> str:
    return f"{number} {'rating is' if number == 1 else 'ratings are'} exceeded"


def _supply(report: SwapReport) -> str:
    old, new = report.before.rails[0], report.after.rails[0]
    mains = report.after.amp.mains_rms
    both = (
        f", before and after at a line voltage of {show(mains, 'V')}"
        if report.before.amp.mains_rms == mains
        else ""
    )
    return f"B+ at {new.node}: {_moved(float(old.dc_v), float(new.dc_v), 'V')}{both}."


def _moved(old: float, new: float, unit: str) -> str:
    change = (new - old) / abs(old) if old else 0.0
    if abs(change) < STILL:
        return f"{show(new, unit)}, unchanged"
    return f"{show(old, unit)} → {show(new, unit)} ({100 * change:+.1f} %)"


def _output(report: SwapReport) -> Iterator[str]:
    """The output tubes; those that stand alike, within 1 %, share a sentence."""
    groups: list[list[Any]] = []
    for tube in (t for t in report.after.tubes if np.isfinite(t.screen_v)):
        like = next((group for group in groups if _alike(report, group[0], tube)), None)
        if like is None:
            groups.append([tube])
        else:
            like.append(tube)
    for same in groups:
        each = "tube" if len(same) == 1 else "tubes"
        names = " and ".join(tube.section for tube in same)
        yield f"Output {each} {names}: {_tube(report, same[0], len(same))}."


def _alike(report: SwapReport, one: Any, other: Any) -> bool:
    pairs = [(one, other), (_before(report, one), _before(report, other))]
    return all(a and b and abs(a.cathode_a / b.cathode_a - 1) < 2 * STILL for a, b in pairs)


def _before(report: SwapReport, tube: Any) -> Any:
    return next((t for t in report.before.tubes if t.section == tube.section), None)


def _tube(report: SwapReport, now: Any, count: int) -> str:
    was, amps = _before(report, now), float(now.cathode_a)
    moved = f"{show(float(was.cathode_a), 'A')} → " if was and _far(was.cathode_a, amps) else ""
    rating = f", {100 * float(now.plate_share):.0f} % of the rating" if np.isfinite(now.plate_share) else ""
    each = " each" if count > 1 else ""
    return f"{moved}{show(amps, 'A')}{each}, {show(float(now.plate_w), 'W')} of plate dissipation{rating}"


def _far(old: Any, new: float) -> bool:
    return abs(new - float(old)) > STILL * abs(float(old))


def _tone(change: ToneChange) -> str:
    if not (change.after.stable[0] and change.before.stable[0]):
        return f"Signal: {change.after.naturals.describe()}."
    level, tone = change.level_db, change.change_db - change.level_db
    k = int(np.argmax(np.abs(tone)))
    hz = show(float(change.after.frequencies_hz[k]), "Hz")
    loud = f"{level:+.1f} dB" if abs(level) >= STILL_DB else "unchanged"
    moves = f"changes by up to {tone[k]:+.1f} dB (at {hz})" if abs(tone[k]) >= STILL_DB else "unchanged"
    return f"Gain at {change.before.reference_hz / 1e3:g} kHz {loud}; tone {moves}."
