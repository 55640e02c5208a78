"""What hums, ranked: the rows of the hum figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.amp.hum import Hum
from tubekit.amp.hum_balance import HumBalance

ROWS = 7
SAYS = {"rail": "ripple of {}", "bias": "bias supply, {}", "heater": "heaters", "mains": "line at {}"}


@dataclass(frozen=True)
class Source:
    """One source in the list: what it makes by all its ways [V rms], and its largest way alone."""

    name: str
    volts: float
    alone: float
    through: str
    decibels: float


def sources(hum: Hum, member: int = 0) -> tuple[Source, ...]:
    """Sources, the largest first.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.amp.hum import hum
    >>> [each.name for each in sources(hum(load_amp("teasel")))][:2]
    ['heaters', 'ripple of B1']
    """
    rows = []
    for (kind, node), phasors in hum.together().items():
        ways = [w for w in hum.sources if w.kind == kind and (kind == "heater" or w.node == node)]
        largest = max(ways, key=lambda each: float(each.rms[member]))
        volts = np.sqrt((np.abs(phasors) ** 2).sum(axis=1))
        rows.append(
            Source(
                SAYS.get(kind, "{}").format(node), float(volts[member]), float(largest.rms[member]),
                largest.part, float(hum.db(volts)[member]),
            )
        )  # fmt: skip
    return tuple(sorted(rows, key=lambda row: -row.volts))


@dataclass(frozen=True, eq=False)
class HumState:
    """What is drawn: hum as it stands and, where the amp has a balance control, the turn of it."""

    hum: Hum
    balance: HumBalance | None = None
    position: float = 0.5


def with_the_whole(hum: Hum) -> tuple[Source, ...]:
    """The whole, then the sources."""
    total = hum.total_rms
    whole = Source("total hum", float(total[0]), 0.0, "", float(hum.db(total)[0]))
    return (whole, *sources(hum)[:ROWS])
