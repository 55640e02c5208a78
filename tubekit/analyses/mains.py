"""A circuit fed from the line, in periodic steady state: ripple, rectifier current, mean voltages.

The tubes see the supply as a straight line, mean current by mean voltage (`operating_point.Feed`), and load
the ripple with their slopes; the rectifiers see that linear network over the cycle (`cycle`). The two are
repeated until they agree; each round is a Newton step from both sides, so two or three rounds do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from tubekit.analyses.cycle import Cycle
from tubekit.analyses.harmonics import wave
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.analyses.supply import Supply, SupplyState
from tubekit.analyses.time_stepper import RELAXED, Convergence, seal
from tubekit.circuit.network import assemble
from tubekit.circuit.newton import TOLERANCE, evaluate, on_one_core
from tubekit.circuit.parts import GROUND, Circuit, Windings
from tubekit.circuit.stamps import REVERSE_LEAK
from tubekit.errors import CircuitError, SolveError, near_matches, warn_batch
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity

SAMPLES = 256
ROUNDS = 25
AGREED = 1e-5
"""Rounds end when supply and tubes agree on the mean voltage of every tube port to this [V]."""
BEGUN = 1e-3
"""The tubes are solved so far before the first cycle, which moves them by more [V]."""
ROUGHLY = 2e-4
"""The same for large batches [V]: what is left after a round is of the second order in it."""
LAST = 1e-6
"""The last step of the tubes in a large batch [V]: what is left after it is of the second order in it."""
PATIENCE, SHRINKS = 6, 0.5
"""A member leaves too when for so many rounds it has not come nearer than this share of its best."""
PER_AMPERE = 100.0
"""A mean rectifier current that they do not agree on counts as this many volts an ampere [Ω]."""
SHARE, WORKERS = 128, 2
"""Members of a large batch that are solved together: what stays near the processor."""
WHOLE_A = 0.1
"""Currents above this are compared by their share: amperes of a short carry that much more rounding [A]."""


@dataclass(frozen=True, eq=False)
class MainsState(Printed):
    """Steady state over one line cycle. Arrays lead with N (1 for a single circuit)."""

    circuit: Circuit
    frequency_hz: float
    operating_point: OperatingPoint = field(repr=False)
    spectrum: Array = quantity("V, A", "X", "harmonics 0..K of every unknown, (N, K+1, n), peak values")
    rectifier_currents: Array = quantity("A", "i", "current of each rectifier over the cycle, (N, R, S)")
    rectifier_volts: Array = quantity("V", "v", "voltage across each rectifier, (N, R, S)")
    rounds: int = 0
    convergence: Convergence = field(repr=False, kw_only=True)
    cycle: Cycle = field(repr=False, kw_only=True)

    @property
    def time(self) -> Array:
        """Sample times over one cycle [s], (S,)."""
        samples = self.rectifier_currents.shape[2]
        return np.asarray(np.arange(samples) / (samples * self.frequency_hz))

    def waveform(self, node: str, to: str = "ground") -> Array:
        """Voltage of a node over one line cycle [V], (N, S)."""
        return self._wave(node, to, self.rectifier_currents.shape[2])

    def mean(self, node: str, to: str = "ground") -> Array:
        """Mean voltage [V], (N,)."""
        return np.asarray((self._spectrum(node) - self._spectrum(to))[:, 0].real)

    def ripple_pp(self, node: str, to: str = "ground") -> Array:
        """Peak-to-peak alternating voltage [V], (N,)."""
        if to == GROUND and len(self.spectrum) == 1:
            k = self._place(node)
            return self._all_pp[:, k] if k >= 0 else np.zeros(1)
        return np.asarray(np.ptp(self._wave(node, to, self._fine), axis=1))

    @cached_property
    def _all_pp(self) -> Array:
        """Peak to peak of every unknown, (1, n)."""
        rows = self.spectrum[0].T
        return np.asarray(np.ptp(wave(rows, self._fine), axis=1)[None])

    @property
    def _fine(self) -> int:
        """The peaks of a band-limited wave lie between samples."""
        return 4 * int(self.rectifier_currents.shape[2])

    def ripple_rms(self, node: str, to: str = "ground") -> Array:
        """Effective value of the alternating part [V], (N,)."""
        alternating = (self._spectrum(node) - self._spectrum(to))[:, 1:]
        return np.asarray(np.sqrt(0.5 * (np.abs(alternating) ** 2).sum(axis=1)))

    def harmonic(self, node: str, order: int) -> Array:
        """Peak phasor of one harmonic of the line at a node [V], (N,) complex."""
        return self._spectrum(node)[:, order]

    def winding_rms(self, name: str, coil: int = 0) -> Array:
        """Effective current in a coil [A], (N,)."""
        squares = np.abs(self._coil(name, coil)) ** 2
        return np.asarray(np.sqrt(squares[:, 0] + 0.5 * squares[:, 1:].sum(axis=1)))

    def winding_mean(self, name: str, coil: int = 0) -> Array:
        """Direct current in a coil [A], from its start through it, (N,)."""
        return np.asarray(self._coil(name, coil)[:, 0].real)

    @property
    def unloaded(self) -> Array:
        """Rectifiers that deliver no more than leaks take: their output stands at the peak, (N, R)."""
        volts = np.abs(self.rectifier_volts.mean(axis=2))
        return np.asarray(self.rectifier_currents.mean(axis=2) < 2.0 * REVERSE_LEAK * volts)

    def _coil(self, name: str, coil: int) -> Array:
        unknown, known = f"I({name}.{coil})", self.operating_point.network.unknowns
        if unknown not in known:
            coils = {part.name for part in self.circuit.of(Windings)}
            raise CircuitError(
                f"has no coil {coil}" if name in coils else "no such coil", part=name,
                fix="Name a choke or transformer, coils counted from 0", near=near_matches(name, coils),
            )  # fmt: skip
        return self.spectrum[:, :, known.index(unknown)]

    def _wave(self, node: str, to: str, samples: int) -> Array:
        return wave(self._spectrum(node) - self._spectrum(to), samples)

    def _spectrum(self, node: str) -> Array:
        k = self._place(node)
        return self.spectrum[..., k] if k >= 0 else np.zeros(self.spectrum.shape[:-1], complex)

    def _place(self, node: str) -> int:
        """Column of a node; -1 for ground and what is wired to it."""
        network = self.operating_point.network
        if node != GROUND and node not in network.index:
            self.operating_point.volts(node)  # names the node that is not there
        return -1 if node == GROUND else network.index[node]

    def headline(self) -> str:
        """One line for the top of a print."""
        return (
            f"Steady state on the line at {self.frequency_hz:g} Hz: {self.convergence}, {self.rounds} rounds"
        )

    def tables(self) -> list[Table]:
        """Mean and ripple at every node; current of each rectifier."""
        nodes = [
            (node, self.mean(node), self.ripple_pp(node), self.ripple_rms(node))
            for node in self.circuit.nodes
        ]
        heads = headed("node", "mean [V]", "ripple p-p [V]", "ripple rms [V]")
        currents = self.rectifier_currents
        rectifiers = [
            (r.name, currents[:, j].mean(1), currents[:, j].max(1), -self.rectifier_volts[:, j].min(1))
            for j, r in enumerate(self.operating_point.network.rectifiers)
        ]
        under = headed("rectifier", "mean [A]", "peak [A]", "peak inverse [V]")
        return [Table("Nodes", heads, nodes), Table("Rectifiers", under, rectifiers)]


@on_one_core
def mains_steady_state(
    circuit: Circuit,
    *,
    frequency_hz: float,
    samples: int = SAMPLES,
    near: MainsState | None = None,
    strict: bool = True,
    rails_only: bool = False,
) -> MainsState:
    """Periodic steady state of a circuit whose voltage sources carry `ac` at the line frequency.

    Parameters
    ----------
    circuit
        The circuit, or a batch of them (arrays in its parts).
    frequency_hz
        Line frequency [Hz].
    samples
        Points per cycle, even; 256 keeps ripple within 0.1 % of a tight integration.
    near
        A solution of a circuit of the same shape, to start from.
    strict
        A single circuit that does not settle raises; a batch warns once and gives NaN.
    rails_only
        For large batches: the linear network is proven where the rectifiers look; microvolts of ripple at the
        first grid may then be off.

    Returns
    -------
    MainsState
        Volts and currents over one line cycle, with the operating point of the tubes.

    Raises
    ------
    SolveError
        A single circuit does not settle.
    CircuitError
        Frequency or sample count out of range.

    Examples
    --------
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Rectifier, Resistor, VoltageSource
    >>> from tubekit.devices.rectifier import IdealDiode
    >>> half = Circuit((VoltageSource("T1", "s", "ground", ac=100.0), Resistor("R1", "s", "a", 10.0),
    ...                 Rectifier("CR1", IdealDiode(), "a", "b"), Capacitor("C1", "b", "ground", 1e-3),
    ...                 Resistor("R2", "b", "ground", 1000.0)))
    >>> round(float(mains_steady_state(half, frequency_hz=60.0).mean("b")[0]), 1)
    90.3
    """
    if not 1.0 <= frequency_hz <= 1e5 or samples % 2 or samples < 16:
        raise CircuitError(
            f"cannot take {samples} samples of a {frequency_hz} Hz cycle",
            fix="Use 1 Hz to 100 kHz and an even number of samples from 16 up",
        )
    network = assemble(circuit)
    supply = Supply(network, frequency_hz, samples, rails_only)
    pieces = _in_shares(supply, near)
    lost = np.sort(np.concatenate([piece.rows[piece.lost] for piece in pieces]))
    if near is not None and len(lost):  # a near solution can mislead: what it lost starts afresh
        every = len(lost) == network.size
        try:
            again = _rounds(supply.members(lost) if not every else supply)
        except CircuitError:  # they have none, the others have
            if every:
                raise
        else:
            pieces = [piece.members(~piece.lost) for piece in pieces if not piece.lost.all()]
            pieces += [replace(piece, rows=lost[piece.rows]) for piece in again]
    return _judged(_state(circuit, supply, pieces), strict)


def with_conductance(state: MainsState, members: Array, added: Array) -> Array:
    """Means of every unknown (K, n) of some `members` (K,) of a state with more conductance (K, n, n) [S] in
    their networks, such as that of a meter; NaN where there is no such state.
    """
    point = state.operating_point.members(members)
    network = point.network.members(members)
    network = replace(network, conductance=network.conductance + added)
    near = replace(state, operating_point=replace(point, network=network), cycle=state.cycle.members(members))
    result = np.full(point.unknowns.shape, np.nan)
    for piece in _rounds(Supply(network, state.frequency_hz, state.cycle.volts.shape[2], True), near):
        result[piece.rows[~piece.lost]] = piece.point.unknowns[~piece.lost]
    return result


@dataclass(frozen=True, eq=False)
class _Piece:
    """Members that left the rounds together: their `rows` in the batch, and what they came to."""

    rows: Array
    point: OperatingPoint
    spectrum: Array
    cycle: Cycle
    apart: Array
    rounds: int
    agreed: Array
    slow: Mapping[str, int]

    @property
    def lost(self) -> Array:
        """Those that did not agree."""
        return np.asarray(~(self.cycle.converged & self.point.convergence.converged & self.agreed))

    def members(self, keep: Array) -> _Piece:
        """Some of them."""
        return _Piece(
            self.rows[keep], self.point.members(keep), self.spectrum[keep], self.cycle.members(keep),
            self.apart[keep], self.rounds, self.agreed[keep], self.slow,
        )  # fmt: skip


def _in_shares(supply: Supply, near: MainsState | None) -> list[_Piece]:
    """The rounds of a large batch in shares of it, two at a time."""
    size = supply.network.size
    places = [np.arange(k, min(k + SHARE, size)) for k in range(0, size, SHARE)]
    if len(places) < 2:
        return _rounds(supply, near)

    def share(rows: Array) -> list[_Piece]:
        begin = near
        if near is not None and len(near.cycle.error) == size:
            begin = replace(
                near, operating_point=near.operating_point.members(rows), cycle=near.cycle.members(rows)
            )
        some = replace(supply, network=supply.network.members(rows))
        return [replace(piece, rows=rows[piece.rows]) for piece in _rounds(some, begin)]

    try:
        with ThreadPoolExecutor(WORKERS) as pool:
            return [piece for pieces in pool.map(share, places) for piece in pieces]
    except CircuitError:  # a share without a solution, or all of them
        return _rounds(supply, near)


def _rounds(supply: Supply, near: MainsState | None = None) -> list[_Piece]:
    """Supply and tubes in turn; each member leaves as soon as it has settled or given up."""
    point, cycle = _begin(supply, near)
    limit, last = (ROUGHLY, LAST) if supply.rails_only else (AGREED, TOLERANCE)
    rows, best = np.arange(supply.network.size), np.full(supply.network.size, np.inf)
    nearer = np.zeros(len(rows), int)
    slow, pieces = Counter(point.convergence.ways_out), list[_Piece]()
    for done in range(1, ROUNDS + 1):
        answer = supply.cycle(point, cycle)
        cycle = answer.cycle
        point = solve_network(
            supply.network, answer.feed, point.port_volts, tolerance=last, ports=supply.ports
        )
        apart = _apart(answer, point)
        nearer[apart < SHRINKS * best] = done
        best = np.minimum(best, apart)
        slow.update({**point.convergence.ways_out, RELAXED: int(cycle.relaxed.sum())})
        leaves = ~(apart > limit) | (done >= nearer + PATIENCE) | (done == ROUNDS)
        if not leaves.any():
            continue
        means = np.where((apart <= limit)[:, None], point.unknowns, answer.mean)
        pieces.append(
            _Piece(
                rows[leaves], point if leaves.all() else point.members(leaves),
                answer.spectrum(means, leaves), cycle if leaves.all() else cycle.members(leaves),
                apart[leaves], done, apart[leaves] <= limit, slow,
            )
        )  # fmt: skip
        if leaves.all():
            break
        stays, slow = ~leaves, Counter()
        supply = supply.members(stays)
        rows, best, nearer = rows[stays], best[stays], nearer[stays]
        point, cycle = replace(point.members(stays), network=supply.network), cycle.members(stays)
    return pieces


def _begin(supply: Supply, near: MainsState | None) -> tuple[OperatingPoint, Cycle | None]:
    """The tubes as they stand at a near solution: as good a place for the first round as any other.

    Where that is one amp and this a batch, they settle first on the line that its rectifiers have. What is
    no near solution, since a member of it was lost or the ports are others, is not looked at.
    """
    network = supply.network
    if near is not None:
        was = near.operating_point
        volts, alike = was.port_volts, was.network.port_names == network.port_names
        alike &= len(was.network.rectifiers) == len(network.rectifiers)
        if alike and np.isfinite(volts).all():
            same = was.network.incidence.shape == network.incidence.shape
            same = same and bool((was.network.incidence == network.incidence).all())
            if same and len(volts) == network.size:
                currents, slopes = evaluate(network.groups, volts)
                return replace(was, circuit=network.circuit, network=network, port_currents=currents,
                               slopes=tuple(slopes)), near.cycle  # fmt: skip
            if len(volts) == 1:
                start = np.broadcast_to(volts, (network.size, volts.shape[1])) if same else None
                point = solve_network(network, was.feed, start, tolerance=BEGUN, ports=supply.ports)
                return point, near.cycle
    return solve_network(network, supply.guess(), ports=supply.ports), None


def _apart(answer: SupplyState, point: OperatingPoint) -> Array:
    """How far supply and tubes are from each other [V], (N,).

    Only what couples them counts: other nodes follow, and those that nothing but leakage holds follow poorly.
    """
    volts = answer.ports - point.port_volts
    amps = point.rectifier_currents - answer.feed.currents
    amps = amps / np.maximum(1.0, np.abs(point.rectifier_currents) / WHOLE_A)
    return np.asarray(np.abs(np.concatenate((volts, PER_AMPERE * amps), axis=1)).max(axis=1, initial=0.0))


def _state(circuit: Circuit, supply: Supply, pieces: list[_Piece]) -> MainsState:
    order = np.argsort(np.concatenate([piece.rows for piece in pieces]))
    slow = sum((Counter(piece.slow) for piece in pieces), Counter[str]())

    def whole(get: Callable[[_Piece], Array]) -> Array:
        first = get(pieces[0])
        result = np.empty((len(order), *first.shape[1:]), first.dtype)
        for piece in pieces:
            result[piece.rows] = get(piece)
        return result

    point = OperatingPoint.joined(supply.network, [piece.point for piece in pieces], order)
    cycle = Cycle.joined([piece.cycle for piece in pieces], order)
    convergence = Convergence(
        ~whole(lambda piece: piece.lost), whole(lambda piece: np.full(len(piece.rows), piece.rounds)),
        whole(lambda piece: piece.apart), "V", "supply and tubes in turn", point.convergence.residual_a, slow,
    )  # fmt: skip
    return MainsState(
        circuit, supply.frequency_hz, point, whole(lambda piece: piece.spectrum), cycle.currents, cycle.volts,
        max(piece.rounds for piece in pieces), convergence=convergence, cycle=cycle,
    )  # fmt: skip


def _judged(state: MainsState, strict: bool) -> MainsState:
    lost, point = state.convergence.mask, state.operating_point
    single = point.network.batch is None
    if single and lost.any() and strict:
        raise _failure(state)
    if not single and lost.any():
        warn_batch(lost, "steady state on the line")
    seal(
        lost & (not single), state.spectrum, state.rectifier_currents, state.rectifier_volts,
        point.unknowns, point.port_volts, point.port_currents, point.rectifier_currents,
    )  # fmt: skip
    return state


def _failure(state: MainsState) -> SolveError:
    point, cycle = state.operating_point, state.cycle
    if cycle.converged[0] and point.network.port_names:
        apart = np.abs(point.port_volts - state.spectrum[:, 0].real @ point.network.incidence)[0]
        worst, residual = " ".join(point.network.port_names[int(apart.argmax())]), float(apart.max())
    else:
        peaks = np.abs(state.rectifier_currents[0]).max(axis=1)
        worst, residual = point.network.rectifiers[int(peaks.argmax())].name, float(cycle.error[0])
    return SolveError(
        "Supply and amp did not agree", best=state, worst=worst, residual=residual, iterations=state.rounds
    )
