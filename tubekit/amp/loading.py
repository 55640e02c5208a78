"""B+ of an amp against load and against mains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.mains_solve import solve_mains
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.amp.report import AmpReport, analyze
from tubekit.analyses.regulation import Regulation, regulation
from tubekit.devices import catalogue
from tubekit.errors import ChangeError, near_matches
from tubekit.text import Column, Printed, Table, quantity

Array = np.ndarray

POINTS = 25
MOST_A = 0.15
"""End of the curve where no rating says otherwise [A]; common practice, no source."""
NO_LOAD = "All tubes except rectifiers are pulled. At 0 A, only resistors in the supply (bleeders) load it."


@dataclass(frozen=True, eq=False, repr=False)
class SupplyRegulation(Regulation):
    """The regulation curve of one rail of an amp."""

    amp: Amp = field(repr=False, kw_only=True)

    def headline(self) -> str:
        """Ends of the curve, the amp first."""
        return f"{self.amp.title}: {super().headline()}"

    def tables(self) -> list[Table]:
        """The curve, and what it counts from."""
        (curve,) = super().tables()
        return [replace(curve, note=NO_LOAD)]


def load_regulation(
    amp: Amp, node: str | None = None, *, most: float | None = None, points: int = POINTS
) -> SupplyRegulation:
    """The supply alone, its tubes pulled, with a current drawn from one of its rails.

    Parameters
    ----------
    node : the rail; the first reservoir when not given.
    most : end of the curve [A]; the rectifier's rating when not given.

    Raises
    ------
    ChangeError : a batch, or no such rail.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> curve = load_regulation(load_amp("teasel"))
    >>> curve.node, bool(curve.volts[0] > curve.volts[-1] + 50)
    ('B1', True)
    """
    if amp.batch is not None:
        raise ChangeError("each amp has its own curve", where=amp.name, fix="Take one with member(0)")
    built, state = solve_mains(amp)
    rail = node or first_rail(amp)
    if rail not in state.circuit.nodes:
        near = near_matches(rail, state.circuit.nodes)
        raise ChangeError(f"there is no '{rail}' here", where=amp.name, fix="Write a B+ point", near=near)
    bare = built.circuit.cold
    amps = np.linspace(0.0, most or _rated(amp), points)
    result = regulation(bare, rail, amps, frequency_hz=amp.mains_hz)
    return SupplyRegulation(**vars(result), amp=amp)


def first_rail(amp: Amp) -> str:
    """Node of the first filter capacitor behind a rectifier, of a multiplier behind the last one."""
    wired = amp.topology.wired
    onward = {anode for _, anode, _ in wired.rectifiers}
    rails = sorted(wired.rails, key=lambda rail: rail.node in onward)
    if not rails:
        raise ChangeError("no first filter cap was found", where=amp.name, fix="Write node='B1' to load B1")
    return rails[0].node


def _rated(amp: Amp) -> float:
    rated = [
        catalogue.tube(part.type).ratings.dc_a
        for part in amp.parts.values()
        if isinstance(part, RectifierTube) and isinstance(part.type, str)
    ]
    windings = [w.amps for p in amp.parts.values() for w in getattr(p, "windings", ()) if "high" in w.name]
    known = [float(np.asarray(one)) for one in (*rated, *windings) if one is not None]
    return min(known) if known else MOST_A


@dataclass(frozen=True, eq=False, repr=False)
class MainsCurve(Printed):
    """A whole amp against its mains."""

    amp: Amp
    mains_rms: Array = quantity("V RMS", "V", "mains, (N,)")
    report: AmpReport = field(repr=False, kw_only=True)

    def rail(self, capacitor: str) -> Array:
        """Mean voltage of a filter capacitor [V], (N,); KeyError if there is none."""
        return np.asarray({one.capacitor: one.dc_v for one in self.report.rails}[capacitor])

    def headline(self) -> str:
        """Ends of the curve."""
        return f"{self.amp.title} from {self.mains_rms[0]:g} to {self.mains_rms[-1]:g} V line"

    def tables(self) -> list[Table]:
        """Rails, heaters and plates for each line voltage."""
        rails = self.report.rails
        tubes = [one for one in self.report.tubes if np.max(np.asarray(one.plate_w)) > 1.0]
        heads = (
            Column("line voltage", "V RMS"), *(Column(one.node, "V") for one in rails),
            Column("heaters", "V RMS"), *(Column(f"{one.section} plate dissipation", "W") for one in tubes),
        )  # fmt: skip
        heater = (
            np.asarray(self.report.tubes[0].heater_rms_v) if self.report.tubes else self.mains_rms * np.nan
        )
        columns = [np.asarray(one.dc_v) for one in rails], [np.asarray(one.plate_w) for one in tubes]
        rows = [
            (float(self.mains_rms[k]), *(v[k] for v in columns[0]), heater[k], *(w[k] for w in columns[1]))
            for k in range(len(self.mains_rms))
        ]
        return [Table("At each line voltage", heads, rows)]


def mains_regulation(amp: Amp, mains_rms: Sequence[float] | Array) -> MainsCurve:
    """An amp at each of several line voltages [V RMS], in one batch.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> curve = mains_regulation(load_amp("teasel"), [105, 117, 129])
    >>> bool((np.diff(curve.rail("C14")) > 0).all())
    True
    """
    volts = np.asarray(mains_rms, float)
    return MainsCurve(amp, volts, report=analyze(amp.changed({}, mains_rms=list(volts))))
