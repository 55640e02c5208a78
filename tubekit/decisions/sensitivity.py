"""What a small change of every variable does to direct readings, from the solution alone.

At a solution G x + E i(E'x) = b. A part that changes adds a known right side f to the linearised network
A dx = f; with λ from A' λ = c each reading c'x moves by λ'f, for all variables at the price of one more
solve. Source: adjoint network method, Director and Rohrer, IEEE Trans. Circuit Theory CT-16 (1969)
(from memory). The supply takes part through its regulation lines.

Where a low rail comes from when every part may be good: its difference shared out among them.

Each good part moves the readings by a known amount for one standard deviation of its own; of all ways in
which they could add up to what was read the mean and the spread are taken (linear, normal: a Gauss-Markov
estimate, textbook, from memory).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts import MainsPlug, PowerTransformer
from tubekit.amp.parts.faults import Adjustment, Variable
from tubekit.amp.parts.part import Part
from tubekit.amp.parts.tubes import Tube
from tubekit.analyses.mains import MainsState
from tubekit.circuit.network import Group, Network
from tubekit.circuit.newton import block_diagonal, on_one_core
from tubekit.circuit.parts import GROUND, CurrentSource, Resistor, Windings
from tubekit.decisions.probe import Probe, adjoint_of, rows_of
from tubekit.decisions.reading import Readings
from tubekit.decisions.regulation import Lines
from tubekit.decisions.spread import Spread
from tubekit.result_fields import Array
from tubekit.text import Table, headed, quantity

NUDGE = 1e-5
"""Relative step of a law's parameter for its slope."""


@on_one_core
def sensitivity(
    state: MainsState,
    lines: Lines,
    probes: Sequence[Probe],
    varied: Sequence[Variable],
    adjoint: Array | None = None,
) -> Array:
    """Change of each DC reading per unit of each variable, (N, M, V), in the unit of the reading.

    `probes` are DC volts and currents; for a member that did not settle all are NaN. `adjoint` (N, n, D) of
    the volts is used where it was solved before (`MeterValues`).
    """
    work = _Work(state, lines)
    lean, direct = work.lean(probes, adjoint)
    result = np.zeros((work.network.size, len(probes), len(varied)))
    for v, variable in enumerate(varied):
        for turn in variable.turns:
            for place, amount in work.push(turn):
                at = np.flatnonzero(place)
                result[:, :, v] += amount[:, None] * (place[at] @ lean[:, at])
            moved = direct(turn)
            if moved is not None:
                result[:, :, v] += moved
    return result


class _Work:
    """One batch of solutions, with what its parts push where."""

    def __init__(self, state: MainsState, lines: Lines) -> None:
        self.point, self.lines = state.operating_point, lines
        self.network: Network = self.point.network
        self.parts = {part.name: part for part in state.circuit.parts}
        self.means = state.rectifier_currents.mean(axis=2)
        self.drops = self._drops()
        self.laws: dict[tuple[str, str], Array] = {}

    def _drops(self) -> Array:
        """U of each line at its current, (N, R)."""
        laws = list(self.lines.laws.values())
        per = np.array([np.asarray(law.conductance) for law in laws])
        power = np.array([np.asarray(law.exponent) for law in laws])
        return np.asarray((np.maximum(self.means, 1e-12) / per) ** (1.0 / power))

    def lean(self, probes: Sequence[Probe], adjoint: Array | None):  # type: ignore[no-untyped-def]
        """Effect of a current into each unknown on each reading (N, n, M), and a function of a turn: what it
        moves without the network.
        """
        network = self.network
        slopes = block_diagonal(network.groups, self.point.slopes)
        ports: list[list[int]] = [[] for _ in probes]
        result = np.empty((network.size, len(network.unknowns), len(probes)))
        volts = [m for m, probe in enumerate(probes) if probe.quantity == "dc_v"]
        if adjoint is None:
            adjoint = adjoint_of(self.point, rows_of(network, [probes[m].place for m in volts]).T)
        result[:, :, volts] = adjoint
        amps = [m for m in range(len(probes)) if m not in volts]
        for m in amps:
            name, terminal = probes[m].place
            ports[m] = [
                k for k, (n, t) in enumerate(network.port_names) if n == name and terminal in (t, "cathode")
            ]
        rows = [np.einsum("bp,np->bn", slopes[:, ports[m]].sum(axis=1), network.incidence) for m in amps]
        if rows:
            result[:, :, amps] = adjoint_of(self.point, np.stack(rows, axis=2))

        def direct(turn: Adjustment) -> Array | None:
            change = self._device(turn) if any(ports) else None
            if change is None:
                return None
            return np.stack([change[:, own].sum(axis=1) for own in ports], axis=1)

        return result, direct

    def push(self, turn: Adjustment) -> list[tuple[Array, Array]]:
        """Right sides f as (place (n,), amount (N,)) pairs for one unit of the turn's variable."""
        part = self.parts.get(turn.parameter.part)
        result: list[tuple[Array, Array]] = []
        match part:
            case Resistor():
                across = self._pair(part.a, part.b)
                amount = self.point.unknowns @ across / np.asarray(part.ohms)
                result.append((across, turn.gain * amount))
            case CurrentSource():
                result.append((self._pair(part.b, part.a), np.full(self.network.size, turn.gain)))
            case Windings() if turn.parameter.field.startswith("copper"):
                coil = int(turn.parameter.field[-1])
                row = self.network.unknowns.index(f"I({part.name}.{coil})")
                place = np.zeros(len(self.network.unknowns))
                place[row] = 1.0
                result.append((place, turn.gain * self.point.unknowns[:, row] * np.asarray(part.ohms[coil])))
        change = self._device(turn)
        if change is not None:
            result += [
                (-self.network.incidence[:, p], change[:, p]) for p in np.flatnonzero(change.any(axis=0))
            ]
        return result + self._supply(turn)

    def _supply(self, turn: Adjustment) -> list[tuple[Array, Array]]:
        powers = self.lines.powers.get(turn.parameter)
        if powers is None:
            return []
        edge, result = self.network.rectifier_incidence, []
        for r, law in enumerate(self.lines.laws.values()):
            pull = np.asarray(law.exponent) * np.asarray(law.open_volts) / self.drops[:, r]
            amount = self.means[:, r] * (powers[r, 1] + powers[r, 0] * pull)
            result.append((-edge[:, r], turn.gain * amount))
        return result

    def _device(self, turn: Adjustment) -> Array | None:
        """Change of the port currents (N, P) by a law's parameter, or None."""
        for group in self.network.groups:
            if turn.parameter.part in group.names and turn.parameter.field in group.law.parameters():
                every = self._parameter(group, turn.parameter.field)
                change = np.zeros_like(self.point.port_currents)
                j = group.names.index(turn.parameter.part)
                at = slice(group.ports.start + j * group.width, group.ports.start + (j + 1) * group.width)
                change[:, at] = turn.gain * every[:, j]
                return change
        return None

    def _parameter(self, group: Group, name: str) -> Array:
        """Currents' slopes (N, S, T) to the logarithm of one parameter."""
        key = (group.names[0], name)
        if key not in self.laws:
            volts = self.point.port_volts[:, group.ports].reshape(self.network.size, -1, group.width)
            value = np.asarray(group.law.parameters()[name])
            high, low = (
                dataclasses.replace(group.law, **{name: value * (1 + step)}).evaluate(volts)[0]  # type: ignore[type-var]
                for step in (NUDGE, -NUDGE)
            )
            self.laws[key] = (high - low) / (2 * NUDGE)
        return self.laws[key]

    def _pair(self, a: str, b: str) -> Array:
        return np.asarray(rows_of(self.network, [(a, b)])[0])


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
