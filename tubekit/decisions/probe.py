"""Where a meter can be put, and what it would show there: for one amp or a batch, by the full solve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.parts import GROUND, Circuit, VoltageSource
from tubekit.circuit.reduction import solve_linear
from tubekit.circuit.threads import on_one_core
from tubekit.errors import InputError, near_matches
from tubekit.text import quantity
from tubekit.units import show

Array = np.ndarray

SAMPLES = 64
"""Points of the mains cycle; ripple within 1 % of the 256 of a report, mean within 0.1 V."""


OPEN_OHMS = 2e7
"""Above this an ohmmeter shows an open [Ω]; common practice, no source."""
NOUGHT = 0.05
"""Share of the least readable value below which a reading is told as nil."""


@dataclass(frozen=True)
class Quantity:
    """A kind of reading: its words in a file, unit, least readable value, and effort (DC volts = 1).

    `ratio` readings are compared by their ratio (AC), the others by their difference.
    """

    words: str
    unit: str
    least: float
    effort: float
    ratio: bool = False
    signed: bool = False


QUANTITIES: dict[str, Quantity] = {
    "dc_v": Quantity("DC volts", "V", 0.01, 1.0, signed=True),
    "ac_rms_v": Quantity("AC volts", "V", 0.005, 1.0, ratio=True),
    "ripple_pp_v": Quantity("ripple p-p", "V", 0.005, 1.5, ratio=True),
    "ripple_rms_v": Quantity("ripple rms", "V", 0.002, 1.5, ratio=True),
    "signal_rms_v": Quantity("signal", "V", 0.0005, 2.0, ratio=True),
    "dc_a": Quantity("current", "A", 2e-5, 3.0),
    "ohms": Quantity("resistance", "ohm", 0.3, 4.0, ratio=True),
    "farads": Quantity("capacitance", "F", 5e-12, 6.0, ratio=True),
    "emission": Quantity("emission", "", 0.02, 8.0, ratio=True),
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
        what = QUANTITIES[self.quantity].words
        if self.frequency_hz:
            what = f"{show(self.frequency_hz, 'Hz')} {what}"
        one, two = self.place
        if self.quantity == "dc_a":
            return f"{two} current of {one}"
        return f"{what} at {one}" if two == GROUND else f"{what}, {one} to {two}"

    def said(self, value: float) -> str:
        """A value of this reading as a meter tells it: nil below what it reads, 'open' beyond its ohms."""
        kind = QUANTITIES[self.quantity]
        if self.quantity == "ohms" and value >= OPEN_OHMS:
            return "open"
        shown = 0.0 if abs(value) < NOUGHT * kind.least else value
        return show(shown, kind.unit, 4 if self.quantity == "dc_v" else 3)


@dataclass(frozen=True)
class Tone:
    """A test tone at an input: the generator's open voltage, its frequency and its own resistance."""

    jack: str
    level_rms_v: float = quantity("V", "v", "open voltage of the generator, effective value", default=0.02)
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
    inputs = [n for n, p in amp.parts.items() if isinstance(p, drawn.Jack) and p.direction == "input"]
    if tone.jack not in inputs:
        raise InputError(
            "there is no such input jack", where=amp.name, part=tone.jack,
            fix=f"Name one of {', '.join(inputs)}", near=near_matches(tone.jack, inputs),
        )  # fmt: skip
    return amp.changed({f"{name}.plugged": name == tone.jack for name in inputs})


def tip_of(amp: Amp, tone: Tone) -> str:
    """The node the tone stands on."""
    jack = amp.parts[tone.jack]
    assert isinstance(jack, drawn.Jack)
    return jack.tip


@dataclass(frozen=True, eq=False)
class Shown:
    """What N amps show at M probes: `values` (N, M), the `source` ohms (N, M) a meter there works against."""

    values: Array
    source: Array
    state: MainsState

    def loaded(self, meters: Array) -> Array:
        """The values as meters of these input resistances (M,) show them."""
        return np.asarray(self.values * np.abs(meters / (meters + self.source)))


@on_one_core
def shown(
    amp: Amp,
    circuit: Circuit,
    probes: Sequence[Probe],
    tone: Tone | None = None,
    near: MainsState | None = None,
) -> Shown:
    """What the circuit of an amp shows at `probes`; members that do not settle give NaN.

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
    _at_dc(point, probes, source)
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
    return Shown(values, source, state)


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


def _at_dc(point: OperatingPoint, probes: Sequence[Probe], source: Array) -> None:
    """Source resistance of every DC voltage, tubes and rectifiers as slopes."""
    direct = [k for k, probe in enumerate(probes) if probe.quantity == "dc_v"]
    if not direct:
        return
    network = point.network
    rows = rows_of(network, [probes[k].place for k in direct])
    matrix = linearised(point.feed.into(network), list(point.slopes))
    answer = solve_linear(network, matrix, np.broadcast_to(rows.T, (len(matrix), *rows.T.shape)))
    source[:, direct] = np.einsum("mn,bnm->bm", rows, answer)


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
    right = np.broadcast_to(rows.T, (network.size, *rows.T.shape))
    answer = solve_linear(network, network.conductance, right)
    return np.asarray(np.einsum("mn,bnm->bm", rows, answer))
