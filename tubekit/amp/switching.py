"""Switch-on from cold, and standby thrown while everything is warm: surges at every capacitor and fuse.

Two runs make a switch-on. The first moments are followed at every instant, heaters cold, the line caught
at its peak; the half minute after them as means over the line cycle while cathodes warm up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import build
from tubekit.amp.parts import Capacitor, Fuse, PowerTransformer, Switch, Thermistor
from tubekit.amp.parts.diodes import SELENIUM
from tubekit.amp.parts.part import HEAT
from tubekit.amp.report import AmpReport
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.amp.surge import FuseSurge, PlateSurge, Surge, SwitchOn, fuse_class
from tubekit.amp.warming import STRING_WORDS, WORDS, emission, string_start, warmth
from tubekit.analyses.transient import Transient, slow_transient, transient
from tubekit.circuit.parts import Circuit, Resistor
from tubekit.devices import catalogue
from tubekit.devices.heater import COLD_HEATER, COLD_LAMP
from tubekit.errors import ChangeError, near_matches

Array = np.ndarray

COLD_REMEDY = "Add an inrush limiter, or a resistor in each plate lead, before you switch it on."
STANDBY_REMEDY = (
    "Do not switch it while the rectifier is warm: leave it closed at switch-on, move it after the first "
    "filter cap, or add a resistor in each plate lead."
)
"""What helps a rectifier; common practice, no source."""
HALF_WARM = 0.5
"""Emission below which the first moments say nothing of a rectifier's peak; common practice, no source."""
INRUSH_S, WARM_S, STANDBY_S = 0.25, 45.0, 3.0
FAST, SLOW = 1e-3, 3e-4
"""Error allowed in a step, as a share of a voltage."""
CYCLE_STEPS = 50
"""Steps in a cycle of the line, at least: a peak is missed by 0.2 % at most."""
SURGE_SHARE = 1.1
"""What an electrolytic stands for some seconds, where no surge voltage is stated: 1.1 times its rating
(the 1.15 and 1.1 of IEC 60384-4, from memory)."""


def switch_on(amp: Amp, *, near: AmpReport | None = None, seconds: float = WARM_S) -> SwitchOn:
    """An amp switched on from cold.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    near
        A report of this amp, to save its solve.
    seconds
        How long to follow it [s]; output tubes take about half a minute.

    Returns
    -------
    SwitchOn
        Voltages and currents over time, with the peaks of each part.

    Raises
    ------
    ChangeError
        A batch.
    SolveError
        The amp has no idle state, or a run stops.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = switch_on(load_amp("teasel"))
    >>> result.surge("C14").highest_v > result.surge("C14").final_v
    True
    """
    supply = _supply(amp, near)
    circuit = supply.still(supply.report.solved.state.circuit)
    emitting = emission(amp, warmth)
    first = _at_once(amp, supply.still(_cold(amp)), emission=emitting)
    run = warming_up(amp, circuit, seconds)
    lines = [
        f"Cold heaters draw {1 / COLD_HEATER:.0f}, lamps {1 / COLD_LAMP:.0f} times normal current; {WORDS}.",
        "The transformer core may saturate at the worst moment: the upper limit covers that.",
    ]
    if any(isinstance(part, Thermistor) for part in amp.parts.values()):
        lines.append("Thermistors are cold at switch-on and at their final resistance afterwards.")
    heaters = string_start(amp)
    lines += [STRING_WORDS] if heaters else []
    result = _answer(supply, "switched on from cold", first, run, tuple(lines), COLD_REMEDY)
    rectifiers = supply.report.solved.built.rectifiers
    plates = tuple(
        replace(one, warm=emitting(rectifiers[one.rectifier][0], INRUSH_S) > HALF_WARM)
        for one in result.plates
    )
    return replace(result, heaters=heaters, plates=plates)


def warming_up(
    amp: Amp, circuit: Circuit, seconds: float = WARM_S, *, tolerance: float = SLOW, longest_s: float = 1.0
) -> Transient:
    """Means over the line cycle of an amp's circuit from a cold start: how long a reading takes.

    Parameters
    ----------
    amp
        Whose cathodes warm up.
    circuit
        Its circuit.
    seconds
        How long to follow it [s].
    tolerance
        Error allowed in a step, as a share of a voltage.
    longest_s
        Longest time step [s].

    Returns
    -------
    Transient
        Its voltages over time.

    Raises
    ------
    SolveError
        The run stops.
    """
    emitting = emission(amp, warmth)
    return slow_transient(
        circuit,
        seconds,
        frequency_hz=amp.mains_hz,
        emission=emitting,
        longest_step=longest_s,
        tolerance=tolerance,
    )


def hot_standby(amp: Amp, switch: str = "", *, near: AmpReport | None = None) -> SwitchOn:
    """A standby switch closed while all cathodes are warm and the amp has stood by for long.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    switch
        Designator of the switch; the one that is drawn as the standby switch when not given.
    near
        A report of the amp with the switch open, to start from.

    Returns
    -------
    SwitchOn
        Voltages and currents over time, with the peaks of each part.

    Raises
    ------
    ChangeError
        No such switch, or a batch.
    SolveError
        The amp has no idle state, or the run stops.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> closed = hot_standby(load_amp("fescue"), "S2")
    >>> closed.exceeded(), closed.plates[0].words
    ((), 'within its hot-switching limit of 4.60 A')
    """
    names = [name for name, one in amp.parts.items() if isinstance(one, Switch)]
    switch = switch or next((name for name in names if "standby" in amp.parts[name].role), "")
    part = amp.parts.get(switch)
    if not isinstance(part, Switch):
        raise ChangeError(
            "there is no such switch", where=amp.name, part=switch, fix=f"Choose one of: {', '.join(names)}",
            near=near_matches(switch, names),
        )  # fmt: skip
    if {*part.nodes} & amp.line_side.nodes:
        raise ChangeError(
            "this is the power switch, not a standby switch; after switch-off, wait until the rectifier "
            "is cool",
            where=amp.name, part=switch, fix=f"For a start from cold, use 'switch-on {amp.name}'",
        )  # fmt: skip
    waiting = supply_report(amp.changed({switch: "open"}), near=near)
    on = amp.changed({switch: "closed"})
    supply = _supply(on, None)
    circuit, state = supply.still(supply.report.solved.state.circuit), waiting.report.solved.state
    first = _at_once(on, circuit, start=state)
    run = slow_transient(circuit, STANDBY_S, frequency_hz=amp.mains_hz, start=state, tolerance=SLOW)
    text = ("After a long standby, line voltage at its peak, all cathodes warm, no signal.",)
    return _answer(supply, f"{switch} closed while warm", first, run, text, STANDBY_REMEDY)


def _at_once(amp: Amp, circuit: Circuit, **more: Any) -> Transient:
    """The first moments at every instant."""
    return transient(
        circuit, INRUSH_S, frequency_hz=amp.mains_hz, tolerance=FAST,
        longest_step=1.0 / (CYCLE_STEPS * amp.mains_hz), **more,
    )  # fmt: skip


def _supply(amp: Amp, near: AmpReport | None) -> SupplyReport:
    amp.refuse_batch()
    return supply_report(amp, near=near)


def _cold(amp: Amp) -> Circuit:
    """Heaters, lamps and thermistors as they are before they warm up; heated tubes are left out."""
    return build(amp, {HEAT: 0.0}).circuit.cold


def _answer(
    supply: SupplyReport, what: str, first: Transient, run: Transient, lines: tuple[str, ...], remedy: str
) -> SwitchOn:
    amp = supply.amp
    plug = next(name for name in amp.parts if name.startswith("P"))
    mains = np.abs(first.coil(plug))
    return SwitchOn(
        amp, what, tuple(_surges(supply, first, run)), tuple(_fuses(amp, first)),
        tuple(_plates(supply, first)), first, run, float(mains.max()), _core_bound(amp), remedy, lines,
    )  # fmt: skip


def _plates(supply: SupplyReport, first: Transient) -> Iterator[PlateSurge]:
    for designator, names in supply.report.solved.built.rectifiers.items():
        type_ = getattr(supply.amp.parts[designator], "type", "")
        if names and isinstance(type_, str):
            ratings = catalogue.Ratings() if type_ == SELENIUM else catalogue.tube(type_).ratings
            peak = max(float(np.max(first.current(name))) for name in names)
            steady, once = (
                float("nan") if one is None else one for one in (ratings.peak_a, ratings.surge_limit()[0])
            )
            yield PlateSurge(designator, peak, steady, once)


def _surges(supply: SupplyReport, first: Transient, run: Transient) -> Iterator[Surge]:
    for one in supply.filters:
        part = supply.amp.parts[one.capacitor]
        assert isinstance(part, Capacitor)
        tops = [(*_highest(each, one.a, one.b),) for each in (first, run)]
        highest, when = max(tops)
        mean = np.abs(run.volts(one.a, one.b))
        up = float(run.time[np.argmax(mean >= 0.9 * mean[-1])])
        rated, stated = float(np.asarray(one.rated_v)), float(np.asarray(one.surge_v))
        usual = SURGE_SHARE * rated if part.style == "electrolytic" else rated
        final = float(np.max(_ends(run, one.a, one.b)[-5:]))
        surge = stated if np.isfinite(stated) else usual
        cold = float(np.max(one.cold_v))
        yield Surge(one.capacitor, highest, when, final, up, rated, surge, cold)


def _ends(run: Transient, a: str, b: str) -> Array:
    """The larger end of the voltage between two nodes, ripple included, over time [V]."""
    high, low = run.extremes(a, b)
    return np.asarray(np.maximum(np.abs(high), np.abs(low)))


def _highest(run: Transient, a: str, b: str) -> tuple[float, float]:
    volts = _ends(run, a, b)
    k = int(np.argmax(volts))
    return float(volts[k]), float(run.time[k])


def _fuses(amp: Amp, first: Transient) -> Iterator[FuseSurge]:
    wired = {part.name: part for part in first.circuit.of(Resistor)}
    for part in amp.parts.values():
        if isinstance(part, Fuse) and part.designator in wired:
            one = wired[part.designator]
            amps = first.volts(one.a, one.b) / float(np.asarray(one.ohms))
            rated = float(np.asarray(part.amps))
            kind = fuse_class(amp, part)
            verdict, when = kind.surge(rated, first.time, amps)
            heat = float(np.trapezoid(amps**2, first.time))
            yield FuseSurge(part.designator, str(kind), rated, float(np.abs(amps).max()), heat, verdict, when)


def _core_bound(amp: Amp) -> float:
    """Peak mains over the copper of the primary: what a fully saturated core would draw [A]."""
    bounds = [
        np.sqrt(2.0) * float(np.asarray(amp.mains_rms)) / float(np.asarray(sum(part.primary.ohms)))
        for part in amp.parts.values()
        if isinstance(part, PowerTransformer)
    ]
    return max(bounds, default=float("nan"))
