"""Where a meter can be put, and what it would show there: for one amp or a batch, by the full solve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.analyses.mains import LAST, MainsState, mains_steady_state, with_conductance
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import on_one_core, solve_ports
from tubekit.circuit.parts import GROUND, Circuit, VoltageSource
from tubekit.circuit.reduction import reduce_to_ports, reduce_with_rectifiers, solve_linear
from tubekit.errors import InputError, near_matches
from tubekit.result_fields import Array
from tubekit.text import quantity
from tubekit.units import show

SAMPLES = 64
"""Points of the line cycle; ripple within 1 % of the 256 of a report, mean within 0.1 V."""


OPEN_OHMS = 2e7
"""Above this an ohmmeter shows an open [Ω]; common practice, no source."""
LEAVES, MOVES_V = 0.95, 0.5
"""A meter that leaves less than this share of so many volts is solved with."""
NOUGHT = 0.05
"""Share of the least readable value below which a reading is told as nil."""


@dataclass(frozen=True)
class MeterQuantity:
    """A kind of reading: its words in a file, unit, least readable value, and effort (DC volts = 1).

    `ratio` readings are compared by their ratio (AC), the others by their difference.
    """

    words: str
    unit: str
    least: float
    effort: float
    ratio: bool = False
    signed: bool = False


QUANTITIES: dict[str, MeterQuantity] = {
    "dc_v": MeterQuantity("DC volts", "V", 0.01, 1.0, signed=True),
    "ac_rms_v": MeterQuantity("AC volts", "V", 0.005, 1.0, ratio=True),
    "ripple_pp_v": MeterQuantity("ripple p-p", "V", 0.005, 1.5, ratio=True),
    "ripple_rms_v": MeterQuantity("ripple rms", "V", 0.002, 1.5, ratio=True),
    "signal_rms_v": MeterQuantity("signal", "V", 0.0005, 2.0, ratio=True),
    "dc_a": MeterQuantity("current", "A", 2e-5, 3.0),
    "ohms": MeterQuantity("resistance", "ohm", 0.3, 4.0, ratio=True),
    "farads": MeterQuantity("capacitance", "F", 5e-12, 6.0, ratio=True),
    "emission": MeterQuantity("emission", "", 0.02, 8.0, ratio=True),
}
"""Efforts are the project's own scale: the power has to be off and the filters empty for ohms, a lead lifted
for a part's value."""


@dataclass(frozen=True)
class Probe:
    """One reading's place: two nodes for a voltage or resistance, (section, terminal) for a current.

    `frequency_hz` is that of a signal; nil is the frequency of the tone.
    """

    quantity: str
    place: tuple[str, str]
    frequency_hz: float = 0.0

    def __str__(self) -> str:
        return self.words(None)

    def words(self, amp: Amp | None) -> str:
        """The reading with its place as a hand finds it, 'DC volts at V3, V4 cathode (k34)'."""
        what = QUANTITIES[self.quantity].words
        if self.frequency_hz:
            what = f"{show(self.frequency_hz, 'Hz')} {what}"
        one, two = self.place
        if self.quantity == "dc_a":
            return f"{two} current of {one}"
        if amp is not None:
            one, two = map(amp.topology.place, self.place)
        return f"{what} at {one}" if two == GROUND else f"{what}, {one} to {two}"

    def format(self, value: float) -> str:
        """A value of this reading as a meter tells it: nil below what it reads, 'open' beyond its ohms."""
        kind = QUANTITIES[self.quantity]
        if self.quantity == "ohms" and value >= OPEN_OHMS:
            return "open"
        shown = 0.0 if abs(value) < NOUGHT * kind.least else value
        return show(shown, kind.unit)


@dataclass(frozen=True)
class Tone:
    """A test tone at an input: the generator's open voltage, its frequency and its own resistance."""

    jack: str
    level_rms_v: float = quantity("V", "v", "open-circuit voltage of the generator, RMS", default=0.02)
    frequency_hz: float = quantity("Hz", "f", "frequency", default=1000.0)
    source_ohms: float = quantity("ohm", "R", "resistance of the generator", default=600.0)


def plugged(amp: Amp, tone: Tone | None) -> Amp:
    """The amp with the generator's plug in its jack and the other inputs empty (as drawn without a tone).

    Raises
    ------
    InputError : there is no such input jack (near matches listed).
    """
    if tone is None:
        return amp
    inputs = [jack.designator for jack in drawn.input_jacks(amp.parts)]
    if tone.jack not in inputs:
        raise InputError(
            "there is no such input jack", where=amp.name, part=tone.jack,
            fix=f"Choose one of {', '.join(inputs)}", near=near_matches(tone.jack, inputs),
        )  # fmt: skip
    return amp.changed({f"{name}.plugged": name == tone.jack for name in inputs})


def tip_of(amp: Amp, tone: Tone) -> str:
    """The node the tone stands on."""
    jack = amp.parts[tone.jack]
    assert isinstance(jack, drawn.Jack)
    return jack.tip


@dataclass(frozen=True, eq=False)
class MeterValues:
    """What N amps show at M probes: `values` (N, M), the `source` ohms (N, M) a meter there works against;
    `adjoint` (N, n, D) [Ω], what a current into each unknown does to each of the D direct voltages.
    """

    probes: tuple[Probe, ...]
    values: Array
    source: Array
    state: MainsState
    adjoint: Array

    def loaded(self, meters: Array, elsewhere: Array | None = None) -> Array:
        """The values as meters of these input resistances (M,) show them.

        The circuit is a straight line to a meter, but where that leaves less than `LEAVES` of a voltage: the
        tubes are then solved with the meter in it, and so is the cycle where a rectifier feeds nothing else.
        Not so for members that are `elsewhere` (N,): theirs is another state.
        """
        share = np.abs(meters / (meters + self.source))
        result = self.values * share
        direct = np.array([probe.quantity == "dc_v" for probe in self.probes], bool)
        idle = self.state.unloaded
        # one that idles in all members of many is drawn so
        alone = (idle & ~(idle.all(axis=0) & (len(idle) > 2))).any(axis=1)
        heavy = (share < LEAVES) & direct & (np.abs(self.values) > MOVES_V)
        if elsewhere is not None:
            heavy[elsewhere] = False
        for cycle in (False, True):
            rows, columns = np.nonzero(heavy & (alone == cycle)[:, None])
            if len(rows):
                result[rows, columns] = self._with_meter(rows, columns, meters[columns], cycle)
        return np.asarray(result)

    def _with_meter(self, rows: Array, columns: Array, ohms: Array, cycle: bool) -> Array:
        """One reading of some members each, its meter in the circuit; NaN where that has no solution."""
        point, whole = self.state.operating_point, self.state.operating_point.network
        asked, own = np.unique(columns, return_inverse=True)
        pick = rows_of(whole, [self.probes[k].place for k in asked])
        if cycle:
            meters = (pick[:, :, None] * pick[:, None, :])[own] / ohms[:, None, None]
            return np.asarray((with_conductance(self.state, rows, meters) * pick[own]).sum(axis=1))
        once, each = np.unique(rows, return_inverse=True)
        fed = point.members(once).feed.beside(reduce_with_rectifiers(whole.members(once), pick.T))
        idle = point.port_volts[rows]
        ports = np.tile(np.arange(idle.shape[1] + 1), (len(rows), 1))
        ports[:, -1] += own

        def metered(some: Array, start: Array) -> tuple[Array, Array, Array]:
            met = fed.at(each[some], ports[some])
            met = met.beside(np.zeros((len(some), 1)), 1.0 / ohms[some, None, None])
            solution = solve_ports(met, start, LAST)
            return solution.volts, ohms[some] * met.follow(solution.currents)[:, 0], solution.converged

        one = np.unique(own, return_index=True)[1]  # what a meter moves in one member it does in most
        moved = metered(one, idle[one])[0] - idle[one]
        _, volts, converged = metered(np.arange(len(rows)), idle + moved[own])
        return np.where(converged, volts, np.nan)


@on_one_core
def meter_values(
    amp: Amp,
    circuit: Circuit,
    probes: Sequence[Probe],
    tone: Tone | None = None,
    near: MainsState | None = None,
) -> MeterValues:
    """Calculate what the circuit of an amp shows at `probes`; members that do not settle give NaN.

    `circuit` may be a batch. Signal readings need `tone`.
    """
    state = mains_steady_state(
        circuit, frequency_hz=amp.mains_hz, samples=SAMPLES, near=near, strict=False, rails_only=True
    )
    point = state.operating_point
    size = point.network.size
    values, source = np.zeros((size, len(probes))), np.zeros((size, len(probes)), complex)
    for k, probe in enumerate(probes):
        values[:, k] = _plain(state, probe)
    direct = [k for k, probe in enumerate(probes) if probe.quantity == "dc_v"]
    rows = rows_of(point.network, [probes[k].place for k in direct])
    adjoint = adjoint_of(point, rows.T)
    source[:, direct] = np.einsum("mn,bnm->bm", rows, adjoint)
    off = [k for k, probe in enumerate(probes) if probe.quantity == "ohms"]
    if off:
        values[:, off] = resistance(circuit, [probes[k].place for k in off])
    if tone is not None:
        heard = [k for k, probe in enumerate(probes) if probe.quantity == "signal_rms_v"]
        for frequency in {probes[k].frequency_hz for k in heard}:
            at = [k for k in heard if probes[k].frequency_hz == frequency]
            own = replace(tone, frequency_hz=frequency or tone.frequency_hz)
            values[:, at], source[:, at] = signal(amp, point, [probes[k].place for k in at], own)
    lost = state.convergence.mask
    values[lost] = np.nan
    return MeterValues(tuple(probes), values, source, state, adjoint)


def _plain(state: MainsState, probe: Probe) -> Array | float:
    one, two = probe.place
    match probe.quantity:
        case "dc_v":
            return state.mean(one, two)
        case "ac_rms_v" | "ripple_rms_v":
            return state.ripple_rms(one, two)
        case "ripple_pp_v":
            return state.ripple_pp(one, two)
        case "dc_a":
            return np.asarray(state.operating_point.current(one, two))
    return 0.0


def rows_of(network: Network, places: Sequence[tuple[str, str]]) -> Array:
    """One row per pair of nodes that picks its voltage out of the unknowns, (M, n)."""
    rows = np.zeros((len(places), len(network.unknowns)))
    for row, place in zip(rows, places, strict=True):
        for node, sign in zip(place, (1.0, -1.0), strict=True):
            k = -1 if node == GROUND else network.index[node]
            if k >= 0:
                row[k] += sign
    return rows


def adjoint_of(point: OperatingPoint, rows: Array) -> Array:
    """Effect of a current into each unknown on readings that are `rows` (n, M) or (N, n, M) of the unknowns,
    (N, n, M), with tubes and rectifiers as slopes. Source: see `sensitivity`.
    """
    network = point.network
    matrix = linearised(point.feed.into(network), list(point.slopes)).swapaxes(1, 2)
    if not rows.shape[-1]:
        return np.zeros((len(matrix), rows.shape[-2], 0))
    return solve_linear(network, matrix, np.broadcast_to(rows, (len(matrix), *rows.shape[-2:])))


def signal(
    amp: Amp, point: OperatingPoint, places: Sequence[tuple[str, str]], tone: Tone
) -> tuple[Array, Array]:
    """Effective signal volts at pairs of nodes (N, M) and the impedance there (N, M) [Ω]."""
    network = point.network
    drive = rows_of(network, [(tip_of(amp, tone), GROUND)])
    rows = rows_of(network, places)
    s = 2j * np.pi * tone.frequency_hz
    matrix = linearised(network, list(point.slopes)) + s * network.storage
    matrix = matrix + drive.T @ drive / tone.source_ohms
    right = np.concatenate((drive, rows)).T.astype(complex)
    answer = solve_linear(network, matrix, np.broadcast_to(right, (len(matrix), *right.shape)))
    heard = np.abs(answer[:, :, 0] @ rows.T) * tone.level_rms_v / tone.source_ohms
    return heard, np.einsum("mn,bnm->bm", rows, answer[:, :, 1:])


def resistance(circuit: Circuit, places: Sequence[tuple[str, str]]) -> Array:
    """Ohms between pairs of nodes with the plug out and the tubes cold, (N, M) [Ω]."""
    plugs = [part.name for part in circuit.of(VoltageSource)]
    network = assemble(circuit.without(*plugs))
    rows = np.zeros((len(places), len(network.unknowns)))
    known = [k for k, place in enumerate(places) if all(n == GROUND or n in network.index for n in place)]
    rows[known] = rows_of(network, [places[k] for k in known])
    across = np.diagonal(reduce_to_ports(network, rows.T).resistance, axis1=1, axis2=2)
    return np.asarray(across[:, network.incidence.shape[1] :])
