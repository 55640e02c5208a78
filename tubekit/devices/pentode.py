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
    corner,
    ramp,
    split_grid,
    three_halves,
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Pentode(ParameterLaw):
    r"""Space-charge law of a pentode or beam tetrode.

    Cathode current  ``i_k = G·u**γ``,
    ``u = s·ln(1 + exp((v_g + φ + v_s/μ_s + v_p/μ_p)/s))``,  ``s = s_0 + ε·v_s/μ_s``: as in a triode, with
    a corner at cut-off that widens with the screen voltage; the grid takes its part out of it.
    Screen and plate get what is left of it, and below the knee less than all of it, because electrons
    that the plate does not take come back, half of them as far as the cathode's space charge:

    ``i_s + i_p = i·(1 + κ)/2``,  ``i_p = (i_s + i_p)·κ/(1 + τ)``

    ``κ = (1 + (v_k/v_p)**m)**(-3/(2m))`` is the knee, ``v_k = k·u + w``: one above it, and below it the
    three-halves law of the plate, which then draws from a virtual cathode.
    ``τ = S·(r + (1 - r)·(2·x)**a)·((1 + v_p/v_s)/2)**-b``, ``x = u/(u + v_s/μ_s)``, is what the screen takes
    above the knee. It falls with the plate voltage and, the more the grids are aligned, with the drive; but
    its wires stand in the stream at any bias, so that a part r = 0.08 of the share S at zero bias is left at
    cut-off. Both depend on ratios of voltages (w aside), as the paths of electrons do: similitude in
    electrostatics; the form is the project's own.
    Nothing is collected at or below 0 V of plate (all goes to the screen) or of screen.

    Parameters
    ----------
    perveance : G [A/V^γ].
    mu_screen, mu_plate : amplification factors μ_s, μ_p of the control grid to screen and plate,
        where nothing is cut off.
    exponent, offset, softness, unevenness : γ, φ [V], s_0 [V] and ε.
    share, share_drive, share_fall : S, a and b.
    knee, knee_sharpness : k and m.
    grid_perveance, grid_offset, grid_softness : as in a triode.
    gate : w, screen voltage at which half of the current flows, and least voltage of the knee [V].

    Terminals are plate, screen and grid, voltages to cathode. Finite and smooth for any voltages;
    plate current rises with plate voltage, and what leaves the cathode with every voltage.

    Examples
    --------
    >>> law = Pentode(perveance=9e-4, mu_screen=10, mu_plate=250)
    >>> current, slope = law.evaluate(np.array([250.0, 250.0, -12.5]))
    >>> (current * 1e3).round(2)  # mA
    array([39.58,  5.05,  0.  ])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "screen", "grid")
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset(
        {
            "perveance", "mu_screen", "mu_plate", "exponent", "knee", "knee_sharpness", "grid_softness",
            "gate",
        }
    )  # fmt: skip
    not_negative: ClassVar[frozenset[str]] = frozenset(
        {"softness", "unevenness", "share", "share_drive", "share_fall", "grid_perveance"}
    )

    perveance: Parameter
    mu_screen: Parameter
    mu_plate: Parameter
    exponent: Parameter = 1.5
    offset: Parameter = 0.0
    softness: Parameter = 0.1
    unevenness: Parameter = 0.0
    share: Parameter = 0.15
    share_drive: Parameter = 0.5
    share_fall: Parameter = 0.5
    knee: Parameter = 1.0
    knee_sharpness: Parameter = 4.0
    grid_perveance: Parameter = 1e-3
    grid_offset: Parameter = 0.0
    grid_softness: Parameter = 0.2
    gate: Parameter = 4.0

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents into plate, screen and grid [A], shape (..., 3), and slopes [S], (..., 3, 3)."""
        plate, screen, grid = v[..., 0], v[..., 1], v[..., 2]
        risen, drisen = ramp(screen, self.gate)
        uneven = self.unevenness / self.mu_screen
        drive, per_volt, per_width = corner(
            grid + self.offset + screen / self.mu_screen + plate / self.mu_plate,
            self.softness + uneven * risen,
        )
        drive += _TINY
        drives = (  # drive per volt of plate, screen and grid
            per_volt / self.mu_plate,
            per_volt / self.mu_screen + per_width * (uneven * drisen),
            per_volt,
        )
        log_drive = np.log(drive)
        space = self.perveance * np.exp(self.exponent * log_drive)
        dspace = self.exponent * (space / drive)
        wanted, dwanted = three_halves(grid + self.grid_offset, self.grid_perveance, self.grid_softness)
        rest, taken, p, q = split_grid(space, wanted)
        vp, vs = np.maximum(plate, _NEAR_ZERO), np.maximum(screen, _NEAR_ZERO)
        knee, by_plate, knee_by_drive = self._knee(vp, drive)
        kept, tail, rising, both = self._above_knee(vp, vs, drive)
        opened, dopened = closing(screen, self.gate)

        taken_by_drive = q * q * dspace
        taken_by_grid = p * p * dwanted
        flowing = opened * rest
        back = 0.5 * knee
        through = 0.5 + back
        collected = knee * kept  # the plate's part of what goes through
        total = flowing * through
        to_plate = total * collected
        i = np.empty(v.shape)
        g = np.empty((*v.shape, 3))
        i[..., 0] = to_plate
        np.subtract(total, to_plate, out=i[..., 1])
        i[..., 2] = taken

        # Slopes of the total and of the plate's part: by drive, then by each voltage at the same drive.
        opened *= through
        back *= flowing
        to_screen = to_plate * kept * tail
        fall = self.share_fall * to_screen / both
        by_share = to_screen * rising
        total_by_drive = opened * (p * (1.0 + q) * dspace) - back * knee_by_drive
        plate_by_drive = collected * total_by_drive - (to_plate * knee_by_drive + by_share / drive)
        back *= by_plate
        self_gain = dopened * rest * through
        lost = opened * taken_by_grid
        direct = (
            (back, collected * back + to_plate * by_plate + fall),
            (self_gain, collected * self_gain + (by_share - fall * vp) / vs),
            (-lost, -collected * lost),
        )
        for k, per_volt in enumerate(drives):
            np.add(plate_by_drive * per_volt, direct[k][1], out=g[..., 0, k])
            np.subtract(total_by_drive * per_volt + direct[k][0], g[..., 0, k], out=g[..., 1, k])
            np.multiply(taken_by_drive, per_volt, out=g[..., 2, k])
        g[..., 2, 2] += taken_by_grid
        return i, g

    def _knee(self, vp: FloatArray, drive: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """κ, d ln κ per volt of plate, and -d ln κ per volt of drive."""
        volts = self.knee * drive + self.gate
        ratio = self.knee_sharpness * np.log(volts / vp)
        bend = np.exp(np.minimum(ratio, _LARGEST_LOG))
        more = 1.0 + bend
        bend *= 1.5 / more
        return np.exp(np.log(more) * (-1.5 / self.knee_sharpness)), bend / vp, bend * (self.knee / volts)

    def _above_knee(
        self, vp: FloatArray, vs: FloatArray, drive: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """1/(1 + τ), τ, how fast its logarithm rises with that of the drive, plate + screen voltage [V]."""
        both, part = vp + vs, drive / (drive + vs / self.mu_screen)
        more = (1.0 - _REST) * np.exp(self.share_drive * np.log(2.0 * part + _TINY))
        level = _REST + more
        tail = self.share * level * np.exp(self.share_fall * np.log(2.0 * vs / both))
        return 1.0 / (1.0 + tail), tail, self.share_drive * more * (1.0 - part) / level, both


_REST = 0.08
_NEAR_ZERO = 1e-20  # volts; logarithms and quotients stay finite
