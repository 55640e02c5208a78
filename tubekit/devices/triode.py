"""Triode: three-halves-like cathode current, shared with a grid that conducts when it is positive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tubekit.devices.law import (
    FloatArray,
    Parameter,
    ParameterLaw,
    closing,
    corner,
    ramp,
    split_grid,
    three_halves,
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Triode(ParameterLaw):
    r"""Space-charge law of a triode with a soft cut-off.

    Cathode current  ``i_k = G·u**γ``,  ``u = s·ln(1 + exp((v_g + φ + v_p/μ)/s))``: Child-Langmuir
    current of the equivalent diode (textbook exponent 1.5). The corner at cut-off is rounded because
    the grid's pitch is not even: where it is wide current still flows when the rest is shut, and the
    more so the higher the plate voltage, ``s = s_0 + ε·v_p/μ``. The grid takes ``g = G_g·w**1.5``,
    ``w = s_g·ln(1 + exp((v_g + φ_g)/s_g))``, out of it (`law.split_grid`), and the plate
    collects nothing below 0 V (`law.closing`).

    Parameters
    ----------
    perveance : G [A/V^γ].
    mu : amplification factor μ of the grid where nothing is cut off.
    exponent : γ.
    offset : φ, contact potential and initial velocity [V].
    softness : s_0, least width of the cut-off corner [V].
    unevenness : ε, how far 1/μ differs along the grid, relative.
    grid_perveance : G_g [A/V^1.5]; 0 for a grid that never conducts.
    grid_offset : φ_g [V].
    grid_softness : s_g [V].
    gate : plate voltage at which half of the current is collected [V].

    Terminals are plate and grid, voltages to cathode. Finite, smooth and, in the plate voltage,
    rising for any voltages; fitted tubes state in the catalogue where they were checked.

    Examples
    --------
    >>> law = Triode(perveance=1e-3, mu=100, exponent=1.5, grid_perveance=0)
    >>> current, slope = law.evaluate(np.array([250.0, -1.5]))
    >>> (current * 1e3).round(3)  # mA, to the plate and to the grid
    array([1., 0.])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "grid")
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset({"perveance", "mu", "exponent", "grid_softness", "gate"})
    not_negative: ClassVar[frozenset[str]] = frozenset({"softness", "unevenness", "grid_perveance"})

    perveance: Parameter
    mu: Parameter
    exponent: Parameter = 1.5
    offset: Parameter = 0.0
    softness: Parameter = 0.1
    unevenness: Parameter = 0.0
    grid_perveance: Parameter = 1e-3
    grid_offset: Parameter = 0.0
    grid_softness: Parameter = 0.1
    gate: Parameter = 4.0

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents into plate and grid [A], shape (..., 2), and slopes [S], shape (..., 2, 2)."""
        plate, grid = v[..., 0], v[..., 1]
        risen, drisen = ramp(plate, self.gate)
        uneven = self.unevenness / self.mu
        drive, per_volt, per_width = corner(
            grid + self.offset + plate / self.mu, self.softness + uneven * risen
        )
        by_plate = per_volt / self.mu + per_width * (uneven * drisen)
        rate = self.perveance * drive ** (self.exponent - 1.0)
        space = rate * drive
        rate *= self.exponent  # dspace per volt of drive
        wanted, dwanted = three_halves(grid + self.grid_offset, self.grid_perveance, self.grid_softness)
        rest, taken, p, q = split_grid(space, wanted)
        factor, dfactor = closing(plate, self.gate)

        taken_by_drive = q * q * rate
        taken_by_grid = p * p * dwanted
        rest_by_drive = p * (1.0 + q) * rate
        i = np.empty(v.shape)
        g = np.empty((*v.shape, 2))
        np.multiply(rest, factor, out=i[..., 0])
        i[..., 1] = taken
        g[..., 0, 0] = factor * rest_by_drive * by_plate + dfactor * rest
        g[..., 0, 1] = factor * (rest_by_drive * per_volt - taken_by_grid)
        g[..., 1, 0] = taken_by_drive * by_plate
        g[..., 1, 1] = taken_by_drive * per_volt + taken_by_grid
        return i, g
