"""How hum is printed: by where it comes from, by which way, by frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tubekit.amp.strays import PICKUP_F, tubes
from tubekit.text import Table, headed
from tubekit.units import show

if TYPE_CHECKING:
    from tubekit.amp.hum import Hum, HumSource

CANCELS = 1.5
"""From this ratio of all ways alone to the whole on, that they cancel is said."""
NOTE = (
    "Alone: this path by itself. Heater couplings, wiring and pick-up "
    f"({PICKUP_F * 1e12:g} pF to a live wire, no clipping) are usual values (common practice). "
    "Magnetic fields and ground loops are left out."
)
FIELD_NOTE = " Hum from ripple in a field coil is left out too."
FILAMENT_NOTE = (
    " The middle of a filament counts as its cathode; its hum at twice the line frequency is left out."
)


def hum_tables(hum: Hum) -> list[Table]:
    """By rail, by way, by frequency."""
    return [_by_rail(hum), _by_way(hum), _by_frequency(hum)]


def _by_rail(hum: Hum) -> Table:
    rows: list[tuple[Any, ...]] = []
    for (kind, node), volts in hum.together().items():
        size = np.sqrt((np.abs(volts) ** 2).sum(axis=1))
        largest = np.max([each.rms for each in _ways_of(hum, kind, node)], axis=0)
        if np.any(size > 0):  # what gets in nowhere has no level
            rows.append((node, kind, largest, size, hum.db(size)))
    rows.sort(key=lambda row: -float(np.max(row[3])))
    where = f"{hum.view.jack.designator}, open" if hum.open_input else "extra, if the input lead is open"
    if np.any(hum.pickup_v):
        rows.append((where, "stray pick-up", None, hum.pickup_v, hum.db(hum.pickup_v)))
    if hum.noise_v is not None:
        rows.append((where, "noise of the amp", None, hum.noise_v, hum.db(hum.noise_v)))
    heads = headed("source", "kind", "largest single path [V] tiny", "total [V] tiny", _re(hum))
    title, note = f"Hum at the {hum.view.output_words} by source", hum.view.input_words
    return Table(title, heads, rows, note=note, key="rails")


def _re(hum: Hum) -> str:
    """Head of the column of levels in decibels."""
    return f"relative to 1 {hum.view.unit} [dB] .0f"


def _ways_of(hum: Hum, kind: str, node: str) -> list[HumSource]:
    return [each for each in hum.sources if each.kind == kind and (kind == "heater" or each.node == node)]


def _by_way(hum: Hum) -> Table:
    heard = [each for each in hum.sources if np.nanmax(each.rms) > 0]
    order = sorted(heard, key=lambda each: -float(np.nanmax(each.rms)))[:14]
    rows = [(each.part, each.node, each.into, each.rms, hum.db(each.rms)) for each in order]
    heads = headed("through", "from", "into", "by itself [V] tiny", _re(hum))
    filament = any(tube.filament for tube in tubes(hum.amp))
    field = any(getattr(part, "field_of", "") for part in hum.amp.parts.values())
    words = NOTE + filament * FILAMENT_NOTE + field * FIELD_NOTE
    note = "\n".join(each for each in (_cancelling(hum), words) if each)
    return Table("Hum by path", heads, rows, note=note)


def _cancelling(hum: Hum) -> str:
    """What the whole owes to ways that cancel, as in a push-pull pair."""
    alone = float(np.max(np.sqrt(sum(each.rms**2 for each in hum.sources))))
    whole = float(np.max(hum.total_rms))
    if not alone > CANCELS * whole:
        return ""
    return (
        f"Paths cancel: without canceling they would add up to {show(alone, 'V RMS')}; together they make "
        f"{show(whole, 'V RMS')}. When a pair drifts out of match, you hear the difference."
    )


def _by_frequency(hum: Hum) -> Table:
    sizes = np.abs(hum.total)
    order = [k for k in np.argsort(-sizes.max(axis=0))[:6] if sizes[:, k].max() > 0]
    rows = [(float(hum.frequencies_hz[k]), sizes[:, k], hum.db(sizes[:, k])) for k in sorted(order)]
    heads = headed("frequency [Hz]", "hum [V] tiny", _re(hum))
    return Table("By frequency", heads, rows)
