"""One tube in the textbook stage that a handbook row describes, for comparing laws with rows.

These are bare stages with ideal transformers and bypassed cathodes. Whole amps are solved elsewhere.
Every function returns plain numbers in SI units by quantity: 'plate', 'screen' (currents), 'gm', 'rp',
'mu', 'gain', 'power', and 'plate_full', 'screen_full' (mean currents at full drive).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

from tubekit.devices.law import FloatArray, Law

_ANGLES = (np.arange(16) + 0.5) * (2.0 * np.pi / 16)  # one cycle of drive; exact to the 7th harmonic
_SINE = np.sin(_ANGLES)


def voltages(law: Law, plate: float, grid: float, screen: float | None = None) -> FloatArray:
    """Voltages to cathode in the order of the law's terminals."""
    if "screen" in law.terminals:
        return np.array([plate, np.nan if screen is None else screen, grid])
    return np.array([plate, grid])


def point(law: Law, plate: float, grid: float, screen: float | None = None) -> dict[str, float]:
    """Currents and slopes at fixed voltages to cathode [V]."""
    i, g = law.evaluate(voltages(law, plate, grid, screen))
    gm, gp = float(g[0, -1]), float(g[0, 0])
    found = {"plate": float(i[0]), "gm": gm, "rp": 1.0 / gp, "mu": gm / gp}
    return found if screen is None else found | {"screen": float(i[1])}


def strapped(law: Law, plate: float, grid: float) -> dict[str, float]:
    """As `point`, for a pentode whose screen is tied to its plate."""
    i, g = law.evaluate(voltages(law, plate, grid, plate))
    gm, gp = float(np.sum(g[:2, 2])), float(np.sum(g[:2, :2]))
    return {"plate": float(i[0] + i[1]), "gm": gm, "rp": 1.0 / gp, "mu": gm / gp}


def self_biased(
    law: Law, plate: float, cathode_ohms: float, screen: float | None = None, tubes: int = 1
) -> dict[str, float]:
    """As `point`, where the current of `tubes` equal tubes through `cathode_ohms` makes the bias.

    `plate` and `screen` are to the cathode [V].
    """
    bias = _bias(law, lambda _: voltages(law, plate, 0.0, screen), cathode_ohms * tubes, plate)
    return point(law, plate, -bias, screen)


def rc_coupled(
    law: Law, supply: float, plate_ohms: float, cathode_ohms: float, next_grid_ohms: float
) -> dict[str, float]:
    """Plate current and midband gain of a triode stage with bypassed cathode."""

    def at(current: float) -> FloatArray:
        return voltages(law, supply - current * (plate_ohms + cathode_ohms), 0.0)

    bias = _bias(law, at, cathode_ohms, supply)
    found = point(law, float(at(bias / cathode_ohms)[0]), -bias)
    load = 1.0 / plate_ohms + 1.0 / next_grid_ohms + 1.0 / found["rp"]
    return {"plate": found["plate"], "gain": found["gm"] / load}


def single_ended(law: Law, plate: float, screen: float, grid: float, load_ohms: float) -> dict[str, float]:
    """Output stage with an ideal transformer, driven to zero bias by a sine.

    The mean plate voltage is that of the supply, so the load line turns about the mean current.
    """
    v = np.empty((_ANGLES.size, 3))
    v[:, 0], v[:, 1], v[:, 2] = plate, screen, grid - grid * _SINE
    mean = point(law, plate, grid, screen)["plate"]
    for _ in range(8):

        def over(plates: FloatArray, mean: float = mean) -> tuple[FloatArray, FloatArray]:
            v[:, 0] = plates
            i, g = law.evaluate(v)
            return plates - plate + load_ohms * (i[:, 0] - mean), 1.0 + load_ohms * g[:, 0, 0]

        v[:, 0] = _root(over, 0.0, plate + load_ohms * mean, v[:, 0])
        i, g = law.evaluate(v)
        # Newton's rule for the mean: raised by an ampere, it comes back raised by 1 - freedom.
        freedom = np.mean(1.0 / (1.0 + load_ohms * g[:, 0, 0]))
        change = (i[:, 0].mean() - mean) / freedom
        mean += change
        if abs(change) < 1e-9 * mean:
            break
    peak = 2.0 * float(np.mean(i[:, 0] * _SINE))
    full = {"plate_full": float(i[:, 0].mean()), "screen_full": float(i[:, 1].mean())}
    return point(law, plate, grid, screen) | full | {"power": 0.5 * load_ohms * peak**2}


def push_pull(
    law: Law, plate: float, screen: float, grid: float, plate_to_plate_ohms: float
) -> dict[str, float]:
    """Two equal tubes, ideal transformer, each driven to zero bias; currents are of one tube at rest.

    The full-drive currents and the power are of both, as handbooks print them.
    """
    load = 0.25 * plate_to_plate_ohms  # what the difference of the two plate currents sees
    v = np.empty((2, _ANGLES.size, 3))
    v[..., 1] = screen
    v[0, :, 2], v[1, :, 2] = grid - grid * _SINE, grid + grid * _SINE

    def over(swing: FloatArray) -> tuple[FloatArray, FloatArray]:
        v[0, :, 0], v[1, :, 0] = plate - swing, plate + swing
        i, g = law.evaluate(v)
        return swing - load * (i[0, :, 0] - i[1, :, 0]), 1.0 + load * g[..., 0, 0].sum(axis=0)

    swing = _root(over, -plate, plate, np.zeros(_ANGLES.size))
    over(swing)
    i, _ = law.evaluate(v)
    peak = 2.0 * float(np.mean(swing * _SINE))
    full = {"plate_full": 2.0 * float(i[..., 0].mean()), "screen_full": 2.0 * float(i[..., 1].mean())}
    return point(law, plate, grid, screen) | full | {"power": 0.5 * peak**2 / load}


def _bias(law: Law, at: Callable[[float], FloatArray], ohms: float, most: float) -> float:
    """Volts across a cathode resistor of `ohms`, where `at(current)` gives the other voltages."""

    def surplus(bias: float) -> float:
        v = at(bias / ohms)
        v[-1] = -bias
        return float(np.sum(law.evaluate(v)[0])) * ohms - bias

    return float(brentq(surplus, 0.0, most, xtol=1e-10))


def _root(
    function: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    low: float,
    high: float,
    start: FloatArray,
) -> FloatArray:
    """Root of a rising function at every angle: Newton's rule inside a bracket that it may not leave."""
    below, above = np.full(_ANGLES.size, low), np.full(_ANGLES.size, high)
    x = np.clip(start, low, high)
    for _ in range(60):
        y, slope = function(x)
        below, above = np.where(y < 0.0, x, below), np.where(y < 0.0, above, x)
        tried = x - y / slope
        inside = (tried >= below) & (tried <= above)
        last, x = x, np.where(inside, tried, 0.5 * (below + above))
        if np.max(np.abs(x - last)) < 1e-6:  # volts; the next step would be of the order of its square
            break
    return x
