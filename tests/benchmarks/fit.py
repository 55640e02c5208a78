"""Fit the parameters of a law to what was published about a tube, and keep what is left over.

``python -m tests.benchmarks.fit 12AX7 …`` fits again and rewrites the lower part of data/tubes/<type>.toml.

Errors are counted in tolerances (`published.TOLERANCE`): squared below one, straight above, so that a
row at odds with all others does not pull them along. Two or three rows fix currents and slopes, not the
knee or the grid current: what a file lists under `assumed` was set by hand, with the reason beside it; what
the rows leave open otherwise stays near what is usual (`tube_files`) and is listed as `usual`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy

from tubekit.devices.law import FloatArray
from tubekit.devices.output_stage import Stage, answers
from tubekit.devices.pentode import Pentode
from tubekit.devices.published import Published, Residual, asked_of, residuals, rows_for
from tubekit.devices.triode import Triode
from tubekit.devices.tube_files import (
    RANGES,
    FitPlan,
    GridLaw,
    Range,
    file_types,
    fit_plan,
    fitted_types,
    tube_data,
    tube_path,
    usual_of,
)
from tubekit.devices.tube_fit import law_lines, valid_lines

LINE = "# ---- below this line: written by the fit ----"


def write_fit(type_: str, fit: Fit) -> None:
    """Replace everything below the line in data/tubes/<type>.toml."""
    path = tube_path(type_)
    upper = path.read_text(encoding="utf-8").split(LINE)[0].rstrip()
    at = [row.at for row in fit.rows if row.trust > 0]
    left = {"usual": fit.usual, "at_bound": fit.at_bound, "conflicts": fit.conflicts}
    lines = [upper, "", LINE, "", *law_lines(fit.law), "", *valid_lines(at), ""]
    lines += [
        "[left]  # open: held near what is usual of its kind, not pinned by rows; at a bound; rows at odds"
    ]
    lines += [f"{name} = {json.dumps(list(words), ensure_ascii=False)}" for name, words in left.items()]
    lines += [
        "",
        "[left.spread_pct]  # what that leaves near the rows, one standard deviation; all: the whole law",
    ]
    lines += [
        f"{name} = {{ " + ", ".join(f"{word} = {value:.1f}" for word, value in spread.items()) + " }"
        for name, spread in fit.leaves.items()
    ]
    path.write_text("\n".join([*lines, "", *residual_lines(fit.residuals), ""]), encoding="utf-8")
    for cached in (file_types, tube_data):
        cached.cache_clear()


def residual_lines(residuals: Sequence[Residual]) -> Iterable[str]:
    """The [fitted] table: a line for each figure; error_pct is in points for a distortion."""
    yield "[fitted]"
    yield "rows = ["
    for residual in residuals:
        cells: dict[str, Any] = {
            "row": residual.row,
            "quantity": residual.quantity,
            "unit": residual.unit,
            "published": residual.published,
            "law": residual.law,
            "error_pct": 100.0 * residual.error,
            "used": residual.used,
            "status": residual.status,
            "source": residual.source,
        }
        yield "  { " + ", ".join(f"{name} = {_written(name, value)}" for name, value in cells.items()) + " },"
    yield "]"


def _written(name: str, value: object) -> str:
    if isinstance(value, float):
        return f"{round(value, 1) + 0.0:.1f}" if name == "error_pct" else f"{value:.4g}"
    return json.dumps(value, ensure_ascii=False)


_USUAL = 0.7
"""How much of a parameter's usual spread must be left for it to count as not pinned by the rows."""
_STRAIGHT = 2.0  # tolerances; beyond, errors count straight instead of squared
_OWN = 0.2  # usual width of a parameter of which the file says what is usual, where its kind has none
_PULL = 0.6  # weight of what is usual, against one tolerance of one row
_STEP = 1e-5  # of a parameter as it is fitted, for slopes
_STARTS = (1.4, 1.25)  # exponents to start from
_LEFT = {"current": ("plate", "idle_plate"), "gain": ("gm", "gain"), "power": ("power",)}


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted law with its residuals, row by row.

    `conflicts` are rows that contradict themselves, `usual` parameters that the rows leave open,
    `at_bound` those that ended at a bound.
    """

    law: GridLaw
    rows: tuple[Published, ...]
    residuals: tuple[Residual, ...]
    conflicts: tuple[str, ...]
    usual: tuple[str, ...]
    at_bound: tuple[str, ...]
    leaves: Mapping[str, Mapping[str, float]]
    """Standard deviation [%] of current, gain and power at points near the rows: that of the law as a whole
    ('all'), and what each parameter of `usual` and `at_bound` leaves with the others following it."""


class FitProblem:
    """Free parameters, as they are fitted, against rows; several sets of parameters (P, n) at once."""

    def __init__(
        self,
        kind: type[GridLaw],
        rows: Sequence[Published],
        assumed: Mapping[str, float],
        usual: Mapping[str, float] | None = None,
    ) -> None:
        self.kind, self.assumed, self.own = kind, assumed, dict(usual or {})
        self.free: dict[str, Range] = {n: r for n, r in RANGES[kind].items() if n not in assumed}
        self.rows = [row for row in rows if row.trust > 0]
        self.low = np.array([r.inward(r.low) for r in self.free.values()])
        self.high = np.array([r.inward(r.high) for r in self.free.values()])
        own, names, size = self.own, list(self.free), len(self.free)
        self.pull, self.pulled_to = np.zeros((size, size)), np.zeros(size)
        self.usual: list[tuple[int, str]] = []
        for k, (name, r) in enumerate(self.free.items()):
            width = r.width or (_OWN if name in own else None)
            if width is None:
                continue
            self.usual.append((k, name))
            self.pull[k, k] = _PULL / width
            self.pulled_to[k] = r.inward(own.get(name, r.start))
            if r.over in names and name not in own:
                self.pull[k, names.index(r.over)] = -_PULL / width
            elif r.over and name not in own:
                self.pulled_to[k] += np.log(assumed[r.over])
            self.pulled_to[k] *= _PULL / width

    def start(self, **given: float) -> FloatArray:
        """Parameters to start from, with the amplification factor of the rows where they print one."""
        printed = [row.values["mu"] for row in self.rows if "mu" in row.values]
        if printed:
            given.setdefault("mu" if self.kind is Triode else "mu_screen", printed[0])
        given = usual_of(self.kind) | self.own | given
        values = [r.inward(given[name]) for name, r in self.free.items()]
        return np.clip(values, self.low + 1e-6, self.high - 1e-6)

    def law(self, x: FloatArray) -> GridLaw:
        """The law of one set of parameters, or of P of them."""
        result = {
            name: np.exp(column) if r.factor else column
            for (name, r), column in zip(self.free.items(), np.moveaxis(x, -1, 0), strict=True)
        }
        return self.kind(**result, **self.assumed)

    def errors(self, x: FloatArray) -> FloatArray:
        """Errors in tolerances, then what leaves the usual in widths: (..., M)."""
        result = []
        for row, got in zip(self.rows, answers(self.law(x), [r.stage for r in self.rows]), strict=True):
            for name, value in row.values.items():
                now = asked_of(got, name)
                off = now - value if name == "distortion" else np.log(np.maximum(now, 1e-12) / value)
                result.append(np.broadcast_to(row.trust / row.tolerance(name) * off, x.shape[:-1]))
        for k, _ in self.usual:
            result.append(x @ self.pull[k] - self.pulled_to[k])
        return np.asarray(np.nan_to_num(np.stack(result, axis=-1), nan=1e3))

    def slopes(self, x: FloatArray) -> FloatArray:
        """Slopes of the errors to the parameters (M, n), by central differences in one call."""
        steps = _STEP * np.eye(x.size)
        ahead, behind = np.split(self.errors(np.concatenate((x + steps, x - steps))), 2)
        return np.asarray((ahead - behind).T / (2.0 * _STEP))

    def solve(self, start: FloatArray) -> scipy.optimize.OptimizeResult:
        """Least squares from one start."""
        return scipy.optimize.least_squares(
            self.errors, start, jac=self.slopes, bounds=(self.low, self.high),
            x_scale="jac", loss="soft_l1", f_scale=_STRAIGHT, max_nfev=200, xtol=1e-8, ftol=1e-8,
        )  # fmt: skip

    def covariance(self, x: FloatArray) -> FloatArray:
        """Of the parameters as they are fitted, each figure off by its tolerance."""
        slopes = self.slopes(x)
        return np.asarray(np.linalg.pinv(slopes.T @ slopes))

    def not_pinned(self, covariance: FloatArray) -> tuple[str, ...]:
        """Parameters whose spread the rows leave nearly as it usually is."""
        spread = np.sqrt(np.diag(covariance))
        return tuple(name for k, name in self.usual if spread[k] * self.pull[k, k] > _USUAL)

    def leaves(
        self, x: FloatArray, covariance: FloatArray, names: Sequence[str]
    ) -> dict[str, dict[str, float]]:
        """`Fit.leaves`: medians over the stages of the rows, at voltages 0.8 and 1.25 times theirs."""
        near = [each for row in self.rows for each in (scaled(row.stage, 0.8), scaled(row.stage, 1.25))]
        steps = _STEP * np.eye(x.size)
        result: dict[str, list[FloatArray]] = {}
        for got in answers(self.law(np.concatenate((x + steps, x - steps))), near):
            for word, asked in _LEFT.items():
                for name in asked:
                    if name in got:
                        ahead, behind = np.split(np.log(np.maximum(got[name], 1e-12)), 2)
                        result.setdefault(word, []).append((ahead - behind) / (2.0 * _STEP))
        along = {"all": np.linalg.cholesky(covariance + 1e-12 * np.eye(x.size))}
        for name in names:
            k = list(self.free).index(name)
            along[name] = covariance[:, k : k + 1] / np.sqrt(covariance[k, k])
        return {
            name: {
                word: 100.0 * float(np.median(np.linalg.norm(np.array(slopes) @ way, axis=1)))
                for word, slopes in result.items()
            }
            for name, way in along.items()
        }

    def at_bound(self, x: FloatArray) -> tuple[str, ...]:
        """Parameters that stand at a bound."""
        near = 1e-3 * (self.high - self.low)
        stuck = (x - self.low < near) | (self.high - x < near)
        return tuple(name for name, is_stuck in zip(self.free, stuck, strict=True) if is_stuck)


def scaled(stage: Stage, factor: float) -> Stage:
    """The same stage at other voltages, all in proportion."""
    names = ("plate", "screen", "grid", "drive", "supply")
    volts = {name: getattr(stage, name, None) for name in names}
    return replace(stage, **{name: factor * v for name, v in volts.items() if v is not None})


def conflict(row: Published) -> str:
    """What is at odds within the row: gm·rp is not mu ('' where it is, within 3 %)."""
    if not {"gm", "rp", "mu"} <= set(row.values):
        return ""
    product, mu = row.values["gm"] * row.values["rp"], row.values["mu"]
    return "" if abs(product / mu - 1.0) < 0.03 else f"{row.label}: gm·rp is {product:.3g}, mu is {mu:g}"


def fit_law(
    kind: type[GridLaw],
    rows: Sequence[Published],
    assumed: Mapping[str, float],
    near: GridLaw | None = None,
    usual: Mapping[str, float] | None = None,
) -> Fit:
    """The law of a kind that meets the rows best.

    Parameters
    ----------
    kind : class of the law.
    rows : what to meet; rows of trust 0 are only shown.
    assumed : parameters that are not fitted.
    near : a law to start from; without it, the best of several starts.
    usual : what is usual of this type rather than of its kind, by parameter.
    """
    problem = FitProblem(kind, rows, assumed, usual)
    if near is None:
        starts = [problem.start(exponent=exponent) for exponent in _STARTS]
    else:
        starts = [problem.start(**{name: float(value) for name, value in near.parameters().items()})]
    best = min((problem.solve(start) for start in starts), key=lambda result: float(result.cost))
    fitted, covariance = problem.law(best.x), problem.covariance(best.x)
    left_open, at_bound = problem.not_pinned(covariance), problem.at_bound(best.x)
    return Fit(
        law=fitted,
        rows=tuple(rows),
        residuals=residuals(fitted, rows),
        conflicts=tuple(filter(None, map(conflict, rows))),
        usual=left_open,
        at_bound=at_bound,
        leaves=problem.leaves(best.x, covariance, list(dict.fromkeys((*left_open, *at_bound)))),
    )


def fit_type(type_: str, near: GridLaw | None = None) -> Fit:
    """Fit a catalogue tube again from the rows its file names.

    Raises
    ------
    UnknownTube : no such file. TableError : the file names no rows to fit.

    Examples
    --------
    >>> result = fit_type("12AX7")
    >>> worst = max(abs(residual.error) for residual in result.residuals[:8])
    >>> print(f"the two rows of characteristics within {worst:.1%}")
    the two rows of characteristics within 1.1%
    """
    plan = fit_plan(type_)
    return fit_law(kind_of(plan), rows_for(plan), plan.assumed, near, plan.usual)


def kind_of(plan: FitPlan) -> type[GridLaw]:
    """Class of the law of a tube."""
    return Triode if "triode" in plan.kind else Pentode


def main(types: Sequence[str]) -> None:
    """Fit each type and rewrite its file; without types, every tube with a plan."""
    for type_ in types or fitted_types():
        result = fit_type(type_)
        write_fit(type_, result)
        worst = max((r for r in result.residuals if r.used), key=lambda residual: abs(residual.error))
        sys.stdout.write(f"{type_}: worst {worst.error:+.1%} ({worst.row}, {worst.quantity})\n")


if __name__ == "__main__":
    main(sys.argv[1:])
