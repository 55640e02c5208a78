"""Triode: three-halves-like cathode current, shared with a grid that conducts when it is positive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from tubekit.devices.law import Parameter, ParameterLaw, closing, corner, ramp, split_grid, three_halves


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
    >>> import numpy as np
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

    @staticmethod
    def flow(
        plate: Any, grid: Any, perveance: Any, mu: Any, exponent: Any, offset: Any, softness: Any,
        unevenness: Any, grid_perveance: Any, grid_offset: Any, grid_softness: Any, gate: Any,
    ) -> tuple[Any, ...]:  # fmt: skip
        """Currents into plate and grid [A], then their slopes [S]; see `ParameterLaw.flow`."""
        risen, drisen = ramp(plate, gate)
        uneven = unevenness / mu
        drive, per_volt, per_width = corner(grid + offset + plate / mu, softness + uneven * risen)
        by_plate = per_volt / mu + per_width * (uneven * drisen)
        rate = perveance * drive ** (exponent - 1.0)
        space = rate * drive
        rate = rate * exponent  # dspace per volt of drive
        wanted, dwanted = three_halves(grid + grid_offset, grid_perveance, grid_softness)
        rest, taken, p, q = split_grid(space, wanted)
        factor, dfactor = closing(plate, gate)

        taken_by_drive = q * q * rate
        taken_by_grid = p * p * dwanted
        rest_by_drive = p * (1.0 + q) * rate
        return (
            rest * factor, taken,
            factor * rest_by_drive * by_plate + dfactor * rest,
            factor * (rest_by_drive * per_volt - taken_by_grid),
            taken_by_drive * by_plate, taken_by_drive * per_volt + taken_by_grid,
        )  # fmt: skip
