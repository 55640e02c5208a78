"""Output tubes judged by what was measured on them: dissipation by the rule of their bias, and matching."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tubekit.amp import AmpReport, parts as drawn
from tubekit.amp.parts.tubes import Section
from tubekit.amp.readings import TubeReading
from tubekit.circuit.parts import GROUND
from tubekit.decisions.rating import FIXED_BIAS_SHARE
from tubekit.decisions.reading import Readings
from tubekit.decisions.tube_limits import FIXED_BIAS_SOURCE, POWER_TUBE_FROM_W
from tubekit.devices.tube_record import Ratings
from tubekit.text import Table, headed

WELL_MATCHED_A = 1e-3
"""A pair this close is well matched (common practice, no source)."""
GOOD, ACCEPTABLE = 0.05, 0.10
"""Differences of a pair, as a fraction, called good and acceptable (practice table, from memory)."""


@dataclass(frozen=True)
class PowerVerdict:
    """One finding about the output tubes, with the rule it was held against."""

    tube: str
    verdict: str
    text: str
    rule: str


def too_hot(power: Iterable[PowerVerdict]) -> str:
    """Which tubes are too hot, and what to do; '' where none is."""
    hot = [each.tube for each in power if each.verdict == "too hot"]
    return f"{', '.join(hot)} too hot: switch off until the cause is found." if hot else ""


def power_table(power: Iterable[PowerVerdict]) -> Table:
    """One row per verdict."""
    return Table(
        "Output tubes",
        headed("verdict", "output tubes", "rule"),
        [(p.verdict, p.text, p.rule) for p in power],
    )


def power_verdicts(readings: Readings, report: AmpReport) -> Iterator[PowerVerdict]:
    """Dissipation of every output tube whose readings allow it, then the matching of pairs.

    `report` supplies what was not read (the screen's share, a plate that was left out) and says so.
    """
    for tube in report.tubes:
        limit = _limit_w(report, tube)
        if limit < POWER_TUBE_FROM_W:
            continue
        result = _plate_amps(readings, report, tube)
        if result is None:
            continue
        yield _dissipation(readings, report, tube, result[0], result[1], limit)
    yield from _matching(readings, report)


def _ratings(report: AmpReport, tube: TubeReading) -> list[Ratings]:
    """Those of its own section: a triode next to a power pentode has ratings of its own."""
    part = report.amp.parts[tube.designator]
    assert isinstance(part, drawn.Tube)
    return [part.system(_section(report, tube.section), each).ratings for each in tube.types]


def _limit_w(report: AmpReport, tube: TubeReading) -> float:
    """Plate dissipation that its maker allows, 0 where none is stated [W]."""
    return max((each.plate_w or 0.0 for each in _ratings(report, tube)), default=0.0)


def _read(readings: Readings, section: str, terminal: str) -> float | None:
    """A current as it was read."""
    for reading in readings.readings:
        if reading.probe.quantity == "dc_a" and reading.probe.place == (section, terminal):
            return reading.value
    return None


def _volts(readings: Readings, node: str, to: str) -> float | None:
    """Volts between two nodes as read, at once or as a sum of differences that were read."""
    steps: dict[str, list[tuple[str, float]]] = {}
    for reading in readings.readings:
        if reading.probe.quantity == "dc_v":
            a, b = reading.probe.place
            steps.setdefault(a, []).append((b, reading.value))
            steps.setdefault(b, []).append((a, -reading.value))
    result, ahead = {node: 0.0}, [node]
    for here in ahead:
        for there, volts in steps.get(here, []):
            if there not in result:
                result[there] = result[here] + volts
                ahead.append(there)
    return result.get(to)


def _section(report: AmpReport, name: str) -> Section:
    return next(section for section in report.amp.topology.sections if section.name == name)


def _screen_share(tube: TubeReading) -> float:
    """Share of the cathode current that the screen takes, as computed."""
    return float(tube.screen_a) / float(tube.cathode_a) if tube.cathode_a else 0.0


def _plate_amps(readings: Readings, report: AmpReport, tube: TubeReading) -> tuple[float, str] | None:
    """Plate current of a section as measured, and how: in its lead, at its cathode, or by a drop."""
    section = _section(report, tube.section)
    plate, cathode = (_read(readings, tube.section, terminal) for terminal in ("plate", "cathode"))
    if plate is not None:
        return plate, "measured at the plate"
    left = 1.0 - (_screen_share(tube) if section.screen else 0.0)
    if cathode is not None:
        screen = _read(readings, tube.section, "screen")
        return (cathode * left, "measured") if screen is None else (cathode - screen, "measured, less screen")
    volts = _volts(readings, section.cathode, GROUND)
    ohms = [
        float(np.max(p.ohms)) for p in report.amp.parts.values()
        if isinstance(p, drawn.Resistor) and set(p.ends) == {section.cathode, GROUND}
    ]  # fmt: skip
    if volts is not None and len(ohms) == 1:
        shared = sum(s.cathode == section.cathode for s in report.amp.topology.sections)
        half = _half(report, tube.section)
        one = f"{half[0]} to {half[1]} for {tube.section} alone" if half else "each one"
        equal = f" if its {shared} tubes share it equally; one may carry nearly all of it: measure {one}"
        alike = equal if shared > 1 else ""
        return volts / ohms[0] / shared * left, f"{volts:.3g} V across {ohms[0]:g} Ω{alike}"
    drop = _half_drop(readings, report, tube.section)
    return None if drop is None else (drop, "from the voltage drop across its half of the transformer")


def _dissipation(
    readings: Readings, report: AmpReport, tube: TubeReading, amps: float, how: str, limit: float
) -> PowerVerdict:
    section = _section(report, tube.section)
    volts, cathode = _volts(readings, section.plate, section.cathode), None
    if volts is None and section.cathode != GROUND:  # what was not read of the two is as computed
        plate, cathode = (_volts(readings, n, GROUND) for n in (section.plate, section.cathode))
        if plate is not None:
            volts = plate - float(tube.cathode_v)
    assumed = "" if volts is not None else ", plate voltage calculated"
    if volts is None:
        volts = float(tube.plate_v) + (0.0 if cathode is None else float(tube.cathode_v) - cathode)
    watts = volts * amps
    ratings = _ratings(report, tube)[0]
    if tube.bias == "fixed":
        share, rule, source = (
            watts / (FIXED_BIAS_SHARE * limit),
            f"fixed bias: up to 70 % of the {limit:g} W rating",
            FIXED_BIAS_SOURCE,
        )
    else:
        share = watts / limit
        rule = f"cathode bias: up to the {ratings.system or 'stated'} rating"
        source = f"{ratings.source} ({ratings.status})"
    verdict = "fine" if share <= 1.0 else "on the high side" if share <= 1.1 else "too hot"
    text = f"{tube.section} runs {watts:.1f} W (rated {limit:g} W) at {amps * 1e3:.1f} mA ({how}{assumed})"
    return PowerVerdict(tube.section, verdict, text, f"{rule} [{source}]")


def _matching(readings: Readings, report: AmpReport) -> Iterator[PowerVerdict]:
    """Pairs of output tubes on one transformer, by their currents or by the drops of the two halves."""
    power = {t.section: t for t in report.tubes if _limit_w(report, t) >= POWER_TUBE_FROM_W}
    for one, two in combinations(power, 2):
        if power[one].types != power[two].types:
            continue
        result = _pair_amps(readings, report, one, two)
        if result is None:
            continue
        first, second, how = result
        apart, mean = abs(first - second), 0.5 * (first + second)
        share = apart / mean if mean > 0 else np.inf
        verdict = (
            "well matched" if apart <= WELL_MATCHED_A or share <= 0.01
            else "good" if share <= GOOD else "acceptable" if share <= ACCEPTABLE else "not matched"
        )  # fmt: skip
        text = (
            f"{one} and {two}: {first * 1e3:.1f} and {second * 1e3:.1f} mA ({how}): {100 * share:.0f} % apart"
        )
        yield PowerVerdict(
            f"{one}, {two}",
            verdict,
            text,
            "within 1 mA: well matched; within 5 %: good; within 10 %: acceptable",
        )


def _pair_amps(readings: Readings, report: AmpReport, one: str, two: str) -> tuple[float, float, str] | None:
    for terminal in ("cathode", "plate"):
        first, second = (_read(readings, name, terminal) for name in (one, two))
        if first is not None and second is not None:
            return first, second, f"{terminal} currents"
    drops = [_half_drop(readings, report, name) for name in (one, two)]
    if drops[0] is None or drops[1] is None:
        return None
    return drops[0], drops[1], "drop across each half of the transformer"


def _half_drop(readings: Readings, report: AmpReport, section: str) -> float | None:
    """Plate current by the drop between center tap and plate, where both were read as one difference."""
    half = _half(report, section)
    volts = None if half is None else _between(readings, *half[:2])
    return None if half is None or volts is None else volts / half[2]


def _half(report: AmpReport, section: str) -> tuple[str, str, float] | None:
    """Center tap, plate and resistance [Ω] of the half of an output transformer that a section feeds."""
    plate = _section(report, section).plate
    for part in report.amp.parts.values():
        if isinstance(part, drawn.OutputTransformer):
            for (a, b), ohms in zip(part.primary.sections, part.primary.ohms, strict=True):
                if plate in (a, b):
                    return (b if plate == a else a), plate, float(np.max(ohms))
    return None


def _between(readings: Readings, node: str, to: str) -> float | None:
    """The difference of two nodes where it was read as one: of two readings to ground little is left."""
    for reading in readings.readings:
        if reading.probe.quantity == "dc_v" and set(reading.probe.place) == {node, to}:
            return reading.value if reading.probe.place[0] == node else -reading.value
    return None
