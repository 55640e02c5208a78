"""Where a low rail comes from when every part may be good: its difference shared out among them.

Each good part moves the readings by a known amount for one standard deviation of its own; of all ways in
which they could add up to what was read the mean and the spread are taken (linear, normal: a Gauss-Markov
estimate, textbook, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts import MainsPlug, PowerTransformer
from tubekit.amp.parts.part import Part
from tubekit.amp.parts.tubes import Tube
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe
from tubekit.decisions.reading import Readings
from tubekit.decisions.spread import Spread
from tubekit.text import Table, headed, quantity

Array = np.ndarray

WORTH = 0.02
"""A rail this far off the typical one is shared out."""


@dataclass(frozen=True)
class Share:
    """What one kind of part adds to a reading, as a fraction of the typical reading, with one standard
    deviation of that.
    """

    cause: str
    amount: float = quantity("", "", "part of the difference, as a share of the typical reading", default=0.0)
    sd: float = quantity("", "", "its standard deviation", default=0.0)

    def __str__(self) -> str:
        return f"{self.cause} {100 * self.amount:+.1f} ± {100 * self.sd:.1f} %"


@dataclass(frozen=True)
class RailShortfall:
    """One rail and what makes it differ from a typical good amp's, the largest share first."""

    probe: Probe
    off: float = quantity("", "", "how far the reading is off the typical one")
    shares: tuple[Share, ...] = ()

    def headline(self) -> str:
        """In one line, as 'B1 6.0 % low: line -2.0 ± 1.0 %, rectifier …'."""
        side = "low" if self.off < 0 else "high"
        return f"{self.probe.place[0]} {100 * abs(self.off):.1f} % {side}: " + ", ".join(
            map(str, self.shares)
        )

    def table(self) -> Table:
        """One row per cause."""
        side = "low" if self.off < 0 else "high"
        title = f"Why {self.probe.place[0]} is {100 * abs(self.off):.1f} % {side} with all parts good"
        heads = headed("cause", "how much [%] +.1f", "± [%] .1f")
        rows = [(s.cause, 100 * s.amount, 100 * s.sd) for s in self.shares]
        note = "Compared with a typical good amp at the same line voltage; ± is one standard deviation."
        return Table(title, heads, rows, note=note)


def rail_shortfall(readings: Readings, bands: Spread, values: Array) -> RailShortfall | None:
    """The rail that is farthest off, shared out; None where none is off by `WORTH`.

    Parameters
    ----------
    bands : of the same amp, the readings among its probes.
    values : the readings with the meters' load taken off, (M,).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.decisions.judge import judge
    >>> from tubekit.decisions.reading import Reading, taken
    >>> rails = {"B1": 318.0, "B2": 279.0}
    >>> low = [Reading(Probe("dc_v", (rail, "ground")), volts) for rail, volts in rails.items()]
    >>> judge(taken(load_amp("teasel"), low), size=300).shares.shares[0].cause
    'line voltage'
    """
    at = {probe: k for k, probe in enumerate(bands.probes)}
    kept = [
        (j, at[r.probe]) for j, r in enumerate(readings.readings)
        if r.probe.quantity in ("dc_v", "dc_a") and np.isfinite(bands.effects[at[r.probe]]).all()
    ]  # fmt: skip
    if not kept:
        return None
    mine, places = (np.array(side) for side in zip(*kept, strict=True))
    typical, effects = bands.median[places], bands.effects[places]
    off = values[mine] - typical
    rails = {rail.node for rail in readings.amp.topology.rails}
    share = [
        abs(d / t) if p.quantity == "dc_v" and p.place[0] in rails and p.place[1] == GROUND and t else 0.0
        for d, t, p in zip(off, typical, (bands.probes[k] for k in places), strict=True)
    ]
    row = int(np.argmax(share))
    if share[row] < WORTH:
        return None
    meter = np.array([readings.readings[j].uncertainty for j in mine]) / np.sqrt(3.0)
    gain = np.linalg.solve(effects @ effects.T + np.diag(np.square(meter)), effects).T
    likely, left = gain @ off, np.eye(effects.shape[1]) - gain @ effects
    causes = np.array([_cause(readings.amp.parts[v.part]) for v in bands.variables])
    result = []
    for cause in dict.fromkeys(causes.tolist()):
        own = np.flatnonzero(causes == cause)
        pull = effects[row, own] / typical[row]
        sd = float(np.sqrt(max(pull @ left[np.ix_(own, own)] @ pull, 0.0)))
        result.append(Share(str(cause), float(pull @ likely[own]), sd))
    rest = float(off[row] / typical[row]) - sum(one.amount for one in result)
    result.append(Share("meter error, or a bad part", rest, float(meter[row] / abs(typical[row]))))
    result.sort(key=lambda one: -abs(one.amount))
    return RailShortfall(bands.probes[places[row]], float(off[row] / typical[row]), tuple(result))


def _cause(part: Part) -> str:
    if isinstance(part, MainsPlug):
        return "line voltage"
    if isinstance(part, PowerTransformer):
        return "power transformer"
    if any(part.rectifies()):
        return "rectifier"
    return "tubes" if isinstance(part, Tube) else "other parts"
