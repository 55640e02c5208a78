"""Pentode and beam tetrode: one cathode current, shared between plate and screen by a moving knee."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from tubekit.devices.law import (
    _LARGEST_LOG,
    _TINY,
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

    @staticmethod
    def flow(
        plate: Any, screen: Any, grid: Any, perveance: Any, mu_screen: Any, mu_plate: Any, exponent: Any,
        offset: Any, softness: Any, unevenness: Any, share: Any, share_drive: Any, share_fall: Any, knee: Any,
        knee_sharpness: Any, grid_perveance: Any, grid_offset: Any, grid_softness: Any, gate: Any,
    ) -> tuple[Any, ...]:  # fmt: skip
        """Currents into plate, screen and grid [A], then their slopes [S]; see `ParameterLaw.flow`."""
        risen, drisen = ramp(screen, gate)
        uneven = unevenness / mu_screen
        drive, per_volt, per_width = corner(
            grid + offset + screen / mu_screen + plate / mu_plate, softness + uneven * risen
        )
        drive = drive + _TINY
        by_screen = per_volt / mu_screen + per_width * (uneven * drisen)  # drive per volt of screen
        space = perveance * np.exp(exponent * np.log(drive))
        dspace = exponent * (space / drive)
        wanted, dwanted = three_halves(grid + grid_offset, grid_perveance, grid_softness)
        rest, taken, p, q = split_grid(space, wanted)
        vp, vs = np.maximum(plate, _NEAR_ZERO), np.maximum(screen, _NEAR_ZERO)
        returned, by_plate, knee_by_drive = below_knee(vp, drive, knee, knee_sharpness, gate)
        kept, tail, rising, both = above_knee(vp, vs, drive, mu_screen, share, share_drive, share_fall)
        opened, dopened = closing(screen, gate)

        taken_by_drive = q * q * dspace
        taken_by_grid = p * p * dwanted
        flowing = opened * rest
        through = 0.5 + 0.5 * returned
        collected = returned * kept  # the plate's part of what goes through
        total = flowing * through
        to_plate = total * collected

        # Slopes of the total and of the plate's part: by drive, then by each voltage at the same drive.
        opened = opened * through
        back = 0.5 * returned * flowing
        to_screen = to_plate * kept * tail
        fall = share_fall * to_screen / both
        by_share = to_screen * rising
        total_by_drive = opened * (p * (1.0 + q) * dspace) - back * knee_by_drive
        plate_by_drive = collected * total_by_drive - (to_plate * knee_by_drive + by_share / drive)
        back = back * by_plate
        self_gain = dopened * rest * through
        lost = opened * taken_by_grid
        plate_by_plate = (
            plate_by_drive * (per_volt / mu_plate) + collected * back + to_plate * by_plate + fall
        )
        plate_by_screen = plate_by_drive * by_screen + collected * self_gain + (by_share - fall * vp) / vs
        plate_by_grid = plate_by_drive * per_volt - collected * lost
        return (
            to_plate, total - to_plate, taken,
            plate_by_plate, plate_by_screen, plate_by_grid,
            total_by_drive * (per_volt / mu_plate) + back - plate_by_plate,
            total_by_drive * by_screen + self_gain - plate_by_screen,
            total_by_drive * per_volt - lost - plate_by_grid,
            taken_by_drive * (per_volt / mu_plate), taken_by_drive * by_screen,
            taken_by_drive * per_volt + taken_by_grid,
        )  # fmt: skip


_REST = 0.08
_NEAR_ZERO = 1e-20  # volts; logarithms and quotients stay finite


def below_knee(vp: Any, drive: Any, knee: Any, sharpness: Any, least: Any) -> tuple[Any, Any, Any]:
    """κ, d ln κ per volt of plate, and -d ln κ per volt of drive."""
    volts = knee * drive + least
    bend = np.exp(np.minimum(sharpness * np.log(volts / vp), _LARGEST_LOG))
    more = 1.0 + bend
    bend = bend * (1.5 / more)
    return np.exp(np.log(more) * (-1.5 / sharpness)), bend / vp, bend * (knee / volts)


def above_knee(
    vp: Any, vs: Any, drive: Any, mu_screen: Any, share: Any, share_drive: Any, share_fall: Any
) -> tuple[Any, Any, Any, Any]:
    """1/(1 + τ), τ, how fast its logarithm rises with that of the drive, plate + screen voltage [V]."""
    both, part = vp + vs, drive / (drive + vs / mu_screen)
    more = (1.0 - _REST) * np.exp(share_drive * np.log(2.0 * part + _TINY))
    level = _REST + more
    tail = share * level * np.exp(share_fall * np.log(2.0 * vs / both))
    return 1.0 / (1.0 + tail), tail, share_drive * more * (1.0 - part) / level, both
