"""Currents and slopes of a tube at given voltages, as a result that prints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tubekit.devices.law import Law
from tubekit.text import Printed, Table, fields_of, frozen_array, headed, quantity

Value = float | npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, repr=False)
class TubePoint(Printed):
    """What a tube does at fixed voltages to cathode; floats, or arrays of one shape.

    gm, rp and mu are taken at constant voltages on all other electrodes; mu = gm·rp is that of the
    control grid to the plate. Screen figures are None for a triode.
    """

    type: str
    plate_v: Value = quantity("V", "Vp", "plate voltage to cathode")
    grid_v: Value = quantity("V", "Vg", "grid voltage to cathode")
    screen_v: Value | None = quantity("V", "Vg2", "screen voltage to cathode")
    plate_a: Value = quantity("A", "Ip", "plate current")
    screen_a: Value | None = quantity("A", "Ig2", "screen current")
    grid_a: Value = quantity("A", "Ig", "grid current")
    gm: Value = quantity("S", "gm", "transconductance, grid to plate")
    rp: Value = quantity("ohm", "rp", "plate resistance")
    mu: Value = quantity("", "mu", "amplification factor, grid to plate")

    def headline(self) -> str:
        """Type in one line."""
        return f"{self.type} at fixed voltages to cathode."

    def tables(self) -> list[Table]:
        """One row per quantity; arrays as their range."""
        rows = [
            (entry.doc, entry.symbol, (value, entry.unit))
            for entry in fields_of(self)
            if (value := getattr(self, entry.name)) is not None
        ]
        return [Table("", headed("quantity", "symbol", "value"), rows)]


def tube_point(
    type_: str, law: Law, plate: npt.ArrayLike, grid: npt.ArrayLike, screen: npt.ArrayLike | None
) -> TubePoint:
    """The point of a law; voltages [V] and parameters broadcast. rp and mu are infinite without current."""
    given = [plate, grid] if screen is None else [plate, screen, grid]
    laws = np.broadcast_shapes(*(np.shape(value) for value in law.parameters().values()))
    volts = np.broadcast_arrays(np.zeros(laws), *(np.asarray(each, dtype=float) for each in given))
    v = np.stack(volts[1:], axis=-1)
    i, g = law.evaluate(v)
    gm, gp = g[..., 0, -1], g[..., 0, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        rp, mu = 1.0 / gp, gm / gp
    return TubePoint(
        type=type_,
        plate_v=_value(v[..., 0]),
        grid_v=_value(v[..., -1]),
        screen_v=None if screen is None else _value(v[..., 1]),
        plate_a=_value(i[..., 0]),
        screen_a=None if screen is None else _value(i[..., 1]),
        grid_a=_value(i[..., -1]),
        gm=_value(gm),
        rp=_value(rp),
        mu=_value(mu),
    )


def _value(array: npt.ArrayLike) -> Value:
    """A float for a single point, else a read-only array."""
    kept = frozen_array(array)
    return kept if kept.ndim else float(kept)
