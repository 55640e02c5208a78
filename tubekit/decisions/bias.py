"""Is the bias of the output tubes right? Idle current and plate heat by the rule of their kind of bias."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.amp.parts import GROUND, Capacitor, Potentiometer, Resistor, Tube, TwoTerminal
from tubekit.amp.parts.tube_facts import TubeFacts, facts
from tubekit.amp.readings import TubeReading
from tubekit.amp.signal import signal_path
from tubekit.amp.signal_order import power_sections
from tubekit.decisions.candidates import types_like
from tubekit.decisions.rating import FIXED_BIAS_SHARE, STATES, state_of
from tubekit.decisions.socket_check import socket_findings
from tubekit.decisions.tube_limits import FIXED_BIAS_SOURCE, POWER_TUBE_FROM_W, at_nominal, rated
from tubekit.devices import tube
from tubekit.errors import ChangeError, InputError, SolveError
from tubekit.series import series_values
from tubekit.text import Printed, Table, described, headed, quantity
from tubekit.units import mark, show

CATHODE_BIAS_SHARE = 1.0
"""Cathode bias may idle at the whole design-center rating, class A and AB1 (common practice, no source)."""
MORE_OHMS = 4.0
"""A cathode resistor that is higher by this [Ω], as drift or a poor joint makes it."""
TIRED = 0.1
"""Share of its capacitance that a dried-out bypass capacitor has left (common practice, no source)."""
BASS_HZ = 80.0
"""Where a tired bypass capacitor is heard [Hz]."""
SEEN_DB, SEEN_SHARE, LEAST_A, FINE = 0.1, 0.02, 0.02, "fine"
COLD = 0.30
"""An output tube that idles below this share of its rating runs cold (common practice, no source)."""
WARM = 0.50
"""A cold tube is brought to at least this share of its rating (common practice, no source)."""
CHECK_FIRST = "check heater, screen and bias voltage first"
APART = 0.10
"""Tubes of one stage that idle farther apart than this, calculated with equal tubes, are named."""
SHOWN = 5
LEAST_BIAS_V = 5.0
"""A supply more negative than this is one for fixed bias [V]."""
RESISTORS = 2.0
"""A cathode or bias resistor is looked for up to so many times the one that is in."""


@dataclass(frozen=True)
class IdleTube:
    """One output tube at idle, and how much it may draw there at its plate voltage."""

    tube: str
    type: str
    bias: str
    plate_v: float = quantity("V", "V_p", "plate to cathode", label="plate to cathode")
    plate_a: float = quantity("A", "I_p", "plate current, without the screen's", label="plate current")
    plate_w: float = quantity("W", "P_p", "plate dissipation, without the screen's", label="plate W")
    rated_w: float = quantity("W", "P_max", "its rating", label="rated")
    share: float = quantity("", "", "part of the rating", label="% of rating", share=True, format=".0f")

    @property
    def limit(self) -> float:
        """Part of the rating that its kind of bias may idle at."""
        return CATHODE_BIAS_SHARE if self.bias == "cathode" else FIXED_BIAS_SHARE

    @described("A", label="fixed bias up to")
    def fixed_a(self) -> float:
        """Plate current that fixed bias may idle at, at these volts [A]."""
        return FIXED_BIAS_SHARE * self.rated_w / self.plate_v

    @described("A", label="cathode bias up to")
    def cathode_a(self) -> float:
        """Plate current that cathode bias may idle at, at these volts [A]."""
        return CATHODE_BIAS_SHARE * self.rated_w / self.plate_v


@dataclass(frozen=True)
class OtherType:
    """Another type in all sockets of the output stage, nothing else changed."""

    type: str
    plate_a: float = quantity("A", "I_p", "plate current of the hottest", label="plate current")
    plate_w: float = quantity("W", "P_p", "plate dissipation of the hottest", label="plate W")
    share: float = quantity("", "", "part of its own rating", label="% of rating", share=True, format=".0f")
    verdict: str = ""


@dataclass(frozen=True)
class BiasEffect:
    """What a small fault of the bias does."""

    what: str
    effect: str


@dataclass(frozen=True, eq=False, repr=False)
class Bias(Printed):
    """The bias of an amp's output tubes, what else may be in the sockets, and whether to leave it."""

    amp: Amp
    tubes: tuple[IdleTube, ...]
    others: tuple[OtherType, ...]
    effects: tuple[BiasEffect, ...]
    verdict: str

    json_keys = ("amp=amp.title", "verdict", "tubes", "others", "effects")

    def headline(self) -> str:
        """The hottest tube, and what to do."""
        one = max(self.tubes, key=lambda tube: tube.share / tube.limit)
        return (
            f"{self.amp.title}: calculated, {one.tube} ({one.type}) idles at {show(one.plate_a, 'A')}, "
            f"{one.plate_w:.1f} W, {100 * one.share:.0f} % of its rating ({one.bias} bias: up to "
            f"{100 * one.limit:.0f} %). "
            f"{self.verdict}"
        )

    def tables(self) -> list[Table]:
        """The tubes, what else may be in the sockets, small faults."""
        source = (
            f"70 % at fixed bias: {FIXED_BIAS_SOURCE}. 100 % at cathode bias, class A and AB1, by the "
            "design-center rating: common practice, no source. Currents are plate currents; a reading at the "
            "cathode has the screen's too."
        )
        heads = ("tube", "type", "bias", "plate_v", "plate_a", "plate_w", "rated_w", "share",
                 "fixed_a", "cathode_a")  # fmt: skip
        own = Table.of("Output tubes at idle", self.tubes, *heads, note=source, key="tubes")
        others = Table.of(
            "Other types in these sockets",
            self.others,
            "type",
            "plate_a",
            "plate_w",
            "share",
            "fits=verdict",
            note="All other limits: substitutes.",
        )
        small = [(each.what, each.effect) for each in self.effects]
        faults = Table("Small faults of the bias", headed("fault", "what it does"), small, key="faults")
        return [own, others, *([faults] if small else [])]

    def short(self) -> list[Table]:
        """The tubes, small faults, then the types that suit best."""
        own, others, *small = self.tables()
        return [own, *small, replace(others, rows=others.rows[:SHOWN])]


def bias_report(amp: Amp) -> Bias:
    """Judge the bias of the output tubes.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    Bias
        The tubes at idle, other types in their sockets, small faults, and whether to leave it.

    Raises
    ------
    ChangeError
        A batch, or no output tube with a rating on an output transformer.
    SolveError
        The amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = bias_report(load_amp("teasel"))
    >>> [(one.tube, one.bias) for one in result.tubes], result.verdict
    ([('V3', 'cathode'), ('V4', 'cathode')], 'Leave it.')
    """
    amp.refuse_batch()
    report = at_nominal(analyze(amp))
    tubes = tuple(_idle(each) for each in _outputs(report))
    if not tubes:
        raise ChangeError("no output tube with a rating drives an output transformer", where=amp.name)
    others = sorted(
        _other_types(report),
        key=lambda one: (not one.verdict.startswith(FINE), abs(one.share - tubes[0].share)),
    )
    return Bias(amp, tubes, tuple(others), tuple(_effects(report)), _verdict(report, tubes))


def _outputs(report: AmpReport) -> list[TubeReading]:
    names = {section.name for section in power_sections(report.amp)}
    return [t for t in report.tubes if t.section in names and rated(t.types, "plate_w") is not None]


def _idle(t: TubeReading, k: int = 0, count: int = 1) -> IdleTube:
    """A tube of member k of a batch."""
    limits = rated(t.types, "plate_w")
    volts, amps, watts, limit = (
        float(np.broadcast_to(np.asarray(x, float), count)[k])
        for x in (t.plate_v, t.plate_a, t.plate_w, limits)
    )
    name = t.types[min(k, len(t.types) - 1)]
    return IdleTube(t.section, name, t.bias, volts, amps, watts, limit, watts / limit)


def _members(report: AmpReport) -> list[IdleTube]:
    """The hottest output tube of each member of a batch."""
    tubes, count = _outputs(report), report.amp.batch or 1
    return [max((_idle(t, k, count) for t in tubes), key=lambda one: one.share) for k in range(count)]


def _solved(report: AmpReport, changes: dict[str, object]) -> AmpReport | None:
    """The amp with a change at idle; None where it cannot be made or has no idle state."""
    try:
        return analyze(report.amp.changed(changes), near=report)
    except (InputError, SolveError):
        return None


def _other_types(report: AmpReport) -> Iterator[OtherType]:
    """Every power tube of the same kind, base and heater volts, in all sockets of the stage.

    One that the socket must be rewired for is never said to fit, however well it would idle.
    """
    sockets = list({t.designator: report.amp.parts[t.designator] for t in _outputs(report)}.values())
    first = sockets[0]
    assert isinstance(first, Tube)
    if any(getattr(part, "type", "") != first.type for part in sockets):
        return
    drawn = facts(str(first.type))
    names = [name for name in types_like(first) if _fits(name, drawn)]
    after = _solved(report, {part.designator: names for part in sockets}) if names else None
    for name, hot in zip(names, _members(after) if after else (), strict=False):
        more = len(sockets) * (facts(name).heater_amps - drawn.heater_amps)
        most = rated((name,), "plate_v")
        high = most is not None and state_of(float(hot.plate_v) / float(most)) == STATES[-1]
        found = socket_findings(first.designator, tube(str(first.type)), tube(name))
        rewire = any(finding.weight == "stop" for finding in found)
        no = "rewire the socket" if rewire else f"{most:g} V plate rating" if high else ""
        words = [f"no: {no}" if no else _word(hot)]
        words += [f"{show(more, 'A')} more heater current"] if more > LEAST_A else []
        yield OtherType(name, hot.plate_a, hot.plate_w, hot.share, ", ".join(words))


def _fits(name: str, drawn: TubeFacts) -> bool:
    own, watts = facts(name), rated((name,), "plate_w")
    alike = own.base == drawn.base and np.isclose(own.heater_volts, drawn.heater_volts, rtol=0.03)
    return bool(alike and watts is not None and np.max(watts) >= POWER_TUBE_FROM_W)


def _word(one: IdleTube) -> str:
    return "too hot" if one.share > one.limit else "too cold" if one.share < COLD else FINE


def _cathode_parts(report: AmpReport, kind: type[TwoTerminal]) -> list[TwoTerminal]:
    """The parts of a kind from the cathodes of the stage to ground."""
    cathodes = {section.cathode for section in power_sections(report.amp)} - {GROUND}
    return [
        part for part in report.amp.parts.values()
        if isinstance(part, kind) and part.condition == "fitted"
        and GROUND in part.nodes and cathodes & set(part.nodes)
    ]  # fmt: skip


def _effects(report: AmpReport) -> Iterator[BiasEffect]:
    resistors, bypass = (_cathode_parts(report, kind) for kind in (Resistor, Capacitor))
    if resistors:
        higher = {one.designator: float(np.max(one.ohms)) + MORE_OHMS for one in resistors}  # type: ignore[attr-defined]
        after = _solved(report, dict(higher))
        if after is not None:
            (before,), (hot,) = _members(report), _members(after)
            change = 100.0 * (hot.plate_a / before.plate_a - 1.0)
            words = f"plate current {show(before.plate_a, 'A')} becomes {show(hot.plate_a, 'A')}"
            yield BiasEffect(f"{', '.join(higher)} {MORE_OHMS:g} Ω higher", f"{words} ({change:+.1f} %)")
    if not bypass:
        return
    left = {one.designator: TIRED * float(np.max(one.farads)) for one in bypass}  # type: ignore[attr-defined]
    fault = f"{', '.join(left)} dried out to {100 * TIRED:.0f} %"
    try:
        both = (report.amp, report.amp.changed(left))
        old, new = (signal_path(one, frequencies_hz=[BASS_HZ, 1000.0]).gain_db[0] for one in both)
    except (InputError, SolveError):
        yield BiasEffect(fault, "same idle current; its sound could not be calculated")
        return
    bass = float(new[0] - old[0])
    heard = f"{bass:+.1f} dB at {BASS_HZ:g} Hz" if abs(bass) >= SEEN_DB else "small signals sound the same"
    yield BiasEffect(fault, f"same idle current; {heard}; the bias moves with loud bass")


def _verdict(report: AmpReport, tubes: Sequence[IdleTube]) -> str:
    """'Leave it.', or what to change and why."""
    hot = max(tubes, key=lambda one: one.share / one.limit)
    amps = [one.plate_a for one in tubes]
    apart = max(amps) / max(min(amps), LEAST_A * 1e-3) - 1.0
    most = f"up to {show(hot.limit * hot.rated_w / hot.plate_v, 'A')} of plate current per tube"
    why = f"Change it because {hot.tube} dissipates {100 * hot.share:.0f} % of its rating"
    if hot.share > hot.limit:
        remedy = _remedy(report, tubes) or "set the bias more negative, "
        return f"{why}: {remedy}{most}."
    if apart > APART:
        return f"Change it because the tubes idle {100 * apart:.0f} % apart even if they are equal."
    if hot.share < COLD:
        return f"{why}, which is cold (weak, distorted): {_remedy(report, tubes, True)}{CHECK_FIRST}."
    return "Leave it."


def _bias_resistors(report: AmpReport) -> list[Resistor]:
    """Resistors from a negative supply to ground: the larger, the more negative the bias."""
    grids = {section.grid for section in power_sections(report.amp)}
    found = []
    for part in report.amp.parts.values():
        if isinstance(part, Resistor) and part.condition == "fitted" and GROUND in part.nodes:
            (node, *_) = {*part.nodes} - {GROUND} or {GROUND}
            if node not in {GROUND, *grids} and np.max(report.solved.state.mean(node)) < -LEAST_BIAS_V:
                found.append(part)
    return found


def _bias_pots(report: AmpReport) -> list[Potentiometer]:
    """Controls in the bias supply: every node of them is negative."""
    volts = report.solved.state.mean
    return [
        part for part in report.amp.parts.values()
        if isinstance(part, Potentiometer) and any(np.max(volts(n)) < -LEAST_BIAS_V for n in part.nodes)
        and all(n == GROUND or np.max(volts(n)) < -LEAST_BIAS_V for n in part.nodes)
    ]  # fmt: skip


def _remedy(report: AmpReport, tubes: Sequence[IdleTube], warmer: bool = False) -> str:
    """The bias pot and its setting, else the next cathode or bias resistor that does; '' where none does."""
    if any(one.bias != "cathode" for one in tubes):
        words = ""
        for pot in _bias_pots(report):
            now = float(np.max(pot.position))
            places = sorted(np.linspace(0.0, 1.0, 21).round(2), key=lambda x: abs(x - now))
            found = _brought(report, [f"{pot.designator}.position"], places, warmer)
            if found is not None and found.good:
                return f"{pot.designator} at {100 * found.value:.0f} % of its travel{found.grid}, "
            if found is not None and abs(found.share - max(one.share for one in tubes)) > SEEN_SHARE:
                words = f" ({pot.designator} alone reaches {100 * found.share:.0f} %)"
        for part in _bias_resistors(report):
            found = _brought(report, [part.designator], _next_values(part, warmer), warmer)
            if found is not None and found.good:
                return f"{part.designator} {mark(found.value, 'ohm')}{found.grid}{words}, "
        return ""
    resistors = _cathode_parts(report, Resistor)
    if not resistors:
        return ""
    names = [one.designator for one in resistors]
    found = _brought(report, names, _next_values(resistors[0], warmer), warmer)
    if found is not None and found.good:
        return f"{', '.join(names)} {mark(found.value, 'ohm')}, "
    most = RESISTORS * float(np.max(resistors[0].ohms))  # type: ignore[attr-defined]
    return "" if warmer else f"{', '.join(names)} up to {mark(most, 'ohm')} does not cool it, lower B+, "


def _next_values(part: TwoTerminal, warmer: bool) -> list[float]:
    """Values of a resistor that give less current (or more, where `warmer`), the next first."""
    ohms = float(np.max(part.ohms))  # type: ignore[attr-defined]
    ends = (ohms / RESISTORS**2, 0.99 * ohms) if warmer else (1.01 * ohms, RESISTORS * ohms)
    return [float(x) for x in series_values("E24", *ends)][:: -1 if warmer else 1]


@dataclass(frozen=True)
class _Found:
    """A setting of the bias: its value, the hottest tube's share of its rating, whether that is right."""

    value: float
    share: float
    good: bool
    grid: str


def _brought(report: AmpReport, keys: Sequence[str], values: Sequence[float], warmer: bool) -> _Found | None:
    """The first value that brings every tube to where it should idle, else the one that comes nearest."""
    after = _solved(report, {key: list(values) for key in keys}) if values else None
    if after is None:
        return None
    section = power_sections(report.amp)[0]
    grid = np.broadcast_to(after.solved.state.mean(section.grid), len(values))
    least = WARM if warmer else 0.0
    found = [
        _Found(float(value), one.share, least <= one.share <= one.limit,
               f" ({section.name} grid at {show(volts, 'V')})")
        for value, one, volts in zip(values, _members(after), grid, strict=False)
    ]  # fmt: skip
    nearest = (max if warmer else min)(found, key=lambda one: one.share)
    return next((one for one in found if one.good), nearest)
