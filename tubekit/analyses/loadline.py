"""Load lines: plate curves, resistive or reactive load, one tube or a push-pull pair, in milliseconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from tubekit.analyses.driven import Driven
from tubekit.analyses.loadline_result import LoadLine, class_letter, drive_limits, limits_walk
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.plate_stage import PlateStage, Walk, self_bias
from tubekit.analyses.regulation import SpeakerLoad, series_reactance
from tubekit.analyses.time_stepper import Convergence
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import GROUND, Circuit, Device, Part, Resistor, VoltageSource
from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.law import Law, Parameter
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_record import Tube
from tubekit.errors import InputError, SolveError
from tubekit.result_fields import Array


def bare_stage(
    law: Triode | Pentode, name: str, load: float, plate: float | None, supply: float | None,
    screen: float | None, grid: float | None, cathode: float | None, next_grid: float | None, pair: bool,
    tap: float,
) -> PlateStage:  # fmt: skip
    """Voltages at rest and what the plates see, from what a user gives."""
    if (plate is None) == (supply is None):
        raise InputError(
            "needs plate= or supply=",
            part=name,
            fix="Give the plate voltage at idle, or the B+ of a plate resistor",
        )
    if (grid is None) == (cathode is None):
        raise InputError(
            "needs grid= or cathode=",
            part=name,
            fix="Give the bias in volts, or the cathode resistor in ohms",
        )
    if not 0.0 <= tap <= 1.0:
        raise InputError(
            f"a tap of {tap!r} is not on the winding",
            part=name,
            fix="Give 0 (screen at its own supply) to 1 (strapped)",
        )
    if isinstance(law, Triode):
        if screen is not None or tap:
            raise InputError("a triode has no screen", part=name, fix="Leave screen= and tap= out")
    elif screen is None:
        if not tap:
            raise InputError(
                "needs its screen voltage",
                part=name,
                fix="Give screen= in volts, or tap= for a tapped winding",
            )
        screen = plate if plate is not None else supply
    if pair and supply is not None:
        raise InputError("a pair needs a transformer", part=name, fix="Give plate= instead of supply=")
    above_zero("load", load)
    rk = 0.0 if cathode is None else above_zero("cathode", cathode)
    if supply is not None:
        return _resistor_fed(law, supply, load, screen, grid, rk, next_grid, tap)
    assert plate is not None
    tubes = 2 if pair else 1
    bias = self_bias(law, plate, screen, rk, tubes) if grid is None else -grid
    return PlateStage(law, plate, screen, -bias, load / 4.0 if pair else load, tap, pair, 0.0, rk)


def _resistor_fed(
    law: Triode | Pentode, supply: float, load: float, screen: float | None, grid: float | None,
    cathode: float, next_grid: float | None, tap: float,
) -> PlateStage:  # fmt: skip
    """Rest of a stage on a plate resistor, from a circuit of its own."""
    bottom = "k" if cathode else GROUND
    nodes = ("p", "g") if screen is None else ("p", "p" if tap == 1.0 else "s", "g")
    parts: list[Part] = [
        VoltageSource("B", "b", GROUND, supply), Resistor("R1", "b", "p", load),
        VoltageSource("E", "g", GROUND, 0.0 if grid is None else grid), Device("V1", law, nodes, bottom),
    ]  # fmt: skip
    if "s" in nodes:
        parts.append(VoltageSource("S", "s", GROUND, float(screen or 0.0)))
    if cathode:
        parts.append(Resistor("R2", "k", GROUND, cathode))
    rest = operating_point(Circuit(tuple(parts), "stage at idle")).port_volts[0]
    seen = load if next_grid is None else load * next_grid / (load + above_zero("next_grid", next_grid))
    at_screen = None if screen is None else float(rest[1])
    return PlateStage(law, float(rest[0]), at_screen, float(rest[-1]), seen, tap, False, load, cathode)


def above_zero(name: str, value: float) -> float:
    """The value, which must be a finite number above zero."""
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name} {value!r} is not above zero", fix=f"Give {name}= above zero")
    return float(value)


AnyTube: TypeAlias = str | Tube | Triode | Pentode


def section_law(tube: AnyTube, emission: Parameter = 1.0, spread: Parameter = 1.0) -> Triode | Pentode:
    """The law of one section.

    Parameters
    ----------
    tube : type name or equivalent, a record of the catalogue, or a law as it is.
    emission : cathode emission left of a worn tube, 1 is new.
    spread : current of this new tube at fixed voltages, relative to the mean of its type; makers let
        it lie 0.6 to 1.4 in places (data/handbook/tube_spread_limits.csv).

    Raises
    ------
    UnknownTube : no such type. InputError : a rectifier; emission or spread not above zero.

    Examples
    --------
    >>> new, worn = section_law("6V6GT"), section_law("6V6GT", emission=0.7)
    >>> point = np.array([250.0, 250.0, -12.5])
    >>> print(f"{worn.evaluate(point)[0][0] / new.evaluate(point)[0][0]:.3f}")
    0.700
    """
    for name, factor in (("emission", emission), ("spread", spread)):
        if not (np.all(np.isfinite(factor)) and np.all(np.asarray(factor) > 0)):
            raise InputError(
                f"{name} {factor!r} is not above zero", fix=f"Give {name} as a factor, 1 is the mean new tube"
            )
    law: Law = tube if isinstance(tube, (Triode, Pentode)) else _record(tube).law
    if not isinstance(law, (Triode, Pentode)):
        raise InputError("is a rectifier: there is no grid to drive", part=type_name(tube))
    same = np.ndim(emission) == 0 and np.ndim(spread) == 0 and emission == 1.0 and spread == 1.0
    return law if same else law.worn(np.asarray(emission) * spread)


def type_name(tube: AnyTube) -> str:
    """How the tube is called: its type, or the kind of a bare law."""
    if isinstance(tube, (Triode, Pentode)):
        return type(tube).__name__.lower()
    return _record(tube).type


def plate_limit(tube: AnyTube) -> float:
    """Rated plate dissipation [W]; NaN where none is known."""
    if isinstance(tube, (Triode, Pentode)):
        return float("nan")
    watts = _record(tube).ratings.plate_w
    return float("nan") if watts is None else watts


def _record(tube: str | Tube) -> Tube:
    return look_up(tube) if isinstance(tube, str) else tube


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
