"""Least squares of a law against measured points, with intervals, bounds, and what the points leave open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy
from numpy.typing import NDArray

from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.law import FloatArray
from tubekit.devices.output_stage import stretched
from tubekit.devices.pentode import Pentode
from tubekit.devices.points import Points, points_of, read_points, refuse_mixed
from tubekit.devices.triode import Triode
from tubekit.devices.tube_files import RANGES, GridLaw, usual_of
from tubekit.devices.tube_fit import ASSUMED, AT_BOUND, FITTED, OPEN, FittedParameter, TubeFit
from tubekit.devices.tube_record import Ratings, Tube
from tubekit.errors import InputError, near_matches

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult


METER, FLOOR = 0.02, 0.004
"""Error that a point is taken to have, of itself and of the largest: weighs small currents against
large ones (common practice, no source)."""
CONFIDENCE = 0.95
FINEST = 0.05
"""Smallest error of a point, as a share of METER and FLOOR: the last of three digits. Points that a law gave
would otherwise have intervals of no width."""
UNSEEN = 1e-9
OPEN_FROM = 0.4
"""Half an interval from which a parameter counts as open: of its logarithm, or of three usual widths."""
LEAST_POINTS = 4

_STARTS = (1.25, 1.55)  # exponents beside the usual one
_STEP = 1e-6
_ASSUMED = ("softness", "grid_perveance", "grid_offset", "grid_softness")
_OF_SCREEN = ("share", "share_drive", "share_fall")
_FIRST_TO_GO = (
    "knee_sharpness", "share_fall", "share_drive", "unevenness", "knee", "offset",
    "mu_plate", "exponent", "share", "mu_screen", "mu",
)  # fmt: skip
"""Held in this order where there are fewer points than parameters."""


def fit_points(kind: type[GridLaw], points: Points, model: Tube | None, record: Tube) -> TubeFit:
    """The law of a kind against points; `record` gives the tube everything but its law.

    What the points leave open is taken from the law of `model`, or from what is usual of the kind.

    Raises
    ------
    InputError : too few points with current.
    """
    voltages = [v for v in (points.plate_v, points.screen_v, points.grid_v) if v is not None]
    distinct = len(np.unique(np.stack(voltages, axis=-1)[points.plate_a > 0.0], axis=0))
    if distinct < LEAST_POINTS:
        problem = f"has {distinct} distinct points with current, too few to fit"
        raise InputError(
            problem, where=points.source, fix="Measure a dozen points, at three or more grid voltages"
        )
    fit = _Fit(kind, points, model, distinct)
    while True:
        best = fit.best()
        half, stuck = fit.intervals(best.x)
        widest = fit.widest(half, stuck)
        if widest is None:
            return fit.result(record, best.x, half, stuck)
        fit.hold(widest)


class _Fit:
    """Free and held parameters against points; several sets of parameters (P, k) at once."""

    def __init__(self, kind: type[GridLaw], points: Points, model: Tube | None, distinct: int) -> None:
        self.kind, self.points, self.ranges = kind, points, RANGES[kind]
        p = points
        self.v = np.stack([v for v in (p.plate_v, p.screen_v, p.grid_v) if v is not None], axis=-1)
        self.wanted = np.stack([a for a in (p.plate_a, p.screen_a) if a is not None], axis=-1)
        self.error = METER * self.wanted + FLOOR * self.wanted.max(axis=0)
        self.usual = usual_of(kind) | {"gate": 4.0}
        if model is not None:
            self.usual |= {name: float(value) for name, value in model.law.parameters().items()}
        unseen = _OF_SCREEN if kind is Pentode and p.screen_a is None else ()
        self.assumed = {name: self.usual[name] for name in (*_ASSUMED, "gate", *unseen)}
        self.open: dict[str, float] = {}
        for name in _FIRST_TO_GO:
            if distinct * self.wanted.shape[1] <= len(self.free) + 1 and name in self.free:
                self.hold(name)

    @property
    def free(self) -> list[str]:
        """Parameters that are fitted."""
        return [name for name in self.ranges if name not in self.assumed and name not in self.open]

    def hold(self, name: str) -> None:
        """Take a parameter as usual from here on."""
        self.open[name] = self.usual[name]

    def law(self, x: FloatArray) -> GridLaw:
        """The law of one set of free parameters (k,), or of P of them (P, k)."""
        values = {
            name: np.exp(column) if self.ranges[name].factor else column
            for name, column in zip(self.free, np.moveaxis(x, -1, 0), strict=True)
        }
        return self.kind(**values, **self.open, **self.assumed)

    def off(self, x: FloatArray) -> FloatArray:
        """Law minus measured, in errors of a point: (..., M)."""
        v = np.broadcast_to(self.v, (*x.shape[:-1], *self.v.shape))
        i = stretched(self.law(x), 1).evaluate(v)[0][..., : self.wanted.shape[1]]
        return np.asarray(((i - self.wanted) / self.error).reshape(*x.shape[:-1], -1))

    def slopes(self, x: FloatArray) -> FloatArray:
        """Slopes of `off` to the free parameters (M, k), by central differences in one call."""
        steps = _STEP * np.eye(x.size)
        ahead, behind = np.split(self.off(np.concatenate((x + steps, x - steps))), 2)
        return np.asarray((ahead - behind).T / (2.0 * _STEP))

    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Ends of the free parameters, as they are fitted."""
        ranges = [self.ranges[name] for name in self.free]
        low, high = ([r.inward(end) for r, end in zip(ranges, ends, strict=True)]
                     for ends in ([r.low for r in ranges], [r.high for r in ranges]))  # fmt: skip
        return np.array(low), np.array(high)

    def best(self) -> OptimizeResult:
        """The best of a few starts."""
        low, high = self.bounds()
        starts = [self.usual, *(self.usual | {"exponent": exponent} for exponent in _STARTS)]
        result = []
        for start in starts if "exponent" in self.free else starts[:1]:
            x = np.array([self.ranges[name].inward(start[name]) for name in self.free])
            x = np.clip(x, low + 1e-6, high - 1e-6)
            now = float(self.law(x).evaluate(self.v)[0][:, 0].sum())
            level = self.free.index("perveance")
            x[level] += np.log(self.points.plate_a.sum() / max(now, 1e-30))  # the right current on the whole
            x = np.clip(x, low + 1e-6, high - 1e-6)
            result.append(
                scipy.optimize.least_squares(
                    self.off, x, jac=self.slopes, bounds=(low, high), x_scale="jac", loss="soft_l1",
                    f_scale=3.0, max_nfev=300,
                )
            )  # fmt: skip
        return min(result, key=lambda each: float(each.cost))

    def intervals(self, x: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Half of each interval, as fitted (NaN at a bound), and which parameters stand at a bound."""
        low, high = self.bounds()
        near = 1e-3 * (high - low)
        stuck = (x - low < near) | (high - x < near)
        slopes, off = self.slopes(x)[:, ~stuck], self.off(x)
        freedom = max(1, off.size - int(np.sum(~stuck)))
        scatter = max(float(off @ off) / freedom, FINEST**2)
        length = np.maximum(np.linalg.norm(slopes, axis=0), 1e-30)
        _, size, ways = np.linalg.svd(slopes / length, full_matrices=False)
        # A way that no point sees would have no width in a pseudoinverse; here it has a very large one.
        variance = np.sum(np.square(ways / np.maximum(size, UNSEEN * size.max(initial=1.0))[:, None]), axis=0)
        spread = np.sqrt(variance * scatter) / length
        half = np.full(x.size, np.nan)
        half[~stuck] = spread * float(scipy.special.stdtrit(freedom, 0.5 + 0.5 * CONFIDENCE))
        return half, stuck

    def widest(self, half: FloatArray, stuck: NDArray[np.bool_]) -> str | None:
        """The parameter that the points leave open most, None where they give every one."""
        widths = {
            name: half[k] if self.ranges[name].factor else half[k] / (3.0 * (self.ranges[name].width or 1.0))
            for k, name in enumerate(self.free)
            if name != "perveance" and not stuck[k]
        }
        name = max(widths, key=lambda each: widths[each], default=None)
        return name if name is not None and widths[name] > OPEN_FROM else None

    def result(self, record: Tube, x: FloatArray, half: FloatArray, stuck: NDArray[np.bool_]) -> TubeFit:
        """The tube, its parameters and what the law gives at each point."""
        law, nan = self.law(x), float("nan")
        outcome = {
            name: self._parameter(name, x[k], half[k], bool(stuck[k])) for k, name in enumerate(self.free)
        }
        for held, state in ((self.open, OPEN), (self.assumed, ASSUMED)):
            outcome |= {name: FittedParameter(name, value, nan, nan, state) for name, value in held.items()}
        spans = {
            name: (float(v.min()), float(v.max())) for name, v in zip(law.terminals, self.v.T, strict=True)
        }
        i = law.evaluate(self.v)[0]
        tube = replace(
            record, law=law, valid=spans, assumed=self.assumed, usual=tuple(self.open),
            at_bound=tuple(name for name, at in zip(self.free, stuck, strict=True) if at),
        )  # fmt: skip
        return TubeFit(
            tube=tube,
            points=self.points,
            parameters=tuple(outcome[name] for name in law.parameters()),
            plate_law_a=i[:, 0],
            screen_law_a=i[:, 1] if i.shape[1] == 3 else None,
            rms_a=float(np.sqrt(np.mean(np.square(i[:, 0] - self.points.plate_a)))),
        )

    def _parameter(self, name: str, x: float, half: float, stuck: bool) -> FittedParameter:
        out = np.exp if self.ranges[name].factor else float
        state = AT_BOUND if stuck else FITTED
        return FittedParameter(name, float(out(x)), float(out(x - half)), float(out(x + half)), state)


KINDS: Mapping[str, type[GridLaw]] = {"triode": Triode, "pentode": Pentode, "beam tetrode": Pentode}


def fit_tube(
    points: str | Path | Points | Mapping[str, Any],
    *,
    kind: str | None = None,
    like: str | None = None,
    name: str | None = None,
) -> TubeFit:
    """Fit the law of a triode or pentode to measured points.

    Parameters
    ----------
    points : a CSV file, or columns by name: ``plate_v, grid_v, plate_ma`` and for a pentode ``screen_v``
        and, where measured, ``screen_ma``; other units by their name in the header (`points`).
    kind : 'triode', 'pentode' or 'beam tetrode'; that of `like` where not given.
    like : a type of the catalogue: base, pins, heater, ratings and capacitances are taken from it, and
        what the points leave open stays as in its law.
    name : type of the new tube; the name of the file where not given.

    Returns
    -------
    TubeFit : its `.tube` is used like any other; ``add_tube(fit.tube)`` makes it known by name, and
        ``fit.save(path)`` keeps it. Nothing is written unless asked.

    Raises
    ------
    TableError : the file or a column cannot be used. InputError : too few points, an unknown kind.
    UnknownTube : no type `like` that.

    Examples
    --------
    >>> plate, grid = [100, 150, 200, 250, 300] * 3, [-1.0] * 5 + [-1.5] * 5 + [-2.0] * 5
    >>> measured = look_up("12AX7").at(plate=plate, grid=grid).plate_a  # a bench would give these
    >>> columns = {"plate_v": plate, "grid_v": grid, "plate_a": measured}
    >>> fit = fit_tube(columns, like="12AX7", name="bench 1")
    >>> print(f"{fit.tube.type}: {fit.points.count} points, mu {fit.tube.law.mu:.0f}")
    bench 1: 15 points, mu 108
    """
    model = look_up(like) if like is not None else None
    chosen = _kind(kind, model)
    if isinstance(points, Mapping):
        points = points_of(points)
    elif not isinstance(points, Points):
        name = name or Path(points).stem
        points = read_points(points)
    screen = KINDS[chosen] is Pentode
    refuse_mixed(points, screen)
    if model is not None:
        model = next((each for each in model.systems if isinstance(each.law, KINDS[chosen])), model)
    if model is not None and not isinstance(model.law, KINDS[chosen]):
        raise InputError(
            f"{model.type} is a {model.kind}, not a {chosen}", part="like", fix="Choose a tube of that kind"
        )
    return fit_points(KINDS[chosen], points, model, _record(name or "own tube", chosen, model))


def _kind(kind: str | None, model: Tube | None) -> str:
    kinds = ", ".join(KINDS)
    if kind is None and model is None:
        raise InputError("is missing", part="kind", fix=f"Choose one of {kinds}, or a type it is like")
    wanted = model.kind if kind is None and model is not None else str(kind)
    if wanted not in KINDS:
        raise InputError(
            f"a tube of kind '{wanted}' cannot be fitted",
            part="kind",
            fix=f"Choose one of {kinds}",
            near=near_matches(wanted, KINDS),
        )
    return wanted


def _record(name: str, kind: str, model: Tube | None) -> Tube:
    """All that is no law: from the type it is like, or unknown."""
    title = f"{kind}, fitted to measured points"
    if model is not None:
        known = f"base, pins, heater, ratings and capacitances as {model.type}; law from measured points"
        bare = replace(model, equivalents=(), fit=(), conflicts=(), notes="", systems=())
        return replace(bare, type=name, kind=kind, title=title, known=known)
    return Tube(
        type=name,
        equivalents=(),
        kind=kind,
        title=title,
        base="unknown",
        sections=1,
        pins={},
        heater_volts=None,
        heater_amps=None,
        ratings=Ratings(),
        law=Triode(perveance=1e-3, mu=50.0),  # until the fit puts its own in
        capacitances={},
        known="law from measured points, all else unknown",
    )
