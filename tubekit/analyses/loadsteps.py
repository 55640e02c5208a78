"""One stage on a row of loads: power and distortion against load, as output-stage charts draw them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from tubekit.analyses.loadline import AnyTube, load_line
from tubekit.analyses.loadline_result import LoadLine
from tubekit.errors import InputError
from tubekit.text import Printed, Table, headed, quantity

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, repr=False)
class LoadSteps(Printed):
    """The same stage on L loads, in their order; `lines` are the load lines themselves."""

    lines: tuple[LoadLine, ...] = field(repr=False)
    load: Array = quantity("ohm", "R", "as stated: plate to plate for a pair, (L,)")
    power_w: Array = quantity("W", "P", "into the load at full drive, (L,)")
    thd_pct: Array = quantity("%", "D", "total harmonic distortion, (L,)")
    second_pct: Array = quantity("%", "D2", "second harmonic, (L,)")
    third_pct: Array = quantity("%", "D3", "third harmonic, (L,)")

    @property
    def best(self) -> LoadLine:
        """The line with the most power."""
        return self.lines[int(np.argmax(self.power_w))]

    def headline(self) -> str:
        """Which of the loads takes most."""
        k = int(np.argmax(self.power_w))
        best = f"{self.load[k]:g} Ω takes most power, {self.power_w[k]:.3g} W"
        return f"{self.lines[0].tube}: of these loads {best}."

    def tables(self) -> list[Table]:
        """A line per load."""
        columns = headed(
            "load [ohm]", "power [W]", "distortion [%] .1f", "2nd [%] .1f", "3rd [%] .1f", "first to clip"
        )
        rows = [
            (self.load[k], self.power_w[k], self.thd_pct[k], self.second_pct[k], self.third_pct[k],
             line.limits.clipping[1])
            for k, line in enumerate(self.lines)
        ]  # fmt: skip
        return [Table("Loads", columns, rows)]


def load_steps(tube: AnyTube, *, loads: npt.ArrayLike, **stage: Any) -> LoadSteps:
    """One stage on each of `loads` [Ω]; the other arguments are those of `load_line`.

    Raises
    ------
    InputError : no load, or one not above zero; what `load_line` refuses.

    Examples
    --------
    >>> steps = load_steps("6V6GT", loads=[2500, 5000, 10000], plate=250, screen=250, grid=-12.5)
    >>> steps.best.load > 2500
    True
    """
    wanted = np.atleast_1d(np.asarray(loads, float))
    if wanted.ndim != 1 or not wanted.size:
        raise InputError(
            "there are no loads to step through", fix="Give loads= as a row of ohms, like [4000, 8000]"
        )
    lines = tuple(load_line(tube, load=float(load), **stage) for load in wanted)
    peaks = np.array([line.harmonics_v for line in lines])
    shares = 100.0 * peaks[:, 2:4] / peaks[:, 1:2]
    power, thd = (np.array([getattr(line, name) for line in lines]) for name in ("power_w", "thd_pct"))
    return LoadSteps(lines, wanted, power, thd, shares[:, 0], shares[:, 1])
