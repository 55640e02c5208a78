"""How far new tubes of one type lie apart: what makers let through, or common practice where none says."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from tubekit.devices.law import Law
from tubekit.devices.output_stage import At, answer
from tubekit.errors import TableError
from tubekit.tables import Row, handbook

IN_LIMITS = 2.576
"""Standard deviations that a maker's limit stands from the mean: it then lets 99 % through (no source)."""
USUAL_SIGMA = 0.10
"""Relative spread of the plate current where no maker states limits: common practice, no source."""


@dataclass(frozen=True)
class Limit:
    """One quantity of a maker's acceptance test; None where a side is open."""

    quantity: str
    low: float | None
    high: float | None
    unit: str


@dataclass(frozen=True, eq=False)
class NewTubeSpread:
    """Plate current of a new tube at fixed voltages, relative to the mean of its type.

    `low` and `high` are the ends of the band that leaves the maker, `sigma` the standard deviation.
    `at` gives the voltages of the test, `limits` everything the maker tests there.
    """

    sigma: float = USUAL_SIGMA
    low: float = 1.0 - IN_LIMITS * USUAL_SIGMA
    high: float = 1.0 + IN_LIMITS * USUAL_SIGMA
    status: str = "common practice"
    source: str = "no source: new tubes of one type within about a quarter of the mean"
    at: Mapping[str, float] | None = None
    limits: tuple[Limit, ...] = ()


def spread_of(maker_tube: str, law: Law) -> NewTubeSpread:
    """The spread by the limits of one maker's tube, relative to what the law gives at the test point.

    Raises
    ------
    TableError : no such tube in the table, or no limits of its plate current.
    """
    rows = handbook("tube_spread_limits", maker_tube=maker_tube)
    currents = [row for row in rows if row.text("quantity") == "plate current"]
    if not currents:
        raise TableError(
            f"there are no limits of the plate current of '{maker_tube}'",
            where="data/handbook/tube_spread_limits.csv",
            part="spread",
        )
    row = currents[0]
    at = point_of(row.text("test_point"))
    mean = answer(law, At(at["plate"], at["grid"], at.get("screen")))["plate"]
    low, high = (row.number(end) * 1e-3 / mean for end in ("min", "max"))
    return NewTubeSpread(
        sigma=(high - low) / (2.0 * IN_LIMITS),
        low=low,
        high=high,
        status=row.status,
        source=row.source,
        at=at,
        limits=tuple(_limit(each) for each in rows),
    )


def _limit(row: Row) -> Limit:
    low, high = (row.number(end) if row[end] is not None else None for end in ("min", "max"))
    return Limit(row.text("quantity"), low, high, row.text("unit"))


def point_of(words: str) -> dict[str, float]:
    """Voltages of '250/265 V, -13.5 V': plate, screen where there are two, and grid.

    Examples
    --------
    >>> point_of("250/265 V, -13.5 V")
    {'plate': 250.0, 'screen': 265.0, 'grid': -13.5}
    """
    match = re.fullmatch(r"([0-9.]+)(?:/([0-9.]+))? V, (-?[0-9.]+) V", words)
    if match is None:
        raise TableError(
            f"cannot read the test point '{words}'", where="data/handbook/tube_spread_limits.csv"
        )
    screen = {} if match[2] is None else {"screen": float(match[2])}
    return {"plate": float(match[1])} | screen | {"grid": float(match[3])}
