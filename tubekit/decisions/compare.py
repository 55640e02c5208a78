"""A batch of candidates against the original: how far voltages move, which ratings are used up more."""

from __future__ import annotations

from typing import Any

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.supply import SupplyReport
from tubekit.amp.switching import SURGE_SHARE
from tubekit.decisions.limits import limits

Array = np.ndarray

LEAST_V = 1.0
"""Voltages below this are not compared [V]."""


def moves(before: AmpReport, after: AmpReport) -> tuple[list[str], Array]:
    """Rails and tube electrodes, and how far each moves in each candidate [%], (J, N)."""
    names, rows = [], []
    pairs = [(f"{b.node}", b.dc_v, a.dc_v) for b, a in zip(before.rails, after.rails, strict=True)]
    for b, a in zip(before.tubes, after.tubes, strict=True):
        pairs += [
            (f"{b.section} {what}", getattr(b, field_), getattr(a, field_))
            for what, field_ in (("plate", "plate_v"), ("screen", "screen_v"), ("cathode", "cathode_v"))
        ]
    for name, old, new in pairs:
        if np.isfinite(old) and abs(float(old)) >= LEAST_V:
            names.append(name)
            rows.append(100.0 * (np.asarray(new) / float(old) - 1.0))
    return names, np.array(rows)


def gains(before: AmpReport, after: AmpReport) -> tuple[list[str], Array]:
    """Tube sections, and how far the gain of each moves in each candidate [dB], (J, N)."""
    names, rows = [], []
    for b, a in zip(before.tubes, after.tubes, strict=True):
        old, new = float(np.asarray(b.gain)), np.asarray(a.gain, float)
        if np.isfinite(old) and old > 0.0 and np.all(np.isfinite(new)) and np.all(new > 0.0):
            names.append(b.section)
            rows.append(np.broadcast_to(20.0 * np.log10(new / old), (after.amp.batch or 1,)))
    return names, np.array(rows)


def together(found: list[tuple[str, str]]) -> list[str]:
    """What several parts have in common, said once.

    Examples
    --------
    >>> together([("V3", "too hot"), ("V4", "too hot"), ("V5", "too slow")])
    ['V3, V4: too hot', 'V5: too slow']
    """
    by_words: dict[str, list[str]] = {}
    for part, words in found:
        by_words.setdefault(words, []).append(part)
    return [f"{', '.join(parts)}: {words}" for words, parts in by_words.items()]


def shares(before: SupplyReport, after: SupplyReport) -> tuple[list[str], Array, list[tuple[str, str]]]:
    """Ratings that a change uses more than before: places, shares (J, N), words.

    What was beyond its rating already is held against what it used before.
    """
    count = after.amp.batch or 1
    was = {c.key: float(np.asarray(c.share)) for c in limits(before.report)}
    places: list[str] = []
    rows: list[Array] = []
    words: list[tuple[str, str]] = []
    for c in limits(after.report):
        old = was.get(c.key, 0.0)
        share = np.broadcast_to(np.asarray(c.share, float), (count,))
        if np.any(share > old * 1.001):
            places.append(f"{c.part} {c.what}")
            rows.append(share / max(1.0, old * 1.001))
            words.append((c.part, f"{c.what} beyond its rating"))
    for old_one, new_one in zip(before.filters, after.filters, strict=True):
        limit = _surge_limit(new_one)
        if np.isfinite(limit):
            share = np.broadcast_to(np.asarray(new_one.cold_v, float) / limit, (count,))
            places.append(f"{new_one.capacitor} before the tubes are warm")
            rows.append(share / max(1.0, float(np.asarray(old_one.cold_v)) / limit * 1.001))
            words.append((new_one.capacitor, f"surge before the tubes are warm beyond {limit:.0f} V"))
    return places, np.array(rows).reshape(len(places), count), words


def _surge_limit(one: Any) -> float:
    """Surge voltage stated, else 1.1 times the rating."""
    stated, rated = (float(np.asarray(v).reshape(-1)[0]) for v in (one.surge_v, one.rated_v))
    return stated if np.isfinite(stated) else SURGE_SHARE * rated


def ripples(before: SupplyReport, after: SupplyReport) -> Array:
    """Ripple of the rail that ripples most, against before, (N,)."""
    first = max(before.filters, key=lambda one: float(np.asarray(one.ripple_pp_v)))
    new = np.asarray(after.filter(first.capacitor).ripple_pp_v)
    return np.broadcast_to(new / float(np.asarray(first.ripple_pp_v)), (after.amp.batch or 1,))
