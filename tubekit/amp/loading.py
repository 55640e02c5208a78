"""B+ of an amp against load."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.mains_solve import solve_mains
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.analyses.regulation import Regulation, regulation
from tubekit.devices import catalogue
from tubekit.errors import ChangeError, near_matches
from tubekit.text import Table

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


def load_regulation(amp: Amp, node: str | None = None, *, points: int = POINTS) -> SupplyRegulation:
    """The supply alone, its tubes pulled, with a current drawn from one of its rails.

    Parameters
    ----------
    node : the rail; the first reservoir when not given.

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
    amp.refuse_batch("each amp has its own curve")
    built, state = solve_mains(amp)
    rail = node or first_rail(amp)
    if rail not in state.circuit.nodes:
        near = near_matches(rail, state.circuit.nodes)
        raise ChangeError(f"there is no '{rail}' here", where=amp.name, fix="Write a B+ point", near=near)
    bare = built.circuit.cold
    amps = np.linspace(0.0, _rated(amp), points)
    result = regulation(bare, rail, amps, frequency_hz=amp.mains_hz)
    return SupplyRegulation(**vars(result), amp=amp)


def first_rail(amp: Amp) -> str:
    """Node of the first filter capacitor behind a rectifier, of a multiplier behind the last one."""
    rails = amp.topology.wired.rails
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
