"""Sheets of steps, their values calculated for the amp as it is now before the switch is thrown."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.amp.hum import Hum, hum
from tubekit.amp.hum_balance import balance_control, hum_balance
from tubekit.amp.sag import TONE_HZ, full_drive, sag_words
from tubekit.amp.signal_order import power_sections
from tubekit.amp.stability import refuse_unstable
from tubekit.amp.supply import SupplyReport, plug_amps, supply_report
from tubekit.amp.switching import warming_up
from tubekit.amp.warming import settling_s
from tubekit.analyses.transient import Transient
from tubekit.bench.bring_up import LEAST_V, BringUp, BringUpStep as Brought, bring_up, cold_rectifier
from tubekit.bench.next_reading import output_drops, tube_readings
from tubekit.bench.preparations import OVER, cold_note, fixed_bias_nodes, prepare, rated_rails
from tubekit.bench.procedures import across_load, driven_jack, driven_tube, on_dummy_load
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.errors import TubekitError
from tubekit.jobs.limits import Limit, Ranges, capped, cathode_limits, limits
from tubekit.jobs.steps import Sheet, Step, held, look, measure, numbered, within
from tubekit.jobs.sweep import silent, sweep

AC = QUANTITIES["ac_rms_v"]
LINE_OFF = 0.10
"""A line voltage this far off the design is no one to go on at (common practice; ANSI C84.1 has less)."""
LINE_HIGH = 0.08
"""So far above the design it is still usual: 127 V at the outlet (ANSI C84.1 range B, from memory)."""
PARTIAL = 0.95
"""Below this share of the heater voltage emission is from memory, and B+ within a fifth."""
FIFTH = 0.2
LINE_CURRENT = "line current"
COLD_SHARE = 0.1
"""A cathode that is calculated to read nothing yet may read so much of its final value (common practice)."""
MOST_IDLE = 16
ROUND_S, COARSE = 5.0, 0.01
"""Times are rounded up to so many seconds, so that a coarse run through time will do."""
GOOD_RANGES = "95 % of good amps fall in the ranges"
DRIVE_OFF, HUM_TIMES = 0.15, 3.0
"""Driven figures are met within this; hum by this many times, as layout and tubes add to it (common
practice, no source)."""
RUNS_AWAY = "With too little bias voltage the output tubes run away."
SHORT = "a short on B+ or in a heater lead, a shorted filter capacitor or rectifier, shorted turns"
LOADED = "a leaky filter capacitor, a weak or wrong rectifier, a tube that draws too much"
BIAS = "the bias supply: its diode, capacitor or feed resistor"
POSITIVE = "a leaky coupling capacitor, an open grid leak, a gassy tube"
OPEN = "an open fuse, winding, heater or rectifier; a loose lead"
UNLOADED = "tubes that draw no current: no heater, an open cathode resistor, a tube missing"
WEAK = "a weak or cold tube, an open screen or plate lead, a bypass capacitor that leaks"
LINE = "the line itself: set it with a variable transformer"
NULL = "ripple, a magnetic field, or one tube that leaks: swap the first tube and look again"
"""What a step that is missed usually comes from (common practice, no source)."""
BACK_S = 10.0
"""A cathode is back at its idle value so soon after the signal is taken away (common practice)."""


def sheet(amp: Amp, name: str, good: Amp | None = None, ranges: Ranges | None = None) -> Sheet:
    """The steps of a sheet, with what to expect of this amp at its line voltage.

    Parameters
    ----------
    amp
        As it is now.
    name
        'up' or 'lamp', 'idle', 'drive', 'hum', 'hand-back'.
    good
        A good amp of the same schematic, where `amp` is matched to readings: no stop limit is wider than its.
    ranges
        Low end, middle and high end of direct voltages of `amp`; those of good amps when not given.

    Returns
    -------
    Sheet
        In the order in which they are done.

    Raises
    ------
    SolveError
        The amp has no idle state, or oscillates.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = sheet(load_amp("teasel"), "up")
    >>> result.steps[1].measures, result.steps[1].within
    (True, '100 s')
    """
    before, steps, note = _MADE[name](amp, ranges)
    if good is not None:
        usual = _usual(amp, good)
        steps = [held(step, usual(step.place)) for step in steps]
    return Sheet(amp, name, before, numbered(steps), float(amp.mains_rms), note)


_Made = tuple[tuple[str, ...], list[Step], str]


def _usual(amp: Amp, good: Amp) -> Callable[[str], float]:
    """How many times this amp's the idle voltage of a good one is at the place of a step; 1 where there is no
    such node.
    """
    reports = [analyze(one) for one in (good, amp)]

    def volts(report: AmpReport, place: str) -> float:
        one, _, to = place.partition(" to ")
        nodes = [node for node in (one.partition(" ")[0], to) if node]
        values = [float(report.node(node).dc_v) for node in nodes]
        return values[0] - sum(values[1:])

    def usual(place: str) -> float:
        if place == LINE_CURRENT:
            there, here = (float(plug_amps(report.solved.state)[0]) for report in reports)
            return there / here
        if place.partition(" ")[0] not in amp.nodes:
            return 1.0
        there, here = (volts(report, place) for report in reports)
        return there / here if there * here > 0.0 else 1.0

    return usual


def _up(amp: Amp, ranges: Ranges | None = None, lamps: bool = False) -> _Made:
    result = bring_up(amp, in_series=lamps)
    supply = supply_report(amp)
    bias = fixed_bias_nodes(amp, supply)
    nodes = (
        {rail.node for rail in amp.topology.rails} | bias.keys() | {s.cathode for s in power_sections(amp)}
    )
    known = limits(amp, supply, [probe for probe in result.probes if probe.place[0] in nodes], ranges)
    steps: list[Step] = []
    for one in result.steps:
        left = f"{one.mains_v:.0f} V"
        lamp = f"L{one.setting[1:]} in the line ({left} at the amp)"
        how = lamp if lamps else f"Set {left} ({one.setting})"
        steps += [look(f"{how}. Look: {one.watch}")]
        steps += _power_up(amp, supply, result, one, known)
    before = (*result.before, f"Stop, switch off and discharge when {result.stops[-1]}.")
    return before, steps, " ".join(result.notes)


def _power_up(
    amp: Amp, supply: SupplyReport, result: BringUp, one: Brought, known: Mapping[Probe, Limit]
) -> Iterator[Step]:
    """One setting of the variable transformer, or one lamp: line current, B+, bias, output cathodes."""
    first = f" ({1e3 * one.first_a:.0f} mA at first)" if np.isfinite(one.first_a) else ""
    good = (one.mains_a / OVER, (1 + FIFTH) * one.mains_a)
    yield measure(
        f"Ammeter in the line{first}", LINE_CURRENT, one.mains_a, good, (None, OVER * one.mains_a),
        one.wait_s, reading="current", unit="A RMS", above=SHORT, below=OPEN, clip=True,
    )  # fmt: skip
    rated = {node: volts for node, _, volts in rated_rails(supply)}
    bias = fixed_bias_nodes(amp, supply)
    for probe, volts, last in zip(result.probes, one.volts, result.steps[-1].volts, strict=True):
        node, value = probe.place[0], volts if abs(volts) >= LEAST_V else 0.0
        if abs(last) < LEAST_V or probe not in known:
            continue
        usual = float(supply.report.node(node).dc_v)
        here, full = known[probe].at(value / usual), known[probe].at(last / usual)
        low, high, stop, caution = here.low, here.high, full.stop_high, ""
        if node in bias:
            stop, caution, above, below = here.stop_high, RUNS_AWAY, BIAS, BIAS
        elif node == result.probes[0].place[0]:
            stop, caution = capped(rated.get(node), full.high, max(1.3 * last, known[probe].stop_high or 0.0))
            above, below = UNLOADED, LOADED
        elif node in amp.topology.cathodes:
            above, below = POSITIVE, WEAK
        else:
            continue
        if node not in bias and one.heater_share < PARTIAL:
            cold = node in amp.topology.cathodes or cold_rectifier(amp, one.heater_share)
            low = 0.0 if cold else min(low, (1 - FIFTH) * value)
            high = max(value, min(full.high, max(high, (1 + FIFTH) * value, COLD_SHARE * last)))
        if node not in bias and stop is not None:
            # the stop of full line voltage would never stop a step below it; a warm tube may draw by its B+
            stop = min(stop, OVER * max(high, full.high * one.volts[0] / result.steps[-1].volts[0]))
        yield measure(
            f"Meter on {amp.topology.place(node)}", node, value, (low, high),
            (None, stop if value or node not in bias else None), one.wait_s, caution=caution,
            above=above, below=below, clip=True,
        )  # fmt: skip


def _idle(amp: Amp, ranges: Ranges | None = None) -> _Made:
    report = analyze(amp)
    supply = supply_report(amp, near=report)
    bias = tuple(Probe("dc_v", (node, GROUND)) for node in fixed_bias_nodes(amp, supply))
    outputs = {section.cathode for section in power_sections(amp)}
    drops = tuple(output_drops(amp)) if GROUND in outputs else ()
    usual = tube_readings(amp, 99)
    rail, cathodes = usual[:1], [p for p in usual if p.place[0] in outputs - {GROUND}]
    probes = tuple(dict.fromkeys([*bias, *rail, *cathodes, *drops, *usual]))[:MOST_IDLE]
    circuit = supply.still(supply.report.solved.state.circuit)
    run = warming_up(amp, circuit, tolerance=COARSE, longest_s=0.5 * ROUND_S)
    design, line = float(amp.design_mains_rms), float(amp.mains_rms)
    good = (1 - LINE_OFF) * design, (1 + LINE_HIGH) * design
    steps = [measure(
        "Meter across the line at the plug", "mains", line, good,
        ((1 - 2 * LINE_OFF) * design, (1 + LINE_OFF) * design), reading=AC.words, unit="V RMS",
        above=LINE, below=LINE, clip=True,
    )]  # fmt: skip
    for probe, limit in limits(amp, supply, probes, ranges).items():
        node, to = probe.place
        where = amp.topology.place(node) + (f" to {to}" if to != GROUND else "")
        caution = f"Read the bias first. {RUNS_AWAY}" if probe in bias[:1] else limit.caution
        place = node if to == GROUND else f"{node} to {to}"
        by_s = _reached(amp, run, probe, limit.low, limit.high)
        steps.append(limit.step(f"Meter on {where}", place, by_s, caution=caution, clip=True))
    before = (*prepare(amp, fixed_bias_nodes(amp, supply)), cold_note(supply))
    whose = "By its readings this amp falls in the ranges (95 %)" if ranges else GOOD_RANGES
    note = f"{whose}. At a stop limit it is dangerous to go on: switch off. If "
    note += "another reading is out of its range, find out why first."
    return before, steps, note


def _reached(amp: Amp, run: Transient, probe: Probe, low: float, high: float) -> float:
    """When a reading is within half its range of its end after a cold start, rounded up [s]."""
    one, to = probe.place
    if not all(node == GROUND or node in run.network.index for node in probe.place):
        return settling_s(amp, 1.0)
    volts, most = run.volts(one, to), 0.5 * max(high - low, 1e-3)
    far = np.abs(volts - volts[-1])
    off, last = np.flatnonzero(far > most), 0.0
    if len(off):
        at = np.array([off[-1] + 1, off[-1]])
        last = float(np.interp(most, far[at], run.time[at]))
    return float(max(ROUND_S * np.ceil(last / ROUND_S), ROUND_S))


def _drive(amp: Amp, ranges: Ranges | None = None) -> _Made:
    report = analyze(amp)
    refuse_unstable(amp, report.stability)
    driven = full_drive(on_dummy_load(amp), near=report)
    tubes = [driven_tube(driven, report, name) for name in driven.output_tubes]
    level = 1e3 * driven.input_v / np.sqrt(2)
    names = {s.name: s.cathode for s in amp.topology.sections}
    under = {names[one.tube]: one.driven_k_v for one in tubes if one.driven_k_v >= LEAST_V}
    idle = dict(cathode_limits(amp, supply_report(amp, near=report), ranges)) if under else {}
    places = {node: amp.topology.place(node) for node in under}
    words: dict[str, Any] = {"above": POSITIVE, "below": WEAK}
    steps = [
        idle[node].step(f"Ten minutes after switch-on, no signal: meter on {places[node]}",
                        f"{node} before drive", **words)
        for node in under
    ]  # fmt: skip
    loaded = across_load(amp, driven)
    if loaded is not None:
        volts, watts = loaded
        do = f"Feed {TONE_HZ:g} Hz into {driven_jack(amp)}, raise it slowly to {level:.3g} mV RMS"
        steps.append(
            measure(f"{do}: AC meter across the load ({watts:.2g} W)", "load", volts,
                    within(volts, DRIVE_OFF), reading=AC.words, unit="V RMS",
                    below="a stage that loses signal: trace the tone from the jack",
                    caution="Stop when a plate or screen glows, or anything smells.")
        )  # fmt: skip
    for node, volts in under.items():
        limit = idle[node].at(volts / float(report.node(node).dc_v))
        low, high = within(volts, DRIVE_OFF)
        stop = max(limit.stop_high or 0.0, (1 + 2 * DRIVE_OFF) * volts)
        steps.append(
            measure(f"Same signal for a few seconds: meter on {places[node]}", f"{node} under drive", volts,
                    (min(low, limit.low), max(high, limit.high)), (None, stop), **words)
        )  # fmt: skip
    steps += [
        idle[node].step(f"Signal off: {places[node]} returns to idle", f"{node} after drive", BACK_S, **words)
        for node in under
    ]
    if not under:
        steps.append(look("Same signal for a few seconds: no plate or screen glows, line current steady"))
    note = (
        f"{sag_words(driven.sag_percent)} meanwhile. Readings with signal should be within 15 % "
        "(common practice)."
    )
    return prepare(amp), steps, note


def _hum(amp: Amp, ranges: Ranges | None = None) -> _Made:  # noqa: ARG001 - nothing there is idle
    result = hum(amp)
    steps = [_hum_step(f"AC meter at {result.output}, {silent(result)}, controls as set", result)]
    if balance_control(amp) is not None:
        null = hum_balance(amp)
        if null.works:
            at = f"{100 * null.null:.0f} % of its travel"
            do = f"Turn {null.control} for the lowest reading, expected at {at}"
            steps.append(
                measure(do, "hum null", null.null_v, (0.0, HUM_TIMES * null.null_v), reading=AC.words,
                        unit="V RMS", above=NULL)
            )  # fmt: skip
            deep = f"{null.depth_db:.0f} dB below the worse end of {null.control}"
            steps.append(look(f"The null is {deep}, and not at an end of its travel"))
        else:
            steps.append(look(f"{null.control}: {null.finding}"))
    note = f"Calculated: {result.headline()}. Magnetic fields and wiring add to it, so the range is wide."
    return (prepare(amp)[0], prepare(amp)[-1]), steps, note


def _hum_step(do: str, hum: Hum) -> Step:
    """Hum at the speaker; named is what makes most of it."""
    volts = float(hum.total_rms[0])
    shares = {key: float(np.sqrt((np.abs(each) ** 2).sum())) for key, each in hum.together().items()}
    kind, node = max(shares, key=lambda key: shares[key], default=("rail", ""))
    because = {
        "rail": f"ripple of {node}: its filter capacitor, or one tube of a pair that is weak",
        "heater": "the heaters: their center tap or balance control, a tube that leaks",
        "bias": f"ripple of the bias supply at {node}: its capacitor",
    }.get(kind, "the line side")
    good = (0.0, HUM_TIMES * volts)
    return measure(do, "hum", volts, good, reading=AC.words, unit="V RMS", above=because)


@dataclass(frozen=True)
class Missing:
    """A sheet that this amp has no use for, and why."""

    name: str
    why: str


def usable(amp: Amp, name: str, good: Amp | None = None, ranges: Ranges | None = None) -> Sheet | Missing:
    """The sheet, or why there is none for this amp."""
    try:
        return sheet(amp, name, good, ranges)
    except TubekitError as error:
        return Missing(name, str(error))


_MADE: Mapping[str, Callable[[Amp, Ranges | None], _Made]] = {
    "up": _up, "lamp": partial(_up, lamps=True), "idle": _idle, "drive": _drive, "hum": _hum,
    "hand-back": sweep,
}  # fmt: skip
