"""Fit the parameters of a law to what was published about a tube, and keep what is left over.

``python -m tubekit.devices.fit 12AX7 …`` fits again and rewrites the lower part of data/tubes/<type>.toml.
Two or three rows fix currents and slopes, not the knee, the grid current or the softness of cut-off:
what a file lists under `assumed` was set by hand, with the reason beside it.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from tubekit.devices.fit_record import write_fit
from tubekit.devices.law import FloatArray
from tubekit.devices.pentode import Pentode
from tubekit.devices.published import TOLERANCE, Published, residuals, rows_for
from tubekit.devices.residual import Residual
from tubekit.devices.triode import Triode
from tubekit.devices.tube_files import fit_plan, fitted_types

# Start, lower and upper bound of each parameter. The bounds are what a law of the kind can mean.
_DRIVE = {"perveance": (1e-3, 1e-6, 1e-1), "exponent": (1.4, 1.1, 2.0), "softness": (0.2, 0.02, 8.0)}
_GRID = {
    "grid_perveance": (6e-4, 1e-5, 1e-2),
    "grid_offset": (0.0, -1.0, 1.0),
    "grid_softness": (0.1, 0.02, 1.0),
}
_BOUNDS: Mapping[type[Triode | Pentode], Mapping[str, tuple[float, float, float]]] = {
    Triode: _DRIVE | {"mu": (50.0, 2.0, 130.0), "offset": (0.3, -3.0, 6.0)} | _GRID,
    Pentode: _DRIVE
    | {
        "mu_screen": (9.0, 4.0, 40.0),
        "mu_plate": (300.0, 20.0, 2000.0),
        "offset": (-0.5, -8.0, 8.0),
        "share": (0.15, 0.02, 1.0),
        "share_half": (0.45, 0.1, 3.0),
        "share_drive": (4.0, 0.5, 6.0),
        "share_fall": (0.8, 0.0, 2.5),
        "knee": (0.6, 0.05, 5.0),
        "knee_sharpness": (2.3, 1.2, 3.5),
    }
    | _GRID,
}
_SIGNED = frozenset({"offset", "grid_offset", "share_fall"})  # fitted as they are, the rest by logarithm


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted law with its residuals, row by row, and the rows that contradict themselves."""

    law: Triode | Pentode
    rows: tuple[Published, ...]
    residuals: tuple[Residual, ...]
    conflicts: tuple[str, ...]


def fit_law(kind: type[Triode | Pentode], rows: Sequence[Published], assumed: Mapping[str, float]) -> Fit:
    """Least squares of the logarithms of predicted over published, weighted by tolerance and trust.

    Parameters
    ----------
    kind : class of the law.
    rows : what to meet; rows of trust 0 are only shown.
    assumed : parameters that are not fitted.
    """
    free = {name: bounds for name, bounds in _BOUNDS[kind].items() if name not in assumed}
    start, low, high = (
        np.array([_inward(name, bounds[place]) for name, bounds in free.items()]) for place in range(3)
    )

    def law(x: FloatArray) -> Triode | Pentode:
        found = {
            name: float(value if name in _SIGNED else np.exp(value))
            for name, value in zip(free, x, strict=True)
        }
        return kind(**found, **assumed)

    def errors(x: FloatArray) -> FloatArray:
        now, found = law(x), []
        for row in rows:
            if row.trust > 0:
                got = row.predict(now)
                found += [
                    row.trust * np.log(max(got[name], 1e-12) / value) / TOLERANCE[name]
                    for name, value in row.values.items()
                ]
        return np.array(found)

    start = _near_rows(kind, free, start, rows)
    best = least_squares(
        errors, np.clip(start, low + 1e-6, high - 1e-6), bounds=(low, high), x_scale="jac", max_nfev=300
    )
    fitted = law(best.x)
    conflicts = tuple(filter(None, (row.conflict() for row in rows)))
    return Fit(fitted, tuple(rows), residuals(fitted, rows), conflicts)


def _inward(name: str, value: float) -> float:
    return value if name in _SIGNED else float(np.log(value))


def _near_rows(
    kind: type[Triode | Pentode], free: Mapping[str, Any], start: FloatArray, rows: Sequence[Published]
) -> FloatArray:
    """The start with the amplification factor of the rows, where they print one."""
    printed = [row.values["mu"] for row in rows if "mu" in row.values]
    name = "mu" if kind is Triode else "mu_screen"
    if printed and name in free:
        start[list(free).index(name)] = np.log(printed[0])
    return start


def fit_tube(type_: str) -> Fit:
    """Fit a catalogue tube again from the rows its file names.

    Raises
    ------
    UnknownTube : no such file. TableError : the file names no rows to fit.

    Examples
    --------
    >>> found = fit_tube("12AX7")
    >>> print(f"mu {found.law.mu:.0f}, worst row {max(abs(r.error) for r in found.residuals[:8]):.1%}")
    mu 101, worst row 0.9%
    """
    plan = fit_plan(type_)
    kind = Triode if plan.kind == "triode" else Pentode
    return fit_law(kind, rows_for(plan), plan.assumed)


def main(types: Sequence[str]) -> None:
    """Fit each type and rewrite its file; without types, every tube with a plan."""
    for type_ in types or fitted_types():
        found = fit_tube(type_)
        write_fit(type_, found.law, found.rows, found.residuals, found.conflicts)
        worst = max(found.residuals, key=lambda residual: abs(residual.error))
        sys.stdout.write(f"{type_}: worst {worst.error:+.1%} ({worst.row}, {worst.quantity})\n")


if __name__ == "__main__":
    main(sys.argv[1:])
