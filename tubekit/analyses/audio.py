"""A whole amp in time at a fixed audio step: line, rectifiers, tubes, transformers, speaker.

The equations and the rule are those of `stepping`. With one step length everything linear is done once: of
the unknowns only what capacitors and coils hold is carried on, q = Q'x with C = Q S Q', and a stage is

    (opened, a·S·q, outputs) = A (right side, 1, cos ωt, drive) - B i,     a = 2/(γh)

with Newton at the ports between the two terms. Every other unknown follows from right sides and port
currents, and so do means of one from means of the other. Steps are compiled where numba is installed
(`audio_kernel`), else they are those of `time_stepper`, a hundred times slower.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from tubekit.analyses import audio_kernel
from tubekit.analyses.audio_kernel import DIODES, ENOUGH, OTHERS, RECTIFIERS, TUBES, Plan, Room
from tubekit.analyses.mains import MainsState
from tubekit.analyses.stepping import GAMMA, Devices, Instant, Pencil
from tubekit.analyses.time_stepper import Convergence, TimeProblem, TimeSteps, advance, switched
from tubekit.analyses.transient import Transient, charge, stored_in
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import Circuit
from tubekit.circuit.stamps import pair
from tubekit.errors import CircuitError, SolveError

Array = np.ndarray
Progress = Callable[[float], None]
"""Called now and then with the share that is done."""

MOST_V = 100.0
"""No pickup and no bench generator gives more at a jack [V peak]; common practice, no source."""
OVERSHOOT = 2.0
"""A square wave has that much higher peaks at most between its samples."""
PIECE_S = 0.05
"""A run is looked after once in so much of its time [s]."""
SPANNED = 1e-9
"""Capacitors in a loop and coils without leakage span fewer directions than there are parts."""
TABLE = 16
"""Numbers of the law that has most."""


@dataclass(frozen=True, eq=False, repr=False)
class Played:
    """A circuit while a signal plays: `outputs` (T, J) [V] at every step, everything else as means.

    `run` has the means of every unknown and port current over `every` steps; its times are the middles.
    """

    rate_hz: float
    outputs: Array
    every: int
    run: Transient = field(repr=False)

    @property
    def seconds(self) -> float:
        """How much of the signal has been played [s]."""
        return len(self.outputs) / self.rate_hz


@dataclass(frozen=True, eq=False)
class Reduced:
    """One network at one step length, as the kernel wants it; `drawn` is the one that was asked for."""

    drawn: Network
    step_s: float
    source: Array
    edges: Array

    @cached_property
    def pins(self) -> Array:
        """What the voltages of ports are to the laws, (P, P): the pins of a tube may be swapped."""
        turn = np.eye(self.drawn.incidence.shape[1])
        for group in self.drawn.groups:
            for k in range(len(group.names) if group.pins is not None else 0):
                at = slice(group.ports.start + k * group.width, group.ports.start + (k + 1) * group.width)
                turn[at, at] = group.pins[0, k]  # type: ignore[index]
        return turn

    @cached_property
    def network(self) -> Network:
        """The network with ports where the laws look: the one that was drawn where no pins are swapped."""
        if all(group.pins is None for group in self.drawn.groups):
            return self.drawn
        groups = tuple(replace(group, pins=None) for group in self.drawn.groups)
        return replace(self.drawn, groups=groups, incidence=self.drawn.incidence @ self.pins.T)

    @cached_property
    def pencil(self) -> Pencil:
        """The network at this step length, solved once."""
        return Pencil.of(self.network, 2.0 / (GAMMA * self.step_s))

    @cached_property
    def span(self) -> Array:
        """Q (n, m): orthonormal, spans what capacitors and coils hold."""
        factor = self.network.storage_factor[0][0]
        columns = self.network.reactive @ factor
        sizes = np.linalg.norm(columns, axis=0)
        left, values, _ = np.linalg.svd(columns[:, sizes > 0.0] / sizes[sizes > 0.0], full_matrices=False)
        return np.asarray(left[:, values > SPANNED])

    @cached_property
    def given(self) -> Array:
        """What right sides, 1, cosine of the line and drive put into the equations, (n, m + 3)."""
        network = self.network
        return np.column_stack((self.span, network.dc[0], network.ac[0], self.source))

    def plan(self, enough: float) -> Plan:
        """For the kernel; `enough` is Newton's last correction of a grid [V], on plates `OTHERS` times it."""
        pencil = self.pencil
        edge, own = pencil.edge, pencil.resistance
        seen = np.concatenate((edge.T, self.span.T @ pencil.charge, self.edges.T)) @ pencil.inverse
        beyond = np.ascontiguousarray(pencil.seen - np.diag(own))
        devices = list(self._devices())
        kind, first, wide = (np.array([one[k] for one in devices], np.int64) for k in range(3))
        grids = [name == "grid" for _, name in self.network.port_names]
        few = np.where([*grids, *([False] * len(self.network.rectifiers))], 1.0, OTHERS)
        return Plan(
            np.ascontiguousarray(seen @ self.given), np.ascontiguousarray(seen[edge.shape[1] :] @ edge),
            beyond, own, np.abs(beyond).max(axis=0, initial=0.0), kind, first, np.repeat(first, wide),
            np.repeat(wide, wide), np.array([one[3] for one in devices]).reshape(-1, TABLE), enough * few,
        )  # fmt: skip

    def _devices(self) -> Iterator[tuple[int, int, int, Array]]:
        """Law, first port, ports and numbers of every device, rectifiers last."""
        for group in self.network.groups:
            if type(group.law) not in TUBES:
                raise CircuitError("cannot be played: its law is not known here", part=group.names[0])
            for k in range(len(group.names)):
                numbers = _numbers(group.law, k, len(group.names))
                yield TUBES.index(type(group.law)), group.ports.start + k * group.width, group.width, numbers
        for k, part in enumerate(self.network.rectifiers):
            law = RECTIFIERS + DIODES.index(type(part.law))
            yield law, self.pencil.tubes + k, 1, _numbers(part.law, 0, 1)

    def unknowns(self, means: Array) -> Array:
        """Every unknown (K, n) from `means` (K, m + 3 + P) of what is `given`, then of port currents."""
        width = self.given.shape[1]
        return np.asarray(
            means[:, :width] @ (self.pencil.inverse @ self.given).T
            - means[:, width:] @ (self.pencil.inverse @ self.pencil.edge).T
        )


def _numbers(law: object, k: int, count: int) -> Array:
    """The parameters of one of `count` devices, in the order of the law."""
    values = [np.broadcast_to(value, (count,))[k] for value in law.parameters().values()]  # type: ignore[attr-defined]
    return np.array([*values, *([0.0] * (TABLE - len(values)))])


@on_one_core
def play(
    circuit: Circuit,
    drive_v: Array,
    rate_hz: float,
    *,
    source: str,
    outputs: Sequence[tuple[str, str]],
    start: MainsState,
    every: int = 1,
    progress: Progress | None = None,
    compiled: bool | None = None,
    enough: float = ENOUGH,
) -> Played:
    """Play a signal through a circuit, line and rectifiers running.

    Parameters
    ----------
    circuit
        A single circuit with a voltage source for the signal.
    drive_v
        The signal (T,) [V], one value per step, the first one step from now.
    rate_hz
        Steps a second [Hz].
    source
        Name of the source that the signal is added to.
    outputs
        Pairs of nodes whose voltage is kept at every step.
    start
        Steady state on the line of the same amp, without the signal.
    every
        Everything else is kept as its mean over so many steps.
    progress
        Called now and then with the share done; a KeyboardInterrupt from it keeps what is done.
    compiled
        Whether to run compiled; where numba is installed when not given.
    enough
        Correction at which Newton ends [V].

    Returns
    -------
    Played
        Outputs and traces; a run that Ctrl-C ends has what was done.

    Raises
    ------
    CircuitError
        A batch, a signal that is no signal, no such source.
    SolveError
        A step does not arrive.
    """
    network = assemble(circuit)
    drive = _checked(np.asarray(drive_v, float), network, rate_hz, every)
    place = network.unknowns.index(f"I({source})")
    edges = [pair(len(network.unknowns), network.index, a, b) for a, b in outputs]
    reduced = Reduced(
        network,
        1.0 / rate_hz,
        np.eye(len(network.unknowns))[place],
        np.array(edges).reshape(-1, len(network.unknowns)).T,
    )
    run = _Compiled if (audio_kernel.installed() if compiled is None else compiled) else _Plain
    return _through(run(reduced, drive, start, every, enough), progress)


def _checked(drive: Array, network: Network, rate_hz: float, every: int) -> Array:
    if network.batch is not None:
        raise CircuitError("only one amp can be played", fix="Take one member")
    if not (np.isfinite(rate_hz) and 1e3 <= rate_hz <= 1e7) or drive.ndim != 1 or every < 1:
        raise CircuitError(
            f"cannot play at {rate_hz} steps a second", fix="Use a single channel at 1 kHz to 10 MHz"
        )
    if not np.isfinite(drive).all():
        at = int(np.argmin(np.isfinite(drive)))
        raise CircuitError(
            f"the signal is not a number at sample {at + 1} ({at / rate_hz:.3g} s)", fix="Fix the file"
        )
    peak = float(np.abs(drive).max(initial=0.0))
    if peak > OVERSHOOT * MOST_V:
        raise CircuitError(
            f"a signal of {peak:.3g} V peak at a jack", fix=f"Use a level up to {MOST_V:g} V peak"
        )
    return np.concatenate(([0.0], drive, np.zeros(-len(drive) % every)))


class _Run:
    """A run so far: what the compiled and the plain one have in common."""

    def __init__(self, reduced: Reduced, drive: Array, start: MainsState, every: int, enough: float) -> None:
        network, x = reduced.network, start.spectrum[0].sum(axis=0).real  # the line is at its peak
        self.reduced, self.drive, self.every, self.enough = reduced, drive, every, enough
        self.turn = 2.0 * np.pi * start.frequency_hz
        self.outputs = np.zeros((len(drive) - 1, reduced.edges.shape[1]))
        ports = network.incidence.shape[1] + len(network.rectifiers)
        self.means = np.zeros(((len(drive) - 1) // every, reduced.given.shape[1] + ports))
        was = start.operating_point
        volts = None
        if was.network.port_names == network.port_names:
            volts = reduced.pins @ was.port_volts[0]
        self.job = TimeProblem(
            network, Instant(volts), self.source, np.inf, 0.0, reduced.step_s, None, Devices.of(network)
        )
        self.trace, self.done = TimeSteps(), 0
        self.state = switched(self.job, charge(network, stored_in(was.network, x)), self.trace)

    def source(self, time: float) -> Array:
        """The right side of the equations at a time."""
        network, at = self.reduced.network, time / self.reduced.step_s
        k = min(int(at), len(self.drive) - 2)
        here = self.drive[k] + (at - k) * (self.drive[k + 1] - self.drive[k])
        return np.asarray(
            network.dc[0] + network.ac[0] * np.cos(self.turn * time) + self.reduced.source * here
        )

    def piece(self, length: int) -> None:
        """Go on by so many steps."""
        raise NotImplementedError

    def played(self, done: int) -> Played:
        """What there is after so many steps."""
        reduced, blocks = self.reduced, done // self.every
        means, width = self.means[:blocks], reduced.given.shape[1]
        x, currents, tubes = reduced.unknowns(means), means[:, width:], len(reduced.pins)
        currents = np.column_stack((currents[:, :tubes] @ reduced.pins, currents[:, tubes:]))
        time = (np.arange(blocks) + 0.5) * self.every * reduced.step_s + 0.5 * reduced.step_s * (
            self.every == 1
        )
        judged = Convergence(
            np.array([True]),
            np.array([done]),
            np.array([self.enough]),
            "V",
            "fixed steps",
            np.full(1, np.nan),
        )
        run = Transient(
            reduced.drawn.circuit, time, x, x, x, currents, "fixed steps", network=reduced.drawn,
            convergence=judged,
        )  # fmt: skip
        return Played(1.0 / reduced.step_s, self.outputs[: blocks * self.every], self.every, run)


class _Compiled(_Run):
    """In the kernel."""

    def __init__(self, reduced: Reduced, drive: Array, start: MainsState, every: int, enough: float) -> None:
        super().__init__(reduced, drive, start, every, enough)
        state, own = self.state, reduced.pencil.resistance
        volts = reduced.pencil.edge.T @ state.x
        self.past = np.tile(volts + own * state.currents, (3, 1))
        self.charge = reduced.span.T @ (reduced.pencil.charge @ state.x)
        self.rate = reduced.span.T @ state.rate
        self.angle = np.array([0.0, self.turn * reduced.step_s])
        self.steps, self.plan = audio_kernel.compiled(), reduced.plan(enough)
        self.room = Room.of(self.plan)
        self.room.i[:] = state.currents

    def piece(self, length: int) -> None:
        """See `_Run`."""
        here = self.done
        blocks = slice(here // self.every, (here + length) // self.every)
        gone = self.steps(
            self.plan, self.room, self.drive[here : here + length + 1], self.angle, self.charge, self.rate,
            self.past, self.outputs[here : here + length], self.means[blocks], self.every,
        )  # fmt: skip
        self.done += gone
        if gone < length:
            raise _lost(self)


class _Plain(_Run):
    """The whole network step by step, in numpy."""

    def piece(self, length: int) -> None:
        """See `_Run`."""
        reduced = self.reduced
        for _ in range(length):
            t = self.done
            gone = advance(self.job, reduced.pencil, self.state, reduced.step_s, self.trace)
            if gone is None:
                raise _lost(self)
            self.state = gone[0]
            self.outputs[t] = self.state.x @ reduced.edges
            right = reduced.pencil.charge @ self.state.x - self.state.rate
            angle = self.turn * self.state.time
            known = (reduced.span.T @ right, (1.0, np.cos(angle), self.drive[t + 1]), self.state.currents)
            self.means[t // self.every] += np.concatenate(known) / self.every
            self.done += 1


def _lost(run: _Run) -> SolveError:
    done = run.done - run.done % run.every
    return SolveError(
        f"The calculation stopped at {run.done * run.reduced.step_s:.4g} s of the signal",
        best=run.played(done), iterations=run.done,
    )  # fmt: skip


def _through(run: _Run, progress: Progress | None) -> Played:
    """Piece by piece; what is done when Ctrl-C comes is kept."""
    every, whole = run.every, len(run.drive) - 1
    length = every * max(1, round(PIECE_S / run.reduced.step_s / every))
    try:
        while run.done < whole:
            run.piece(min(length, whole - run.done))
            if progress is not None:
                progress(run.done / whole)
    except KeyboardInterrupt:
        return run.played(run.done - run.done % every)
    return run.played(whole)
