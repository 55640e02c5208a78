"""From input jack to speaker or output jack: response, levels, impedances, corners, stability."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import AssumedValue
from tubekit.amp.clipping import ClipPoint, TankReading, clips_at, level_below, read_tanks
from tubekit.amp.findings import part_words
from tubekit.amp.signal_order import SignalOrder, output_transformer, signal_order
from tubekit.amp.signal_tables import signal_tables
from tubekit.amp.signal_view import GENERATOR, SOURCE_OHMS, SignalView, gain_at, signal_view, without_taken
from tubekit.amp.stability import refuse_unstable
from tubekit.amp.stages import StageReading, StretchReading, grid_stretches, read_stages, whole_stretch
from tubekit.analyses.elimination import respond
from tubekit.analyses.natural_modes import NaturalModes, transfer_zeros
from tubekit.analyses.part_sensitivity import current_into, number, picker
from tubekit.analyses.small_signal import FLICKER_HZ, KELVIN, Noise, noise
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import Windings
from tubekit.errors import ChangeError, warn_batch
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity, to_json_value
from tubekit.units import mark

SPAN_HZ = np.geomspace(5.0, 100e3, 200)
"""Frequencies of a response when none are given."""


@dataclass(frozen=True, eq=False, repr=False)
class SignalPath(Printed):
    """Gain, levels and stability of an amp from one input jack to the output.

    Where a member is unstable its gains are NaN: an amp that oscillates has no response.
    """

    amp: Amp
    jack: str
    output: str
    reference_hz: float = quantity("Hz", "f_0", "reference frequency for levels, impedances and rolloffs")
    frequencies_hz: Array = quantity("Hz", "f", "(K,)")
    gain: Array = quantity("", "A", "gain from jack to output at each frequency")
    reference_gain: Array = quantity("", "A_0", "gain at the reference frequency")
    input_ohms: Array = quantity("ohm", "Z_in", "impedance at the jack")
    output_ohms: Array = quantity("ohm", "Z_out", "output impedance")
    loaded_ohms: Array = quantity("ohm", "Z_L", "impedance of the speaker or load")
    load_ohms: Array = quantity("ohm", "Z_pp", "load impedance across the whole primary")
    stages: tuple[StageReading, ...] = ()
    tanks: tuple[TankReading, ...] = ()
    asked_rms: float | None = quantity("V RMS", "v_in", "signal level at the jack", default=None)
    naturals: NaturalModes = field(repr=False, kw_only=True)
    view: SignalView = field(repr=False, kw_only=True)
    way: SignalOrder = field(repr=False, kw_only=True)

    @property
    def stable(self) -> Array:
        """True where the amp does not oscillate, (N,)."""
        return self.naturals.stable

    @property
    def gain_db(self) -> Array:
        """20 log |gain| [dB], (N, K)."""
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(np.abs(self.gain)))

    @property
    def damping_factor(self) -> Array:
        """Nominal ohms of the loudspeakers in parallel over the size of the output impedance, (N,)."""
        return np.asarray(self.view.nominal_ohms / np.abs(self.output_ohms))

    @cached_property
    def clips(self) -> tuple[ClipPoint, ...]:
        """Levels at which each stage clips, from slopes alone, the earliest first."""
        return clips_at(self.view, self.reference_hz)

    @property
    def level_rms(self) -> float:
        """Level at the jack that levels are shown for: the one asked for, else one below clipping [V RMS]."""
        return level_below(self.clips) if self.asked_rms is None else self.asked_rms

    @cached_property
    def whole(self) -> StretchReading:
        """Corners from the jack to the output."""
        return whole_stretch(self.view, self.reference_hz)

    @cached_property
    def taken(self) -> tuple[tuple[AssumedValue, Array], ...]:
        """Values taken where the amp file gives none, and the top corner without it [Hz], (N,)."""
        ways = without_taken(self.view) if self.stable.any() else ()
        return tuple((one, whole_stretch(view, self.reference_hz).high.hz) for one, view in ways)

    @cached_property
    def stretches(self) -> tuple[StretchReading, ...]:
        """Corners from grid to grid; worked out when first asked for."""
        return tuple(grid_stretches(self.view, self.way, self.reference_hz))

    @cached_property
    def zeros(self) -> list[Array]:
        """Zeros of the way from generator to output [rad/s], per member, slowest first."""
        return transfer_zeros(self.view.network, self.view.matrix, self.view.drive, self.view.out)

    def stage(self, section: str) -> StageReading:
        """Reading of a section such as 'V1a'; KeyError where the signal does not reach it."""
        return {each.section: each for each in self.stages}[section]

    def headline(self) -> str:
        """Gain and span, or that it oscillates."""
        words = f"{self.amp.title}, {self.jack} to {self.output}"
        if not self.stable.any():
            return f"{words}: {self.naturals.describe()}"
        if len(self.stable) > 1:
            lost = np.isnan(self.reference_gain)
            text = f"; no response for {self.amp.variants(lost)}" if lost.any() else ""
            return f"{words}: {len(self.stable)} variants, {int(self.stable.sum())} of them stable{text}"
        gain = 20 * np.log10(np.abs(self.reference_gain[0]))
        low, high = self.whole.low.hz[0], self.whole.high.hz[0]
        ends = (
            f"{mark(low, 'Hz', 2)} and {mark(high, 'Hz', 2)}"
            if np.isfinite(low + high)
            else "no rolloff at one end"
        )
        return (
            f"{words}: gain {gain:.1f} dB at {mark(self.reference_hz, 'Hz')}, 3 dB down at {ends}. "
            f"Levels are for {self.level_rms * 1e3:g} mV in"
        )

    def levels(self) -> list[tuple[str, str, Array, Array]]:
        """(place, node, volts rms, phase in degrees against the input) along the way, (N,) each."""
        places = [("input", self.view.jack.tip, np.ones(len(self.stable), complex))]
        for each in self.stages:
            places.append((f"{each.section} grid", each.grid, each.grid_gain))
            if np.any(np.abs(each.cathode_gain) > 0.05 * np.abs(each.grid_gain)):
                places.append((f"{each.section} cathode", each.cathode, each.cathode_gain))
            places.append((f"{each.section} plate", each.plate, each.plate_gain))
        places.append((self.output, self.view.output.a, self.reference_gain))
        return [
            (place, node, self.level_rms * np.abs(gain), np.degrees(np.angle(gain)))
            for place, node, gain in places
        ]

    def tables(self) -> list[Table]:
        """Response, levels, stages, corners, output; only the finding where nothing is stable."""
        return signal_tables(self)

    def short(self) -> list[Table]:
        """Levels along the way, then the ends of the whole."""
        tables = {table.title.split(" ")[0]: table for table in self.tables()}
        if "Levels" not in tables:
            return self.tables()
        return [tables["Levels"].only("place", "node", "level", "gain from jack"), tables["Impedances"]]

    def to_json(self) -> dict[str, Any]:
        """The path in terms JSON has: SI units."""
        return {
            "amp": self.amp.title,
            "jack": self.jack,
            "output": self.output,
            "stable": to_json_value(self.stable),
            "finding": self.naturals.describe(),
            "reference_hz": self.reference_hz,
            "frequencies_hz": to_json_value(self.frequencies_hz),
            "gain_db": to_json_value(self.gain_db),
            "phase_deg": to_json_value(np.degrees(np.angle(self.gain))),
            "input_ohms": to_json_value(np.abs(self.input_ohms)),
            "output_ohms": to_json_value(np.abs(self.output_ohms)),
            "damping_factor": to_json_value(self.damping_factor),
            "load_ohms": to_json_value(np.abs(self.load_ohms)),
            "level_rms_v": self.level_rms,
            "levels": [
                {"place": place, "node": node, "volts_rms": to_json_value(volts)}
                for place, node, volts, _ in self.levels()
            ],
            "reverb_tanks": [
                {
                    "tank": each.tank.designator,
                    "drive_a_rms": to_json_value(self.level_rms * np.abs(each.drive_s)),
                    "rated_a_rms": to_json_value(each.tank.rated_a),
                    "jack_v_rms_at_rated": to_json_value(each.full_v),
                    "output_v_rms": to_json_value(each.output_v(self.level_rms)),
                }
                for each in self.tanks
            ],
            "corners": [
                {
                    "from": each.start, "to": each.stop, "side": corner.side, "hz": to_json_value(corner.hz),
                    "set_by": to_json_value(corner.setters(kinds="RCL")),
                }
                for each in (*self.stretches, self.whole)
                for corner in (each.low, each.high)
            ],
            "assumptions": list(self.view.assumptions),
            "top_corner_without": [
                {"assumed": str(one), "hz": to_json_value(hz)} for one, hz in self.taken
            ],
        }  # fmt: skip


@on_one_core
def signal_path(
    amp: Amp,
    *,
    jack: str | None = None,
    frequencies_hz: Array | Sequence[float] | None = None,
    reference_hz: float = 1000.0,
    source_ohms: float = SOURCE_OHMS,
    wipers: Mapping[str, float] | None = None,
    near: SignalPath | None = None,
    level_rms: float | None = None,
) -> SignalPath:
    """Everything about the way of the signal through an amp, controls as they are set.

    An amp that oscillates gives no response: `stable` is False and every gain NaN.

    Parameters
    ----------
    amp
        From `load_amp`, changed or not; a batch gives arrays (N, ...).
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    frequencies_hz
        (K,) above zero; 200 from 5 Hz to 100 kHz when not given.
    reference_hz
        Where levels are read, and from where corners count [Hz].
    source_ohms
        Resistance of the generator [Ω].
    wipers
        Contact resistance of scratchy wipers by designator [Ω], inf for an open one.
    near
        The path of a similar amp, to start the solve from.
    level_rms
        Level at the jack that levels are shown for [V RMS]; one below clipping when not given.

    Returns
    -------
    SignalPath
        Gain, levels, corners and impedances from jack to output.

    Raises
    ------
    ChangeError
        No input jack, no output, no such jack or control.
    SolveError
        The amp has no idle state that can be found.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> path = signal_path(load_amp("teasel"), jack="J1")
    >>> path.way.order
    ('V1a', 'V1b', 'V2a', 'V2b', 'V3', 'V4')
    >>> bool(path.stable[0]), bool(45 < 20 * np.log10(abs(path.reference_gain[0])) < 65)
    (True, True)
    """
    wanted = SPAN_HZ if frequencies_hz is None else np.atleast_1d(np.asarray(frequencies_hz, float))
    if not (np.isfinite(wanted) & (wanted > 0)).all() or not reference_hz > 0:
        raise ChangeError("a frequency must be above zero", where=amp.name, fix="Write hertz, like 1000")
    view = signal_view(
        amp, jack=jack, source_ohms=source_ohms, wipers=wipers, near=near.view.solved if near else None
    )
    path = replace(path_of(view, wanted, reference_hz), asked_rms=level_rms)
    if amp.batch is not None and not path.stable.all():
        warn_batch(~path.stable, "signal path", amp.variants(~path.stable))
    return path


@on_one_core
def path_of(view: SignalView, frequencies_hz: Array = SPAN_HZ, reference_hz: float = 1000.0) -> SignalPath:
    """The signal path of an amp that already has its generator: of a `turned` view, without a new solve."""
    way = signal_order(view.amp.topology, view.jack.tip)
    poles = view.stability.naturals
    gain, at_reference = (gain_at(view, hz) for hz in (frequencies_hz, np.array([reference_hz])))
    s = 2j * np.pi * reference_hz
    behind, loaded = _behind(view, s)
    return SignalPath(
        view.amp, view.jack.designator, view.output.designator, reference_hz, frequencies_hz,
        _kept(gain, poles), _kept(at_reference, poles)[:, 0], _input(view, s), behind, loaded,
        _load(view, s), read_stages(view, way, reference_hz), tuple(read_tanks(view, reference_hz)),
        naturals=poles, view=view, way=way,
    )  # fmt: skip


def _kept(gain: Array, poles: NaturalModes) -> Array:
    return np.where(poles.stable[:, None], gain, np.nan)


def _input(view: SignalView, s: complex) -> Array:
    """Impedance at the jack: the source's voltage divides between its own resistance and this."""
    x = respond(view.network, view.matrix, view.drive, np.array([s]))[:, 0]
    share = x @ view.tip
    return np.asarray(view.source_ohms * share / (1.0 - share))


def _behind(view: SignalView, s: complex) -> tuple[Array, Array]:
    """Output impedance, and that of its load, by driving an ampere into its terminals."""
    network, output = view.network, view.output
    x = respond(network, view.matrix, view.out, np.array([s]))[:, 0]
    volts, here = view.at_output(x), number(network, output.a)
    loads = {one.designator for one in (output, *view.beside)}
    own = [part for part in network.circuit.parts if part.name.split(".")[0] in loads]
    taken = sum((current_into(network, part, here, x, s) for part in own), np.zeros(len(x), complex))
    with np.errstate(divide="ignore", invalid="ignore"):  # an output jack may have no load
        return np.asarray(volts / (1.0 - taken)), np.asarray(volts / taken)


def _load(view: SignalView, s: complex) -> Array:
    """Voltage across the whole primary over the mean current along it, from the tubes' side."""
    output = output_transformer(view.amp)
    if output is None:
        return np.full(len(view.matrix), np.nan)
    network, taps = view.network, output.primary.taps
    ends = (taps[0], taps[-1])
    x = respond(network, view.matrix, picker(network, *ends), np.array([s]))[:, 0]
    winding = next(part for part in network.circuit.of(Windings) if part.name == output.designator)
    own = range(len(output.primary.sections))
    rows = [network.unknowns.index(f"I({winding.name}.{j})") for j in own]
    turns = np.array([np.mean(each) for each in output.primary.turns])
    mean = (x[:, rows] * turns / turns.sum()).sum(axis=1)
    return np.asarray((network.pick(x, ends[0]) - network.pick(x, ends[1])) / mean)


BAND_HZ = np.geomspace(20.0, 20e3, 120)


@dataclass(frozen=True, eq=False, repr=False)
class NoiseFloor(Printed):
    """Noise at the output from resistors and tubes, 20 Hz to 20 kHz."""

    amp: Amp
    output: str
    output_rms: Array = quantity("V RMS", "v_n", "noise at the output")
    input_rms: Array = quantity("V RMS", "e_n", "noise as if it came from the generator")
    noise: Noise = field(repr=False, kw_only=True)
    view: SignalView = field(repr=False, kw_only=True)

    json_keys = (
        "amp=amp.title", "output_rms", "input_rms", "sources=noise.sources",
        "source_rms=noise.source_rms",
    )  # fmt: skip

    @property
    def output_db(self) -> Array:
        """Against one watt in the nominal impedance, or a volt at an output jack [dB], (N,)."""
        return self.view.db(self.output_rms)

    def headline(self) -> str:
        """Noise at the output and against the input."""
        out, into = float(self.output_rms[0]), float(self.input_rms[0])
        return (
            f"{self.amp.title}: {out * 1e3:.3g} mV of noise at {self.output} ({self.output_db[0]:.0f} dB "
            f"re 1 {self.view.unit}), as from {into * 1e6:.3g} µV at the jack"
        )

    def tables(self) -> list[Table]:
        """The strongest sources."""
        sizes, total = self.noise.source_rms, self.noise.total_rms
        order = np.argsort(-sizes[0])[:10]
        rows = [(_words(self.noise.sources[k]), sizes[:, k], 100 * (sizes[:, k] / total) ** 2) for k in order]
        heads = headed("source", f"at the {self.view.output_words} [V] tiny", "of the power [%] .1f")
        note = (
            f"20 Hz to 20 kHz, no weighting. Parts at {KELVIN:g} K; tubes as equivalent noise resistance, "
            f"with flicker noise from {FLICKER_HZ:g} Hz down (common practice). Carbon resistors with "
            "DC across them make more."
        )
        return [Table("Noise", heads, rows, note=note, key="noise")]


def _words(name: str) -> str:
    return "the generator" if name == GENERATOR else part_words(name)


@on_one_core
def noise_floor(amp: Amp, *, jack: str | None = None, source_ohms: float = SOURCE_OHMS) -> NoiseFloor:
    """Noise at the output, controls as they are set.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    source_ohms
        Resistance of the generator at the jack [Ω].

    Returns
    -------
    NoiseFloor
        Noise at the output and what each source adds.

    Raises
    ------
    SolveError
        The amp oscillates.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> bool(1e-6 < noise_floor(load_amp("teasel")).input_rms[0] < 3e-5)
    True
    """
    view = signal_view(amp, jack=jack, source_ohms=source_ohms)
    refuse_unstable(view.amp, view.stability)
    result = noise(view.point, view.output.a, BAND_HZ, to=view.output.b)
    x = respond(view.network, view.matrix, view.drive, np.array([2j * np.pi * 1000.0]))[:, 0]
    level = result.total_rms
    return NoiseFloor(
        view.amp, view.output.designator, level, level / np.abs(x @ view.out), noise=result, view=view
    )
