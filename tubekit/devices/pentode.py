"""Pentode and beam tetrode: one cathode current, shared between plate and screen by a moving knee."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tubekit.devices.law import (
    _LARGEST_LOG,
    _TINY,
    FloatArray,
    Parameter,
    ParameterLaw,
    closing,
    softplus,
    split_grid,
    three_halves,
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Pentode(ParameterLaw):
    r"""Space-charge law of a pentode or beam tetrode.

    Cathode current  ``i_k = G·u**γ``,
    ``u = s·ln(1 + exp((v_g + φ + v_s/μ_s + v_p/μ_p)/s))``; the grid takes its part out of it as in a
    triode. What is left is shared so that plate + screen is the whole of it:

    ``i_s / i_p = σ·S·((1 + v_p/v_s)/2)**-b + (k·u/v_p)**m``,  ``σ = 1/(1 + (D/d)**a)``,
    ``d = μ_s·u/v_s``

    The first term is the screen's share above the knee: it rises to S with the relative drive d and
    falls slowly with the plate voltage. The second is the knee itself, at a plate voltage ``k·u``.
    Both depend on ratios of voltages alone, as the paths of the electrons do (similitude in
    electrostatics; the form is the project's own). Nothing is collected at or below 0 V of plate
    (all goes to the screen) or of screen.

    Parameters
    ----------
    perveance : G [A/V^γ].
    mu_screen, mu_plate : amplification factors μ_s, μ_p of the control grid to screen and plate.
    exponent, offset, softness : γ, φ [V] and s [V] as in a triode.
    share, share_half, share_drive, share_fall : S, D, a and b.
    knee, knee_sharpness : k and m.
    grid_perveance, grid_offset, grid_softness : as in a triode.
    gate : screen voltage at which half of the current flows [V].

    Terminals are plate, screen and grid, voltages to cathode. Finite and smooth for any voltages;
    plate current rises with plate voltage, screen current with screen voltage, the cathode current
    with every voltage.

    Examples
    --------
    >>> law = Pentode(perveance=9e-4, mu_screen=10, mu_plate=250)
    >>> current, slope = law.evaluate(np.array([250.0, 250.0, -12.5]))
    >>> (current * 1e3).round(2)  # mA
    array([40.49,  4.14,  0.  ])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "screen", "grid")
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset(
        {"perveance", "mu_screen", "mu_plate", "exponent", "share_half", "knee", "grid_softness", "gate"}
    )

    perveance: Parameter
    mu_screen: Parameter
    mu_plate: Parameter
    exponent: Parameter = 1.5
    offset: Parameter = 0.0
    softness: Parameter = 0.5
    share: Parameter = 0.15
    share_half: Parameter = 0.45
    share_drive: Parameter = 4.0
    share_fall: Parameter = 0.5
    knee: Parameter = 0.6
    knee_sharpness: Parameter = 2.0
    grid_perveance: Parameter = 1e-3
    grid_offset: Parameter = 0.0
    grid_softness: Parameter = 0.2
    gate: Parameter = 4.0

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents into plate, screen and grid [A], shape (..., 3), and slopes [S], (..., 3, 3)."""
        plate, screen, grid = v[..., 0], v[..., 1], v[..., 2]
        drive, per_volt = softplus(
            grid + self.offset + screen / self.mu_screen + plate / self.mu_plate, self.softness
        )
        rate = self.perveance * drive ** (self.exponent - 1.0)
        space = rate * drive
        dspace = rate * self.exponent * per_volt  # to a volt on the grid
        wanted, dwanted = three_halves(grid + self.grid_offset, self.grid_perveance, self.grid_softness)
        rest, taken, p, q = split_grid(space, wanted)
        kept, by_drive, by_plate, by_screen = self._plate_share(plate, screen, drive, per_volt)
        opened, dopened = closing(screen, self.gate)

        taken_by_space = q * q * dspace
        taken_by_grid = p * p * dwanted
        rest_by_space = opened * (p * (1.0 + q) * dspace)
        flowing = opened * rest
        shifted = flowing * by_drive  # plate gains this for a volt of drive at unchanged total
        i = np.empty(v.shape)
        g = np.empty((*v.shape, 3))
        i[..., 0] = flowing * kept
        i[..., 1] = flowing * (1.0 - kept)
        i[..., 2] = taken
        # Slopes of the total and of the plate's part of it; the screen has the rest.
        total = (
            rest_by_space / self.mu_plate,
            rest_by_space / self.mu_screen + dopened * rest,
            rest_by_space - opened * taken_by_grid,
        )
        moved = (
            shifted / self.mu_plate + flowing * by_plate,
            shifted / self.mu_screen + flowing * by_screen,
            shifted,
        )
        for k in range(3):
            np.add(kept * total[k], moved[k], out=g[..., 0, k])
            np.subtract(total[k], g[..., 0, k], out=g[..., 1, k])
        g[..., 2, 0] = taken_by_space / self.mu_plate
        g[..., 2, 1] = taken_by_space / self.mu_screen
        g[..., 2, 2] = taken_by_space + taken_by_grid
        return i, g

    def _plate_share(
        self, plate: FloatArray, screen: FloatArray, drive: FloatArray, per_volt: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Plate's share of plate + screen; its slopes to a volt of drive, plate and screen [1/V]."""
        vp, vs = np.maximum(plate, 1e-12), np.maximum(screen, 1e-6)
        both = vp + vs
        log_drive, log_vs = np.log(drive + _TINY), np.log(vs)
        short = self.share_drive * (np.log(self.share_half / self.mu_screen) + log_vs - log_drive)
        sigma = 1.0 / (1.0 + np.exp(np.minimum(short, _LARGEST_LOG)))
        tail = np.exp(-self.share_fall * (np.log(0.5 * both) - log_vs))
        tail *= self.share * sigma
        bend = self.knee_sharpness * (np.log(self.knee) + log_drive - np.log(vp))
        bend = np.exp(np.minimum(bend, _LARGEST_LOG))
        kept = 1.0 / (1.0 + tail + bend)
        tail *= kept * kept  # what a relative rise of either term takes from the plate's share
        bend *= kept
        bend *= kept * self.knee_sharpness
        rise = tail * (self.share_drive * (1.0 - sigma))
        by_drive = (rise + bend) * (-per_volt / (drive + _TINY))
        fall = self.share_fall * tail / both
        return kept, by_drive, fall + bend / vp, (rise - fall * vp) / vs
