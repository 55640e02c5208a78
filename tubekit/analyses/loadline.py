"""Load lines: plate curves, resistive or reactive load, one tube or a push-pull pair, in milliseconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tubekit.analyses.convergence import Convergence
from tubekit.analyses.driven import Driven
from tubekit.analyses.loadline_limits import class_letter, drive_limits, limits_walk
from tubekit.analyses.loadline_result import LoadLine
from tubekit.analyses.loadline_stage import above_zero, bare_stage
from tubekit.analyses.loads import SpeakerLoad, series_reactance
from tubekit.analyses.plate_stage import PlateStage, Walk
from tubekit.analyses.section_law import AnyTube, plate_limit, section_law, type_name
from tubekit.circuit.threads import on_one_core
from tubekit.errors import InputError, SolveError

Array = npt.NDArray[np.float64]
Phasors = npt.NDArray[np.complex128]

SAMPLES = 64
CURVES = 9
CURVE_POINTS = 81
LIFTS = 12
LIFTED = 1e-5
"""The cathode voltage is found when resistor and current agree on it this well."""


@on_one_core
def load_line(
    tube: AnyTube,
    *,
    load: float,
    plate: float | None = None,
    supply: float | None = None,
    screen: float | None = None,
    grid: float | None = None,
    cathode: float | None = None,
    next_grid: float | None = None,
    drive: float | None = None,
    pair: bool = False,
    tap: float = 0.0,
    reactance: float = 0.0,
    speaker: SpeakerLoad | None = None,
    frequency_hz: float = 400.0,
    curves: Sequence[float] | None = None,
    plate_axis: float | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
    samples: int = SAMPLES,
) -> LoadLine:
    """A stage on its plate curves: rest, line or ellipse, swing, power, harmonics, limits.

    Full drive of class A1 and AB1: the grid just reaches the cathode's voltage, with a cathode resistor
    the one that the driven current makes.

    Parameters
    ----------
    tube
        Type, record or law.
    load
        With a transformer, what the tube sees [Ω], plate to plate for a pair; with `supply`, the plate
        resistor.
    plate
        Idle plate voltage to cathode, where a transformer feeds the plate [V].
    supply
        B+ to ground, where the plate resistor feeds the plate [V]; give this or `plate`.
    screen
        Screen voltage [V], to cathode with `plate`, to ground with `supply`; for a triode leave out.
    grid
        Bias to cathode [V].
    cathode
        Bypassed cathode resistor [Ω], shared by both tubes of a pair; give this or `grid`.
    next_grid
        Grid resistor of the next stage [Ω]; with `supply`, it loads the signal.
    drive
        Peak at each grid [V]; full drive, to zero bias, where not given.
    pair
        Two tubes in push-pull.
    tap
        Share of the plate winding the screen is connected across: 1 for triode-strapped.
    reactance
        In series with the load at `frequency_hz` [Ω], below zero for a capacitor.
    speaker
        A loudspeaker whose nominal impedance the transformer shows as `load`.
    frequency_hz
        At which `reactance` and `speaker` are taken [Hz].
    curves
        Grid voltages of the plate curves [V].
    plate_axis
        End of their voltage axis [V].
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.
    spread
        Current compared with the mean tube of the type, 1 for the mean.
    samples
        Points per cycle, even.

    Returns
    -------
    LoadLine
        Idle point, path over a cycle, power, harmonics and limits.

    Raises
    ------
    InputError
        A voltage or resistance that is missing, given twice or out of range.
    SolveError
        The driven stage does not settle.

    Examples
    --------
    >>> line = load_line("6V6GT", plate=250, screen=250, grid=-12.5, load=5000)
    >>> print(f"{line.plate_a * 1e3:.0f} mA, class {line.operating_class}")
    45 mA, class A1
    """
    law = section_law(tube, emission, spread)
    stage = bare_stage(law, type_name(tube), load, plate, supply, screen, grid, cathode, next_grid, pair, tap)
    impedance = _impedance(stage.load, load, reactance, speaker, frequency_hz, samples)
    asked = drive if drive is None else above_zero("drive", drive)
    walk = limits_walk(stage, -stage.grid if asked is None else asked)
    driven, peak = _drive(stage, impedance, asked, walk)
    if asked is None and peak > walk.signal[-1]:
        walk = limits_walk(stage, peak)
    if not driven.converged.all():
        raise SolveError(
            "The driven stage did not settle", best=driven, worst=type_name(tube),
            residual=float(driven.error.max()), iterations=int(driven.iterations.max()),
        )  # fmt: skip
    drawn = _curves(stage, peak, curves, plate_axis, plate_limit(tube))
    return _result(stage, type_name(tube), impedance, frequency_hz, peak, driven, drawn, supply, load, walk)


def _impedance(
    seen: float, load: float, reactance: float, speaker: SpeakerLoad | None, frequency_hz: float, samples: int
) -> Phasors:
    """What one tube's current sees at harmonics 0..K [Ω]."""
    above_zero("frequency_hz", frequency_hz)
    if samples % 2 or samples < 32:
        raise InputError(f"cannot take {samples} samples of a cycle", fix="Use an even number from 32 up")
    orders = np.arange(samples // 2 + 1)
    if speaker is not None:
        return speaker.impedance(np.maximum(orders, 1) * frequency_hz) * (seen / speaker.ohms)
    return seen + series_reactance(reactance * seen / load, orders)


def _drive(stage: PlateStage, impedance: Phasors, asked: float | None, walk: Walk) -> tuple[Driven, float]:
    """Solve the cycle. The cathode rises with the drive, and full drive with the cathode."""
    least = -stage.grid if asked is None else asked
    if least <= 0:
        raise InputError("there is no bias to drive up to", fix="Give drive= in volts")
    bias, gap_before, lift, last = stage.bias, np.inf, 0.0, 0.0
    driven: Driven | Walk = walk
    for _ in range(LIFTS):
        peak = least + lift if asked is None else asked
        driven = stage.over_cycle(np.array([peak]), impedance, lift, driven)
        gap = stage.cathode_volts(driven.currents[0].mean(axis=1)) - bias - lift
        if abs(gap) <= LIFTED * bias or not np.isfinite(gap):
            break
        step = 0.5 * gap if lift == last else -gap * (lift - last) / (gap - gap_before)
        last, gap_before, lift = lift, gap, lift + step
    assert isinstance(driven, Driven)
    return driven, peak


@dataclass(frozen=True, eq=False)
class _Drawn:
    grid: Array
    plate: Array
    current: Array
    composite: Array | None
    limit_plate: Array
    limit: Array
    watts: float


def _curves(
    stage: PlateStage, peak: float, curves: Sequence[float] | None, end: float | None, watts: float
) -> _Drawn:
    resting = float(stage.felt(np.zeros(1), np.zeros(1))[0][0])
    reach = 2.0 * stage.plate if stage.pair else stage.plate + 1.15 * stage.load * resting
    plate = np.linspace(0.0, reach if end is None else above_zero("plate_axis", end), CURVE_POINTS)
    grid = np.linspace(0.0, stage.grid - peak, CURVES) if curves is None else np.asarray(curves, float)
    swing, signal = np.broadcast_arrays((stage.plate - plate)[None, :], (grid - stage.grid)[:, None])
    current = stage.felt(swing, signal)[0]
    composite = current - stage.felt(-swing, -signal)[0] if stage.pair else None
    top = 1.2 * float(current.max())
    shown = plate[plate * top > watts] if np.isfinite(watts) else plate[:0]
    return _Drawn(grid, plate, current, composite, shown, watts / shown if shown.size else shown, watts)


def _result(
    stage: PlateStage, tube: str, impedance: Phasors, frequency_hz: float, peak: float, driven: Driven,
    drawn: _Drawn, supply: float | None, load: float, walk: Walk,
) -> LoadLine:  # fmt: skip
    tubes, per = (2 if stage.pair else 1), len(stage.direction)
    volts, currents = (a[0].reshape(tubes, per, -1) for a in (driven.volts, driven.currents))
    felt = np.einsum("tps,p->ts", currents, stage.direction)
    through = felt[0] - felt[1] if stage.pair else felt[0]
    phasors = np.fft.rfft(through) * (2.0 / through.size)
    across = np.abs(impedance[1:] * phasors[1:])[:10]
    power = 0.5 * float(np.sum(np.real(impedance[1:]) * np.abs(phasors[1:]) ** 2))
    resting = stage.law.evaluate(stage.rest)[0]
    at_rest = float(resting @ stage.direction) * (0.0 if stage.pair else 1.0)
    ends = np.array([0.0, 2 * stage.plate if stage.pair else stage.plate + stage.load * at_rest])
    pentode = stage.screen is not None
    direct = load + stage.cathode_ohms
    fed = None if supply is None else stage.plate + direct * float(resting[0])
    return LoadLine(
        tube, stage=stage, load=stage.load, frequency_hz=frequency_hz, drive=peak,
        plate_v=stage.plate, screen_v=stage.screen, grid_v=stage.grid,
        plate_a=float(resting[0]), screen_a=float(resting[1]) if pentode else None, plate_w_limit=drawn.watts,
        curve_grid_v=drawn.grid, curve_plate_v=drawn.plate, curve_a=drawn.current,
        composite_a=drawn.composite,
        line_plate_v=ends, line_a=at_rest + (stage.plate - ends) / stage.load,
        supply_line_plate_v=None if fed is None else np.array([0.0, fed]),
        supply_line_a=None if fed is None else np.array([fed / direct, 0.0]),
        limit_plate_v=drawn.limit_plate, limit_a=drawn.limit,
        path_plate_v=volts[:, 0], path_grid_v=volts[:, -1], path_a=felt,
        swing_v=(float(volts[0, 0].min()), float(volts[0, 0].max())),
        harmonics_v=np.concatenate(([0.0], across)), power_w=power,
        thd_pct=100.0 * float(np.sqrt((across[1:] ** 2).sum()) / across[0]),
        full_plate_a=float(currents[:, 0].mean(axis=1).sum()),
        full_screen_a=float(currents[:, 1].mean(axis=1).sum()) if pentode else 0.0,
        full_grid_v=float(volts[0, -1].mean()),
        full_plate_w=float((volts[0, 0] * currents[0, 0]).mean()),
        operating_class=class_letter(
            currents[:, 0], float(resting[0]), bool(volts[:, -1].max() > 0.01 * peak), pair=stage.pair
        ),
        limits=drive_limits(stage, walk), convergence=_convergence(driven),
    )  # fmt: skip


def _convergence(driven: Driven) -> Convergence:
    not_formed = np.full(driven.error.shape, np.nan)
    return Convergence(driven.converged, driven.iterations, driven.error, "V", "harmonic balance", not_formed)
