"""How far good tubes of one type differ: makers' test limits, carried over to the law's parameters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from tubekit.devices import catalogue
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.tables import handbook

LIKE = {
    "6V6GT": "6V6EH", "6V6GTA": "6V6EH", "EL34": "EL34EH", "6SN7GT": "6SN7EH", "6SN7GTB": "6SN7EH",
}  # fmt: skip
"""Types whose own limits were to be had, by the name they have in the table."""
STAND_IN = {"triode": "6SN7EH", "pentode": "6V6EH"}
"""Limits taken for every other triode, pentode or beam tetrode; they are not that type's own."""
SCREEN_NOMINAL_MA = {"6V6EH": 4.5, "EL34EH": 14.9}
"""Screen current of the mean tube at the test point, where only the greatest is published [mA]."""


@dataclass(frozen=True)
class TubeSpread:
    """Standard deviations of a type's natural logarithms: of emission, of mu, of the screen's share.

    `limits` is the test limit of plate current, as a fraction either way; `source` says whose it is.
    """

    emission: float
    mu: float
    screen: float
    limits: float
    source: str


@cache
def tube_spread(type_: str) -> TubeSpread:
    """The spread of a type from published test limits.

    Test limits are taken to stand at two standard deviations of plate current (common practice, no
    source); half of its variance is given to emission, half to mu.

    Examples
    --------
    >>> spread = tube_spread("6V6GT")
    >>> round(spread.limits, 2), round(spread.emission, 3)
    (0.28, 0.1)
    """
    tube = catalogue.tube(type_)
    family = "triode" if isinstance(tube.law, Triode) else "pentode"
    maker = LIKE.get(tube.type, STAND_IN[family])
    limits = _half_range(maker, "plate current")
    whose = f"{maker} test limits" + ("" if tube.type in LIKE else ", standing in for this type")
    each = 0.5 * limits / np.sqrt(2.0)
    screen = 0.0
    if isinstance(tube.law, Pentode):
        screen = _screen(maker)
    return TubeSpread(float(each), float(each / _current_per_mu(type_)), screen, limits, whose)


def _row(maker: str, quantity: str) -> tuple[float | None, float | None]:
    for row in handbook("tube_spread_limits", maker_tube=maker):
        if row["quantity"] == quantity:
            low, high = row["min"], row["max"]
            return (low if isinstance(low, float) else None, high if isinstance(high, float) else None)
    return None, None


def _half_range(maker: str, quantity: str) -> float:
    low, high = _row(maker, quantity)
    assert low is not None, maker  # both stand in the table for every maker used here
    assert high is not None, maker
    return (high - low) / (high + low)


def _screen(maker: str) -> float:
    _, high = _row(maker, "screen current")
    return 0.5 * float(np.log(high / SCREEN_NOMINAL_MA[maker])) if high else 0.2


def _current_per_mu(type_: str) -> float:
    """Relative change of plate current for a relative change of mu, amid the voltages of the type's rows."""
    tube = catalogue.tube(type_)
    law = tube.law
    middle = {name: 0.5 * (low + high) for name, (low, high) in tube.valid.items()}
    v = np.array([middle.get(name, {"grid": -2.0}.get(name, 250.0)) for name in law.terminals])
    step = 1e-4
    name = "mu" if isinstance(law, Triode) else "mu_screen"
    value = np.asarray(law.parameters()[name])
    high, low = (
        float(replace(law, **{name: value * (1 + s)}).evaluate(v)[0][0])  # type: ignore[arg-type]
        for s in (step, -step)
    )
    return abs((high - low) / (2 * step) / (0.5 * (high + low)))
