"""When a stage stops following: grid current, cut-off, or a gain that falls while it distorts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts import OutputTransformer, ReverbTank
from tubekit.amp.signal_order import signal_order
from tubekit.amp.signal_view import SignalView
from tubekit.analyses.elimination import respond
from tubekit.analyses.large_signal import LargeSignal
from tubekit.analyses.part_sensitivity import across, coil_rows, number
from tubekit.circuit.newton import block_diagonal
from tubekit.circuit.parts import Device, Windings
from tubekit.result_fields import Array
from tubekit.text import quantity
from tubekit.units import show

GRID_CURRENT_A = 1e-6
"""Peak grid current that counts as its onset [A]; common practice, no source (makers take 0.3 to 1 µA)."""
CUT_OFF = 0.02
"""A plate that carries less than this share of its idle current is cut off; common practice, no source."""
LEVELS_V = (0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
"""Levels a generator is set to where none is given [V RMS]."""
BELOW_CLIPPING = 0.5
"""Share of the input that brings the first stage to its limit; common practice, no source."""
COMPRESSED_DB = 1.0
"""Fall of a stage's gain that counts as clipping [dB]; common practice, no source."""
RATED_THD = 5.0
"""Distortion at which an output counts as rated where none is stated, and below which a gain that has fallen
is not clipping: the bias has shifted with the drive [%]; common practice, no source."""


@dataclass(frozen=True, eq=False)
class ClipPoint:
    """Where one section stops following; `input_rms` at the jack [V], NaN where it never does."""

    section: str
    input_rms: float
    cause: str


def push_pull(view: SignalView) -> set[str]:
    """Sections on opposite ends of a tapped primary: cut-off is how they work, not how they clip."""
    network = view.network
    pairs = [
        {number(network, part.primary.taps[0]), number(network, part.primary.taps[-1])}
        for part in view.amp.parts.values()
        if isinstance(part, OutputTransformer) and len(part.primary.sections) > 1
    ]
    return {
        device.name
        for device in network.circuit.of(Device)
        if any(number(network, device.terminals[0]) in pair for pair in pairs)
    }


def clip_points(
    view: SignalView, run: LargeSignal, input_rms: Array, reached: Sequence[str]
) -> tuple[ClipPoint, ...]:
    """From a run over rising drives (N,): the first cause for each section `reached`, earliest first."""
    both = push_pull(view)
    result = [
        _first(run, device, input_rms, device.name in both)
        for device in run.circuit.of(Device)
        if device.name in reached
    ]
    return tuple(sorted(result, key=lambda each: each.input_rms if np.isfinite(each.input_rms) else np.inf))


def _first(run: LargeSignal, device: Device, input_rms: Array, paired: bool) -> ClipPoint:
    name = device.name
    count = len(input_rms)
    gain = np.abs(run.harmonics(device.terminals[0], device.cathode)[:count, 1]) / input_rms
    thd = run.thd_percent(device.terminals[0], device.cathode)[:count]
    grid = run.current(name, "grid").max(axis=1)[:count]
    idle = np.asarray(run.idle.current(name))
    least = (run.current(name).min(axis=1) / idle)[:count]
    marks = {
        "grid current": _reached(input_rms, np.log(np.maximum(grid, 1e-15) / GRID_CURRENT_A)),
        "cut-off": np.nan if paired else _reached(input_rms, CUT_OFF - least),
        "gain down 1 dB and distorting": float(
            np.maximum(compressed_at(input_rms, gain), _reached(input_rms, thd - RATED_THD))
        ),
    }
    known = {cause: at for cause, at in marks.items() if np.isfinite(at)}
    cause = min(known, key=lambda each: known[each]) if known else "does not clip"
    return ClipPoint(name, float(known.get(cause, np.nan)), cause)


def compressed_at(input_rms: Array, gain: Array) -> float:
    """Drive at which a gain has fallen by 1 dB; NaN where it does not."""
    fall = 20 * np.log10(np.maximum(gain[0], 1e-30) / np.maximum(gain, 1e-30))
    return _reached(input_rms, fall - COMPRESSED_DB)


def _reached(input_rms: Array, level: Array) -> float:
    """Drive at which a rising level passes zero, on a straight line over decibels of drive."""
    above = np.flatnonzero(level > 0)
    if not len(above):
        return float("nan")
    k = int(above[0])
    if k == 0:
        return float(input_rms[0])
    part = level[k - 1] / (level[k - 1] - level[k])
    return float(np.exp(np.log(input_rms[k - 1]) + part * np.log(input_rms[k] / input_rms[k - 1])))


def estimated(view: SignalView, x: Array, reached: Sequence[str]) -> tuple[ClipPoint, ...]:
    """The same from slopes alone: the grid reaches its cathode, or the swing reaches the idle current.

    `x` (N, n) is the solution for 1 V at the jack; of a batch the member that clips first counts.
    """
    result = []
    for name, limits in _limits(view, x, reached):
        cause = min(limits, key=lambda each: limits[each].min())
        result.append(ClipPoint(name, float(limits[cause].min()), cause))
    return tuple(sorted(result, key=lambda each: each.input_rms))


def _limits(view: SignalView, x: Array, reached: Sequence[str]) -> Iterator[tuple[str, dict[str, Array]]]:
    """Each section and, by cause, how many times `x` [V RMS] brings it to its limit, (N,)."""
    network, point = view.network, view.point
    volts = x @ network.incidence
    currents = (block_diagonal(network.groups, list(point.slopes)) @ volts[..., None])[..., 0]

    def times(limits: Array, swings: Array, port: int) -> Array:
        return np.asarray(np.abs(limits[:, port]) / np.maximum(np.abs(swings[:, port]), 1e-30) / np.sqrt(2.0))

    both = push_pull(view)
    for device in (each for each in network.circuit.of(Device) if each.name in reached):
        grid = network.port_names.index((device.name, "grid"))
        plate = network.port_names.index((device.name, "plate"))
        limits = {"grid reaches its cathode": times(point.port_volts, volts, grid)}
        if device.name not in both:
            limits["cut-off"] = times(point.port_currents, currents, plate)
        yield device.name, limits


def linear_up_to(view: SignalView, x: Array) -> Array:
    """How many times `x` (N, n) [V RMS] every stage of the signal path still follows, (N,)."""
    order = signal_order(view.amp.topology, view.jack.tip).order
    each = [share for _, limits in _limits(view, x, order) for share in limits.values()]
    return np.min(each, axis=0) if each else np.full(len(x), np.inf)


def clips_at(view: SignalView, frequency_hz: float = 1000.0) -> tuple[ClipPoint, ...]:
    """Estimate from slopes alone where each stage of the signal path clips, the earliest first.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.amp.signal_view import signal_view
    >>> bool(1e-3 < clips_at(signal_view(load_amp("teasel")))[0].input_rms < 0.1)
    True
    """
    x = respond(view.network, view.matrix, view.drive, np.array([2j * np.pi * frequency_hz]))[:, 0]
    return estimated(view, x, signal_order(view.amp.topology, view.jack.tip).order)


def level_below(clips: Sequence[ClipPoint]) -> float:
    """Level of a generator that keeps every stage well below clipping, 10 mV at most [V RMS]."""
    most = BELOW_CLIPPING * min((each.input_rms for each in clips), default=np.inf)
    return next((step for step in LEVELS_V if step <= most), LEVELS_V[-1])


def beyond(clips: Sequence[ClipPoint], level_rms: float) -> str:
    """Note about levels that a stage does not reach; nothing where all are reached."""
    over = [each for each in clips if each.input_rms < level_rms]
    if not over:
        return ""
    return (
        f"Not reached: with {show(level_rms, 'V')} in, {over[0].section} clips ({over[0].cause}). "
        "Levels from there on are calculated as if nothing clipped."
    )


@dataclass(frozen=True, eq=False)
class TankReading:
    """A tank at one frequency, per volt rms at the jack; arrays are (N,)."""

    tank: ReverbTank
    coil_gain: Array = quantity("", "A", "from the input jack to the input coil")
    drive_s: Array = quantity("A/V", "", "input coil current per volt at the jack")

    @property
    def full_v(self) -> Array:
        """Level at the jack that gives the tank its rated drive [V RMS]."""
        return np.asarray(np.asarray(self.tank.rated_a) / np.abs(self.drive_s))

    def output_v(self, level: float) -> Array:
        """Voltage of the output coil for a level at the jack [V RMS]."""
        return np.asarray(level / self.full_v * np.asarray(self.tank.returned_v))

    def stated(self) -> str:
        """Delay and decay, as far as they are known."""
        lines = [("delay", self.tank.delay_s, "s"), ("decay", self.tank.decay_s, "s")]
        known = [f"{name} {show(value, unit)}" for name, value, unit in lines if value is not None]
        return f"{self.tank.designator}: {', '.join(known) or 'delay and decay not given'}"


def read_tanks(view: SignalView, hertz: float) -> Iterator[TankReading]:
    """Every reverb tank of an amp, driven through the jack.

    Parameters
    ----------
    view : the amp with its generator.
    hertz : frequency [Hz]; a tank's impedances are stated at 1 kHz.
    """
    tanks = [part for part in view.amp.parts.values() if isinstance(part, ReverbTank)]
    if not tanks:
        return
    network = view.network
    x = respond(network, view.matrix, view.drive, np.array([2j * np.pi * hertz]))[:, 0]
    x = x / (x @ view.tip)[:, None]
    coils = {part.name: part for part in network.circuit.of(Windings)}
    for tank in tanks:
        rows = coil_rows(network, coils[tank.designator])
        yield TankReading(tank, across(network, x, *tank.input), x[:, rows[0]])
