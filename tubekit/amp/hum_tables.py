"""How hum is printed: by where it comes from, by which way, by frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.strays import PICKUP_F
from tubekit.text import Column, Table

if TYPE_CHECKING:
    from tubekit.amp.hum import Hum, HumSource

NOTE = (
    "Alone: with the other ways stilled. Share: its part of the whole, in phase with it; what is negative "
    f"cancels.\nHeater couplings, wiring and pick-up ({PICKUP_F * 1e12:g} pF to a live wire, no clipping) "
    "are usual values (common practice). Magnetic fields and ground loops are left out."
)


def hum_tables(found: Hum) -> list[Table]:
    """By rail, by way, by frequency."""
    return [_by_rail(found), _by_way(found), _by_frequency(found)]


def _by_rail(found: Hum) -> Table:
    rows = []
    for (kind, node), volts in found.together().items():
        size = np.sqrt((np.abs(volts) ** 2).sum(axis=1))
        largest = np.max([each.rms for each in _ways_of(found, kind, node)], axis=0)
        rows.append((node, kind, largest, size, found.db(size)))
    rows.sort(key=lambda row: -float(np.max(row[3])))
    rows.append(("open lead in the input", "pick-up", None, found.pickup_v, found.db(found.pickup_v)))
    heads = (Column("from"), Column("kind"), Column("largest way alone", "V"), Column("all its ways", "V"),
             Column("against 1 W", "dB", format=".0f"))  # fmt: skip
    return Table("Hum at the loudspeaker, by where it comes from", heads, rows, key="rails")


def _ways_of(found: Hum, kind: str, node: str) -> list[HumSource]:
    return [each for each in found.sources if each.kind == kind and (kind == "heater" or each.node == node)]


def _by_way(found: Hum) -> Table:
    order = sorted(found.sources, key=lambda each: -float(np.max(each.rms)))[:14]
    rows = [
        (each.part, each.node, each.into, each.rms, found.db(each.rms), 100 * found.share(each))
        for each in order
    ]
    heads = (Column("through"), Column("from"), Column("into"), Column("alone", "V"),
             Column("against 1 W", "dB", format=".0f"), Column("share", "%", format="+.0f"))  # fmt: skip
    return Table("By which way", heads, rows, note=NOTE)


def _by_frequency(found: Hum) -> Table:
    sizes = np.abs(found.total)
    order = [k for k in np.argsort(-sizes.max(axis=0))[:6] if sizes[:, k].max() > 0]
    rows = [(float(found.frequencies_hz[k]), sizes[:, k], found.db(sizes[:, k])) for k in sorted(order)]
    heads = (Column("frequency", "Hz"), Column("hum", "V"), Column("against 1 W", "dB", format=".0f"))
    return Table("By frequency", heads, rows)
