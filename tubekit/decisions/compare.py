"""A batch of candidates against the original: how far voltages move, which ratings are used up more."""

from __future__ import annotations

from typing import Any

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.clipping import push_pull
from tubekit.amp.parts import GROUND, Part, Resistor, input_jacks
from tubekit.amp.signal_order import output_sections
from tubekit.amp.signal_view import signal_view
from tubekit.amp.supply import SupplyReport
from tubekit.analyses.elimination import respond
from tubekit.decisions.limits import idle_limits, limits
from tubekit.decisions.rating import AT_LIMIT
from tubekit.result_fields import Array
from tubekit.units import mark, show

LEAST_V = 1.0
"""Voltages below this are not compared [V]."""
LEAST_RIPPLE_V = 1e-4
"""Ripple below this is not compared [V]."""
RESERVOIR, PEAK = "reservoir_max_f", "peak_a"
"""The two ratings of a rectifier that a reservoir is judged by."""


def moves(before: AmpReport, after: AmpReport) -> tuple[list[str], Array]:
    """Rails and tube electrodes, and how far each moves in each candidate [%], (J, N)."""
    names, rows = [], []
    pairs = [(f"{b.node}", b.dc_v, a.dc_v) for b, a in zip(before.rails, after.rails, strict=True)]
    for b, a in zip(before.tubes, after.tubes, strict=True):
        pairs += [
            (f"{b.section} {what} voltage", getattr(b, field_), getattr(a, field_))
            for what, field_ in (("plate", "plate_v"), ("screen", "screen_v"), ("cathode", "cathode_v"))
        ]
    for name, old, new in pairs:
        if np.isfinite(old) and abs(float(old)) >= LEAST_V:
            names.append(name)
            rows.append(100.0 * (np.asarray(new) / float(old) - 1.0))
    return names, np.array(rows).reshape(len(names), after.amp.batch or 1)


def gains(before: AmpReport, after: AmpReport) -> tuple[list[str], Array]:
    """Tube sections, and how far the gain of each moves in each candidate [dB], (J, N)."""
    names, rows = [], []
    for b, a in zip(before.tubes, after.tubes, strict=True):
        old, new = float(np.asarray(b.gain)), np.asarray(a.gain, float)
        if np.isfinite(old) and old > 0.0 and np.all(np.isfinite(new)) and np.all(new > 0.0):
            names.append(b.section)
            rows.append(np.broadcast_to(20.0 * np.log10(new / old), (after.amp.batch or 1,)))
    return names, np.array(rows).reshape(len(names), after.amp.batch or 1)


def together(result: list[tuple[str, str]]) -> list[str]:
    """Words for several parts, with what they have in common said once.

    Examples
    --------
    >>> together([("V3", "too hot"), ("V4", "too hot"), ("V5", "too slow")])
    ['V3, V4: too hot', 'V5: too slow']
    """
    by_words: dict[str, list[str]] = {}
    for part, words in result:
        by_words.setdefault(words, []).append(part)
    return [f"{', '.join(parts)}: {words}" for words, parts in by_words.items()]


def shares(before: SupplyReport, after: SupplyReport) -> tuple[list[str], Array, list[tuple[str, str]]]:
    """Ratings that a change uses more than before: places, shares (J, N), words.

    What was above its rating already is compared with what it used before: the `unmoved` is left.
    `reservoirs` has the words for a reservoir beyond the book's limit.
    """
    count = after.amp.batch or 1
    was = {c.key: float(np.asarray(c.share)) for c in limits(before.report, before)}
    places: list[str] = []
    rows: list[Array] = []
    words: list[tuple[str, str]] = []
    for c in limits(after.report, after):
        old = was.get(c.key, 0.0)
        share = np.broadcast_to(np.asarray(c.share, float), (count,))
        if np.any(share > old * 1.001):
            places.append(f"{c.part} {c.what}")
            rows.append(share / max(1.0, old * c.unmoved / AT_LIMIT))
            words.append((c.part, "" if c.code == RESERVOIR else f"{c.what} above its rating"))
    return places, np.array(rows).reshape(len(places), count), words


def ripples(before: SupplyReport, after: SupplyReport) -> Array:
    """Ripple of each candidate against before, at the filter capacitor where it rises most, (N,)."""
    count = after.amp.batch or 1
    rows = [
        np.broadcast_to(np.asarray(new.ripple_pp_v) / float(np.asarray(old.ripple_pp_v)), (count,))
        for old, new in zip(before.filters, after.filters, strict=True)
        if float(np.asarray(old.ripple_pp_v)) > LEAST_RIPPLE_V
    ]
    return np.max(rows, axis=0) if rows else np.ones(count)


def reservoirs(before: AmpReport, after: AmpReport, member: int) -> tuple[str, ...]:
    """Rectifiers whose reservoir exceeds the book and what was there before, with the peak current here.

    The book's limit guards the cathode against peaks: the peak current at these windings is a check of its
    own, and is no excuse for a larger reservoir.
    """
    was = {c.part: float(np.asarray(c.share)) for c in idle_limits(before) if c.code == RESERVOIR}
    checks = [c for c in idle_limits(after) if c.code in (RESERVOIR, PEAK)]
    peaks = {c.part: c for c in checks if c.code == PEAK}
    result = []
    for c in (c for c in checks if c.code == RESERVOIR):
        share, old, peak = _member(c.share, member), was.get(c.part, 0.0), peaks.get(c.part)
        if not share > max(1.0, old * 1.001):  # NaN: no limit is known
            continue
        farads, book = (mark(_member(each, member), "F") for each in (c.value, c.limit))
        over = f"{share:.2g} times" if share >= 2.0 else f"{100 * (share - 1.0):.0f} % over"
        words = f"{c.part}: {farads} is {over} the {book} that the data sheet allows"
        if peak is not None:
            amps, most = (show(_member(each, member), "A") for each in (peak.value, peak.limit))
            words += f"; peak plate current {amps} (limit {most})"
        result.append(words)
    return tuple(result)


def _member(value: Any, member: int) -> float:
    flat = np.asarray(value, float).reshape(-1)
    return float(flat[member if flat.size > 1 else 0])


def unequal_drive(report: AmpReport, part: Part) -> Array:
    """Difference of the signals at the grids of a push-pull pair at 1 kHz, as a fraction, (N,).

    Nil where a part is at no plate or cathode ahead of the pair.
    """
    amp, pair = report.amp, output_sections(report.amp)
    ahead = {n for s in amp.topology.sections if s not in pair for n in (s.plate, s.cathode)} - {GROUND}
    concerned = isinstance(part, Resistor) and set(part.ends) & ahead and len(pair) > 1
    if not (concerned and input_jacks(amp.parts) and report.stability.stable.all()):
        return np.zeros(amp.batch or 1)
    view = signal_view(amp, near=report.solved)
    opposite = push_pull(view)
    x = respond(view.network, view.matrix, view.drive, np.array([2e3j * np.pi]))[:, 0]
    levels = [np.abs(view.network.pick(x, s.grid)) for s in pair if s.name in opposite]
    if len(levels) < 2:
        return np.zeros(len(x))
    return np.asarray(np.max(levels, axis=0) / np.maximum(np.min(levels, axis=0), 1e-30) - 1.0)
