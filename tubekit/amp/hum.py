"""Hum at the output, and by which way it gets there.

Every rail, heater and bias node is taken at the ripple that the line steady state gives it. Each part
that joins such a node to the signal's side then carries its own share to the output, with phase;
the shares add up to the whole hum exactly, so that what cancels in a push-pull pair shows as two large
shares and a small sum. Magnetic fields, ground loops and ripple in the tubes' own curvature are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import HEATER_UNBALANCE, PICKUP_F, sections, tubes
from tubekit.amp.clipping import ClipPoint, estimated, linear_up_to
from tubekit.amp.hum_paths import HumPath, hum_paths
from tubekit.amp.parts import MainsPlug
from tubekit.amp.signal import BAND_HZ
from tubekit.amp.signal_order import signal_order
from tubekit.amp.signal_view import SOURCE_OHMS, SignalView, nothing_plugged, signal_view
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.small_signal import noise
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.reduction import solve_stack
from tubekit.errors import warn_batch
from tubekit.result_fields import Array
from tubekit.text import Column, Printed, Table, headed, quantity, to_json_value
from tubekit.units import show

CANCELS = 1.5
"""From this ratio of all ways alone to the whole on, that they cancel is said."""
NOTE = (
    "Alone: this path by itself. Heater couplings, wiring and pick-up "
    f"({PICKUP_F * 1e12:g} pF to a live wire) are usual values (common practice). "
    "Magnetic fields and ground loops are left out."
)
FIELD_NOTE = " Hum from ripple in a field coil is left out too."
FILAMENT_NOTE = (
    " The middle of a filament counts as its cathode; its hum at twice the line frequency is left out."
)


def hum_tables(hum: Hum) -> list[Table]:
    """By rail, by way, by frequency."""
    return [_by_rail(hum), _by_way(hum), _by_frequency(hum)]


def _by_rail(hum: Hum) -> Table:
    rows: list[tuple[Any, ...]] = []
    for (kind, node), volts in hum.together().items():
        size = np.sqrt((np.abs(volts) ** 2).sum(axis=1))
        largest = np.max([each.rms for each in _ways_of(hum, kind, node)], axis=0)
        if np.any(size > 0):  # what gets in nowhere has no level
            rows.append((node, kind, largest, size, hum.db(size)))
    rows.sort(key=lambda row: -float(np.max(row[3])))
    where = f"{hum.view.jack.designator}, open" if hum.open_input else "extra, if the input lead is open"
    if np.any(hum.pickup_v):
        rows.append((where + hum.clips_words, "stray pick-up", None, hum.pickup_v, hum.db(hum.pickup_v)))
    if hum.noise_v is not None:
        rows.append((where, "noise of the amp", None, hum.noise_v, hum.db(hum.noise_v)))
    heads = headed("source", "kind", "largest single path [V] tiny", "total [V] tiny", _re(hum))
    title, note = f"Hum at the {hum.view.output_words} by source", hum.view.input_words
    return Table(title, heads, rows, note=note, key="rails")


def _re(hum: Hum) -> str:
    """Head of the column of levels in decibels."""
    return f"relative to 1 {hum.view.unit} [dB] .0f"


def _ways_of(hum: Hum, kind: str, node: str) -> list[HumSource]:
    return [each for each in hum.sources if each.kind == kind and (kind == "heater" or each.node == node)]


def _by_way(hum: Hum) -> Table:
    heard = [each for each in hum.sources if np.nanmax(each.rms) > 0]
    order = sorted(heard, key=lambda each: -float(np.nanmax(each.rms)))[:14]
    rows = [(each.part, each.node, each.into, each.rms, hum.db(each.rms)) for each in order]
    heads = headed("through", "from", "into", "by itself [V] tiny", _re(hum))
    filament = any(tube.filament for tube in tubes(hum.amp))
    field = any(getattr(part, "field_of", "") for part in hum.amp.parts.values())
    words = NOTE + filament * FILAMENT_NOTE + field * FIELD_NOTE
    note = "\n".join(each for each in (_cancelling(hum), words) if each)
    return Table("Hum by path", heads, rows, note=note)


def _cancelling(hum: Hum) -> str:
    """What the whole owes to ways that cancel, as in a push-pull pair."""
    alone = float(np.max(np.sqrt(sum(each.rms**2 for each in hum.sources))))
    whole = float(np.max(hum.total_rms))
    if not alone > CANCELS * whole:
        return ""
    return (
        f"Paths cancel: without canceling they would add up to {show(alone, 'V RMS')}; together they make "
        f"{show(whole, 'V RMS')}. When a pair drifts out of match, you hear the difference."
    )


def _by_frequency(hum: Hum) -> Table:
    sizes = np.abs(hum.total)
    order = [k for k in np.argsort(-sizes.max(axis=0))[:6] if sizes[:, k].max() > 0]
    rows = [(float(hum.frequencies_hz[k]), sizes[:, k], hum.db(sizes[:, k])) for k in sorted(order)]
    heads = headed("frequency [Hz]", "hum [V] tiny", _re(hum))
    return Table("By frequency", heads, rows)


HARMONICS = 20
"""Harmonics of the line that are carried to the output."""


@dataclass(frozen=True, eq=False)
class HumSource:
    """One way for hum to the output; `volts` are rms phasors per harmonic, (N, H)."""

    kind: str
    node: str
    part: str
    into: str
    volts: Array = quantity("V RMS", "v", "hum at the output by harmonic")

    @property
    def rms(self) -> Array:
        """All harmonics together, alone [V], (N,)."""
        return np.asarray(np.sqrt((np.abs(self.volts) ** 2).sum(axis=1)))


@dataclass(frozen=True, eq=False, repr=False)
class Hum(Printed):
    """Hum at the output: the whole, and every way by which it comes."""

    amp: Amp
    output: str
    frequencies_hz: Array = quantity("Hz", "f", "harmonics of the line frequency")
    sources: tuple[HumSource, ...] = ()
    pickup_v: Array = quantity(
        "V RMS", "v", "hum added by an open input lead, up to where it clips", kw_only=True
    )
    pickup_clips: tuple[ClipPoint, ...] = field(default=(), kw_only=True)
    noise_v: Array | None = quantity(
        "V RMS", "v_n", "noise with an input open, 20 Hz to 20 kHz", default=None, kw_only=True
    )
    view: SignalView = field(repr=False, kw_only=True)

    @property
    def total(self) -> Array:
        """The whole hum per harmonic, rms phasors [V], (N, H)."""
        return np.asarray(sum(each.volts for each in self.sources))

    @property
    def total_rms(self) -> Array:
        """The whole hum [V], (N,)."""
        return np.asarray(np.sqrt((np.abs(self.total) ** 2).sum(axis=1)))

    def db(self, volts: Array) -> Array:
        """Decibels against one watt in the nominal impedance, or one volt at an output jack."""
        return self.view.db(volts)

    def share(self, source: HumSource) -> Array:
        """Part of the whole that this way makes, in phase with it: all of them add up to one, (N,)."""
        total = self.total
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(
                (source.volts * total.conj()).real.sum(axis=1) / (np.abs(total) ** 2).sum(axis=1)
            )

    def of_kind(self, kind: str) -> Array:
        """Sum of all paths of a kind ('rail', 'bias', 'heater', 'mains') make together, phasors (N, H)."""
        chosen = [each.volts for each in self.sources if each.kind == kind]
        return np.asarray(sum(chosen, np.zeros_like(self.total)))

    def together(self) -> dict[tuple[str, str], Array]:
        """(kind, node): what comes from each rail or heater node by all its ways, phasors (N, H)."""
        result: dict[tuple[str, str], Array] = {}
        for each in self.sources:
            key = (each.kind, "heaters" if each.kind == "heater" else each.node)
            result[key] = result.get(key, np.zeros_like(each.volts)) + each.volts
        return result

    def headline(self) -> str:
        """The whole hum in one sentence."""
        volts = self.total_rms
        if np.all(volts < NOTHING_V):
            return f"{self.amp.title}: no hum at {self.output} (less than 1 nV): no signal passes"
        size = Column("", "V").write(volts)
        words = f"{self.amp.title}: {size} of hum at {self.output}, {self._decibels()} 1 {self.view.unit}"
        if np.isnan(volts).any():
            words += f"; not calculated for {self.amp.variants(np.isnan(volts))}"
        if not self.open_input:
            return words
        stray = Column("", "V").write(self.pickup_v)
        return f"{words}; {self.view.jack.designator} is open and picks up {stray}{self.clips_words}"

    @property
    def clips_words(self) -> str:
        """Which stage the pick-up of an open lead drives past its limit; nothing where it drives none."""
        return f" (it clips: {self.pickup_clips[0].section})" if self.pickup_clips else ""

    @property
    def open_input(self) -> bool:
        """Whether an input is empty and its contact does not ground it."""
        return bool(self.view.empty and np.any(self.view.tip))

    def _decibels(self) -> str:
        decibels = self.db(self.total_rms)
        low, high = np.nanmin(decibels), np.nanmax(decibels)
        if high - low >= 0.5:
            return f"{low:.0f}…{high:.0f} dB relative to"
        return f"{abs(low):.0f} dB {'below' if low < 0 else 'above'}"

    def tables(self) -> list[Table]:
        """By rail, by way, by frequency."""
        return hum_tables(self)

    def to_json(self) -> dict[str, Any]:
        """The hum in terms JSON has: SI units."""
        return {
            "amp": self.amp.title,
            "output": self.output,
            "total_rms": to_json_value(self.total_rms),
            "pickup_rms": to_json_value(self.pickup_v),
            "pickup_clips": [{"stage": each.section, "cause": each.cause} for each in self.pickup_clips],
            "inputs": self.view.input_words,
            "noise_rms": to_json_value(self.noise_v),
            "frequencies_hz": to_json_value(self.frequencies_hz),
            "harmonics_rms": to_json_value(np.abs(self.total)),
            "sources": [
                {
                    "kind": each.kind, "node": each.node, "part": each.part, "into": each.into,
                    "alone_rms": to_json_value(each.rms), "share": to_json_value(self.share(each)),
                }
                for each in self.sources
            ],
        }  # fmt: skip


@on_one_core
def hum(
    amp: Amp,
    *,
    jack: str | None = None,
    unbalance: Mapping[str, float] | float = HEATER_UNBALANCE,
    source_ohms: float = SOURCE_OHMS,
    near: Hum | None = None,
) -> Hum:
    """Hum at the output, controls as they are set and inputs as they are drawn.

    A plugged input has a quiet generator in it. With nothing plugged in every input is left to its contact:
    grounded, or open with its own noise and stray pick-up.

    Parameters
    ----------
    amp
        From `load_amp`, changed or not; a batch gives arrays (N, ...).
    jack
        Which input jack the generator is in; as drawn when not given.
    unbalance
        How much more the first heater end couples into a tube than the second, as a share; one figure, or one
        by designator.
    source_ohms
        Resistance of the generator at the jack [Ω].
    near
        The hum of a similar amp, to start the solve from.

    Returns
    -------
    Hum
        Hum at the output by frequency and by source.

    Raises
    ------
    SolveError
        The amp oscillates, so that its hum cannot be told, or has no idle state.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = hum(load_amp("teasel"))
    >>> bool(1e-5 < result.total_rms[0] < 1e-2)
    True
    """
    view = signal_view(
        amp, jack=jack, source_ohms=source_ohms, heaters=unbalance, near=near.view.solved if near else None,
        empty=jack is None and nothing_plugged(amp),
    )  # fmt: skip
    stable = refuse_unstable(view.amp, view.stability)
    rates = amp.mains_hz * np.arange(1, HARMONICS + 1)
    outcome = [_source(view, way) for way in hum_paths(view, 2j * np.pi * rates)]
    stray, clips = _pickup(view)
    result = Hum(
        view.amp, view.output.designator, rates, tuple(outcome), pickup_v=stray, pickup_clips=clips, view=view
    )
    if result.open_input:
        heard = noise(view.point, view.output.a, BAND_HZ, to=view.output.b)
        result = replace(result, noise_v=heard.total_rms)
    if not stable.all():
        warn_batch(~stable, "hum", amp.variants(~stable))
        for each in result.sources:
            each.volts[~stable] = np.nan
    return result


def _source(view: SignalView, way: HumPath) -> HumSource:
    return HumSource(
        _kind(view, way.node), way.node, way.part, _terminal(view, way.into), way.volts / np.sqrt(2.0)
    )


def _kind(view: SignalView, node: str) -> str:
    """What sort of node hum starts from: a rail, a bias supply, a heater, or the line itself."""
    amp, state = view.amp, view.solved.state
    heaters = {end for tube in tubes(amp) for end in tube.heater_leads}
    mean = float(np.mean(state.mean(node)))
    if node in heaters:  # also where they stand at a positive voltage on purpose
        return "heater"
    if abs(mean) < LEAST_RAIL_V:
        return "mains"
    return "rail" if mean > 0 else "bias"


NOTHING_V = 1e-9
"""Less hum than this is none [V]; common practice, no source."""
LEAST_RAIL_V = 3.0
"""A node with less direct voltage than this is no rail [V]."""


def _terminal(view: SignalView, node: str) -> str:
    """'V1a plate' for the node a way leads into; the node itself where no tube sits there."""
    index = view.network.index
    for section in sections(view.amp):
        for word in ("grid", "screen", "cathode", "plate"):
            own = getattr(section, word)
            if own is not None and index.get(own, -1) == index.get(node, -2):
                return f"{section.name} {word}"
    return node


def _pickup(view: SignalView) -> tuple[Array, tuple[ClipPoint, ...]]:
    """What an open lead in the input adds at the output [V RMS], at the line frequency, and which stages that
    brings to their limits, the first to clip first: what is added ends where it clips.
    """
    if not any(isinstance(part, MainsPlug) for part in view.amp.parts.values()):
        return np.full(len(view.matrix), np.nan), ()
    s = 2j * np.pi * view.amp.mains_hz
    tip = view.tip
    matrix = view.matrix - np.outer(tip, tip) / view.source_ohms  # the generator is not there
    current = abs(s) * PICKUP_F * np.asarray(view.amp.mains_rms)
    whole = matrix + s * view.network.storage
    right = np.broadcast_to(tip.astype(complex)[:, None], (len(whole), len(tip), 1))
    x = solve_stack(whole, right)[..., 0] * np.reshape(current, (-1, 1))
    most = linear_up_to(view, x)
    order = signal_order(view.amp.topology, view.jack.tip).order
    clips = tuple(each for each in estimated(view, x, order) if each.input_rms < 1.0)
    return np.asarray(np.abs(view.at_output(x)) * np.minimum(most, 1.0)), clips
