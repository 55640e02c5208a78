"""Tube laws of another form than those that judge: the plain three-halves law of the textbooks.

Each is made to meet current and transconductance of the mean tube at one point (its idle point), so that the
amp is the same amp; away from that point it goes its own way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tubekit.devices.law import FloatArray, Law, Parameter, ParameterLaw, softplus
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode


@dataclass(frozen=True, eq=False, kw_only=True)
class PlainTriode(ParameterLaw):
    """i = G (v_g + φ + v_p/μ)^1.5, a sharp corner, a grid that conducts linearly above 0 V."""

    terminals: ClassVar[tuple[str, ...]] = ("plate", "grid")
    perveance: Parameter
    mu: Parameter
    offset: Parameter

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        plate, grid = v[..., 0], v[..., 1]
        drive, slope = softplus(grid + self.offset + plate / self.mu, 0.15)
        open_, dopen = _knee(plate)
        base = self.perveance * drive**1.5
        per_drive = 1.5 * self.perveance * np.sqrt(drive) * slope * open_
        taken, dtaken = softplus(grid, 0.1)
        i, g = np.zeros(v.shape), np.zeros((*v.shape, 2))
        i[..., 0], i[..., 1] = base * open_, taken * 5e-4
        g[..., 0, 0], g[..., 0, 1] = per_drive / self.mu + base * dopen, per_drive
        g[..., 1, 1] = dtaken * 5e-4
        return i, g


@dataclass(frozen=True, eq=False, kw_only=True)
class PlainPentode(ParameterLaw):
    """Space current G (v_g + φ + v_s/μ)^1.5; the screen's share is fixed above a knee that does not move."""

    terminals: ClassVar[tuple[str, ...]] = ("plate", "screen", "grid")
    perveance: Parameter
    mu_screen: Parameter
    offset: Parameter
    share: Parameter

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        plate, screen, grid = v[..., 0], v[..., 1], v[..., 2]
        drive, slope = softplus(grid + self.offset + screen / self.mu_screen, 0.6)
        open_, dopen = _knee(screen)
        base = self.perveance * drive**1.5
        space, per_drive = base * open_, 1.5 * self.perveance * np.sqrt(drive) * slope * open_
        above = np.maximum(plate, 0.0)
        part = above**2 / (above**2 + 900.0)
        dpart = 2 * above * 900.0 / (above**2 + 900.0) ** 2
        kept = part / (1 + np.asarray(self.share))
        dkept = dpart / (1 + np.asarray(self.share))
        taken, dtaken = softplus(grid, 0.2)
        by_screen = per_drive / self.mu_screen + base * dopen
        i, g = np.zeros(v.shape), np.zeros((*v.shape, 3))
        i[..., 0], i[..., 1], i[..., 2] = space * kept, space * (1 - kept), taken * 5e-4
        g[..., 0, 0], g[..., 0, 1], g[..., 0, 2] = space * dkept, by_screen * kept, per_drive * kept
        g[..., 1, 0], g[..., 1, 1], g[..., 1, 2] = (
            -space * dkept,
            by_screen * (1 - kept),
            per_drive * (1 - kept),
        )
        g[..., 2, 2] = dtaken * 5e-4
        return i, g


def _knee(volts: FloatArray) -> tuple[FloatArray, FloatArray]:
    above = np.maximum(volts, 0.0)
    return above / (above + 3.0), 3.0 / (above + 3.0) ** 2 * (volts > 0)


def plain(law: Law, at: FloatArray) -> Law:
    """The plain law that meets `law` in current, gm (and screen current) at the voltages `at` (T,)."""
    i, g = law.evaluate(at)
    if isinstance(law, Triode):
        mu, gm = g[0, 1] / g[0, 0], g[0, 1]
        drive = 1.5 * i[0] / gm
        return PlainTriode(perveance=i[0] / drive**1.5, mu=mu, offset=drive - at[1] - at[0] / mu)
    assert isinstance(law, Pentode)
    total, gm = i[0] + i[1], g[0, 2] + g[1, 2]
    drive = 1.5 * total / gm
    mu = gm / (g[0, 1] + g[1, 1])
    return PlainPentode(
        perveance=total / drive**1.5, mu_screen=mu, offset=drive - at[2] - at[1] / mu, share=i[1] / i[0]
    )
