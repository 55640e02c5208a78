"""Parameter sets that others printed, in the forms they were printed for: to compare with, not to rely on.

``tube("12AX7", law="published")`` has one. They carry no grid current (but the last form), miss maker
rows by tens of percent in places, and a pentode's plate and screen currents are not parts of one whole.
Equations from the papers named in data/handbook/tube_models.csv, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np

from tubekit.devices.law import FloatArray, Parameter, ParameterLaw, softplus
from tubekit.devices.triode import Triode
from tubekit.errors import UnknownTube, near_matches
from tubekit.tables import Row, handbook


@dataclass(frozen=True, eq=False, kw_only=True)
class LogTriode(ParameterLaw):
    """``i = P·E**x``, ``E = v_p/k_p·ln(1 + exp(k_p·(1/μ + v_g/sqrt(k_vb + v_p²))))`` above 0 V of plate.

    Terminals are plate and grid, voltages to cathode; the grid draws nothing.
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "grid")
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset({"perveance", "mu", "exponent", "sharpness", "bend"})

    perveance: Parameter
    mu: Parameter
    exponent: Parameter
    sharpness: Parameter
    bend: Parameter

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents [A], shape (..., 2), and slopes [S], shape (..., 2, 2)."""
        plate, grid = np.maximum(v[..., 0], 0.0), v[..., 1]
        root = np.sqrt(self.bend + plate * plate)
        soft, share = softplus(self.sharpness * (1.0 / self.mu + grid / root), 1.0)
        drive = plate * (soft / self.sharpness)
        rate = self.perveance * self.exponent * drive ** (self.exponent - 1.0)
        i, g = np.zeros(v.shape), np.zeros((*v.shape, 2))
        i[..., 0] = self.perveance * drive**self.exponent
        part = plate / root
        g[..., 0, 0] = rate * (soft / self.sharpness - share * part * part * (grid / root))
        g[..., 0, 1] = rate * share * part
        return i, g


@dataclass(frozen=True, eq=False, kw_only=True)
class ArctanPentode(ParameterLaw):
    """``i_p = P·E**x·arctan(v_p/k_vb)``, ``E = v_s/k_p·ln(1 + exp(k_p·(1/μ + v_g/v_s)))``, and
    ``i_s = P_s·(v_g + v_s/μ)**1.5``, which no plate voltage moves.

    Terminals are plate, screen and grid, voltages to cathode; the grid draws nothing.
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "screen", "grid")
    positive: ClassVar[frozenset[str]] = frozenset(
        {"perveance", "screen_perveance", "mu", "exponent", "sharpness", "knee"}
    )

    perveance: Parameter
    screen_perveance: Parameter
    mu: Parameter
    exponent: Parameter
    sharpness: Parameter
    knee: Parameter

    def worn(self, emission: Parameter) -> Self:
        """The same tube with both currents multiplied by `emission`."""
        return replace(
            self,
            perveance=np.multiply(self.perveance, emission),
            screen_perveance=np.multiply(self.screen_perveance, emission),
        )

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents [A], shape (..., 3), and slopes [S], shape (..., 3, 3)."""
        plate, screen, grid = np.maximum(v[..., 0], 0.0), np.maximum(v[..., 1], 1e-9), v[..., 2]
        on = np.where(v[..., 1] > 0.0, 1.0, 0.0)  # the form says nothing about a screen below the cathode
        soft, share = softplus(self.sharpness * (1.0 / self.mu + grid / screen), 1.0)
        drive = screen * (soft / self.sharpness)
        space = on * self.perveance * drive**self.exponent
        rate = on * self.perveance * self.exponent * drive ** (self.exponent - 1.0)
        bent = plate / self.knee
        angle = np.arctan(bent)
        above = np.maximum(grid + screen / self.mu, 0.0)
        i, g = np.zeros(v.shape), np.zeros((*v.shape, 3))
        i[..., 0] = space * angle
        i[..., 1] = on * self.screen_perveance * above * np.sqrt(above)
        steep = on * 1.5 * self.screen_perveance * np.sqrt(above)
        g[..., 0, 0] = np.where(v[..., 0] > 0.0, space / (self.knee * (1.0 + bent * bent)), 0.0)
        g[..., 0, 1] = rate * angle * (soft / self.sharpness - share * (grid / screen))
        g[..., 0, 2] = rate * angle * share
        g[..., 1, 1], g[..., 1, 2] = steep / self.mu, steep
        return i, g


@dataclass(frozen=True, eq=False, kw_only=True)
class SmoothTriode(ParameterLaw):
    """``i_k = G·(ln(1 + exp(C·(v_p/μ + v_g)))/C)**γ``, ``i_g = G_g·(ln(1 + exp(C_g·v_g))/C_g)**ξ + I_0``,
    and the plate has the rest. Terminals are plate and grid, voltages to cathode.
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate", "grid")
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset(
        {"perveance", "mu", "exponent", "softness", "grid_softness"}
    )

    perveance: Parameter
    mu: Parameter
    exponent: Parameter
    softness: Parameter
    grid_perveance: Parameter
    grid_exponent: Parameter
    grid_softness: Parameter
    grid_leakage: Parameter

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents [A], shape (..., 2), and slopes [S], shape (..., 2, 2)."""
        drive, share = softplus(v[..., 0] / self.mu + v[..., 1], self.softness)
        above, grid_share = softplus(v[..., 1], self.grid_softness)
        rate = self.perveance * self.exponent * drive ** (self.exponent - 1.0) * share
        taken = self.grid_perveance * above**self.grid_exponent + self.grid_leakage
        dtaken = self.grid_perveance * self.grid_exponent * above ** (self.grid_exponent - 1.0) * grid_share
        i, g = np.empty(v.shape), np.zeros((*v.shape, 2))
        i[..., 0] = self.perveance * drive**self.exponent - taken
        i[..., 1] = taken
        g[..., 0, 0], g[..., 0, 1], g[..., 1, 1] = rate / self.mu, rate - dtaken, dtaken
        return i, g


PublishedLaw = LogTriode | ArctanPentode | SmoothTriode | Triode


def published_sets(type_: str, others: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Names of the printed sets of a type or of the equivalents named, as tube_models.csv has them.

    Examples
    --------
    >>> published_sets("12AX7")
    ('12AX7', 'RSD-1 (12AX7)', 'RSD-2 (12AX7)')
    """
    return tuple(row.text("device") for row in _rows((type_, *others)))


def published_law(type_: str, name: str = "", others: tuple[str, ...] = ()) -> PublishedLaw:
    """The printed set of that name, or the first there is.

    Raises
    ------
    UnknownTube : no such set; those there are, are listed.
    """
    rows = _rows((type_, *others))
    chosen = [row for row in rows if not name or row.text("device").casefold().startswith(name.casefold())]
    if not chosen:
        names = [row.text("device") for row in rows]
        text = f"no published parameters named '{name}'" if name else "no published parameters"
        raise UnknownTube(
            f"there are {text} of it",
            part=type_,
            fix=f"There are {', '.join(names)}" if names else "Leave law= out for tubekit's own law",
            near=near_matches(name, names),
        )
    return _made(chosen[0])


def _rows(types: tuple[str, ...]) -> list[Row]:
    known = {each.casefold() for each in types}
    return [row for row in handbook("tube_models") if _type_of(row).casefold() in known]


def _type_of(row: Row) -> str:
    """'12AX7' of '12AX7', 'RSD-1 (12AX7)' and '6F6 triode-conn'."""
    device = row.text("device")
    return device.partition("(")[2].rstrip(")") or device.split()[0]


def _made(row: Row) -> PublishedLaw:
    if row.text("model") == "power law":  # Ip[uA] = 41·(Vp + 7·Vg)^1.41
        return Triode(
            perveance=41e-6 * 7.0**1.41, mu=7.0, exponent=1.41, softness=0.0, grid_perveance=0.0, gate=1e-3
        )
    pairs = (pair.split("=") for pair in row.text("params").split(";"))
    return _MAKERS[row.text("model")]({name: float(value) for name, value in pairs})


_MAKERS: Mapping[str, Callable[[Mapping[str, float]], PublishedLaw]] = {
    "Koren triode": lambda p: LogTriode(
        perveance=2.0 / p["kg1"], mu=p["mu"], exponent=p["ex"], sharpness=p["kp"], bend=p["kvb"]
    ),
    "Koren pentode": lambda p: ArctanPentode(
        perveance=2.0 / p["kg1"], screen_perveance=1.0 / p["kg2"], mu=p["mu"], exponent=p["ex"],
        sharpness=p["kp"], knee=p["kvb"],
    ),
    "Dempwolf-Zolzer": lambda p: SmoothTriode(
        perveance=p["G"], mu=p["mu"], exponent=p["gamma"], softness=1.0 / p["C"], grid_perveance=p["Gg"],
        grid_exponent=p["xi"], grid_softness=1.0 / p["Cg"], grid_leakage=p["Ig0"],
    ),
}  # fmt: skip
