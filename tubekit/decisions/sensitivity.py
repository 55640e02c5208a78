"""What a small change of every variable does to direct readings, from the solution alone.

At a solution G x + E i(E'x) = b. A part that changes adds a known right side f to the linearised network
A dx = f; with λ from A' λ = c each reading c'x moves by λ'f, for all variables at the price of one more
solve. Source: adjoint network method, Director and Rohrer, IEEE Trans. Circuit Theory CT-16 (1969)
(from memory). The supply takes part through its regulation lines.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from tubekit.amp.parts.variables import Adjustment, Variable
from tubekit.analyses.mains import MainsState
from tubekit.circuit.network import Group, Network
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.parts import CurrentSource, Resistor, Windings
from tubekit.circuit.threads import on_one_core
from tubekit.decisions.probe import Probe, adjoint_of, rows_of
from tubekit.decisions.regulation import Lines

Array = np.ndarray

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
