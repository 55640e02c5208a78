"""Output tubes judged by what was measured on them: dissipation by the rule of their bias, and matching."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tubekit.amp import AmpReport, parts as drawn
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.readings import TubeReading
from tubekit.circuit.parts import GROUND
from tubekit.decisions.reading import Readings
from tubekit.decisions.tube_limits import FIXED_BIAS_SHARE, FIXED_BIAS_SOURCE, POWER_TUBE_FROM_W, rated
from tubekit.devices import catalogue

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


def power_verdicts(readings: Readings, report: AmpReport) -> Iterator[PowerVerdict]:
    """Dissipation of every output tube whose readings allow it, then the matching of pairs.

    `report` supplies what was not read (the screen's share, a plate that was left out) and says so.
    """
    amps = {t.section: _cathode_amps(readings, report, t) for t in report.tubes}
    for tube in report.tubes:
        limit = rated(tube.types, "plate_w")
        found = amps[tube.section]
        if limit is None or np.max(limit) < POWER_TUBE_FROM_W or found is None:
            continue
        yield _dissipation(readings, report, tube, found[0], found[1], float(np.max(limit)))
    yield from _matching(readings, report)


def _read(readings: Readings, quantity: str, place: tuple[str, str]) -> float | None:
    for reading in readings.readings:
        if reading.probe.quantity == quantity and reading.probe.place == place:
            return reading.value
    return None


def _cathode_amps(readings: Readings, report: AmpReport, tube: TubeReading) -> tuple[float, str] | None:
    """Cathode current of a section as measured, and how: directly, or from a cathode resistor it shares."""
    own = _read(readings, "dc_a", (tube.section, "cathode"))
    if own is not None:
        return own, "measured"
    part = report.amp.parts[tube.designator]
    assert isinstance(part, Tube)
    cathode = next(s.cathode for s in part.sections if s.name == tube.section)
    volts = _read(readings, "dc_v", (cathode, GROUND))
    ohms = [
        float(np.max(p.ohms)) for p in report.amp.parts.values()
        if isinstance(p, drawn.Resistor) and set(p.ends) == {cathode, GROUND}
    ]  # fmt: skip
    if volts is None or len(ohms) != 1:
        return None
    shared = [
        s
        for p in report.amp.parts.values()
        if isinstance(p, Tube)
        for s in p.sections
        if s.cathode == cathode
    ]
    how = f"{volts:.4g} V over {ohms[0]:g} Ω" + (f", shared by {len(shared)}" if len(shared) > 1 else "")
    return volts / ohms[0] / len(shared), how


def _dissipation(
    readings: Readings, report: AmpReport, tube: TubeReading, amps: float, how: str, limit: float
) -> PowerVerdict:
    part = report.amp.parts[tube.designator]
    assert isinstance(part, Tube)
    section = next(s for s in part.sections if s.name == tube.section)
    plate = _read(readings, "dc_v", (section.plate, GROUND))
    cathode = _read(readings, "dc_v", (section.cathode, GROUND)) if section.cathode != GROUND else 0.0
    assumed = "" if plate is not None else ", plate volts as computed"
    top = plate if plate is not None else float(tube.plate_v) + float(tube.cathode_v)
    bottom = cathode if cathode is not None else float(tube.cathode_v)
    screen = float(tube.screen_a) / float(tube.cathode_a) if section.screen else 0.0
    watts = (top - bottom) * amps * (1.0 - screen)
    ratings = catalogue.tube(tube.types[0]).ratings
    if tube.bias == "fixed":
        share, rule, source = (
            watts / (FIXED_BIAS_SHARE * limit),
            f"fixed bias: 70 % of its {limit:g} W rating",
            FIXED_BIAS_SOURCE,
        )
    else:
        share = watts / limit
        rule = f"cathode bias: up to its {ratings.system or 'maker-stated'} rating"
        source = f"{ratings.source} ({ratings.status})"
    verdict = "fine" if share <= 1.0 else "on the high side" if share <= 1.1 else "too hot"
    text = (
        f"{tube.section}: {watts:.1f} W of {limit:g} W ({100 * watts / limit:.0f} %), "
        f"from {amps * 1e3:.1f} mA ({how}{assumed})"
    )
    return PowerVerdict(tube.section, verdict, text, f"{rule} [{source}]")


def _matching(readings: Readings, report: AmpReport) -> Iterator[PowerVerdict]:
    """Pairs of output tubes on one transformer, by their currents or by the drops of the two halves."""
    power = {
        t.section: t for t in report.tubes if np.max(rated(t.types, "plate_w") or 0.0) >= POWER_TUBE_FROM_W
    }
    for one, two in combinations(power, 2):
        if power[one].types != power[two].types:
            continue
        found = _pair_amps(readings, report, one, two)
        if found is None:
            continue
        first, second, how = found
        apart, mean = abs(first - second), 0.5 * (first + second)
        share = apart / mean if mean > 0 else np.inf
        verdict = (
            "well matched" if apart <= WELL_MATCHED_A or share <= 0.01
            else "good" if share <= GOOD else "acceptable" if share <= ACCEPTABLE else "not matched"
        )  # fmt: skip
        text = (
            f"{one} and {two}: {first * 1e3:.1f} and {second * 1e3:.1f} mA ({how}), {100 * share:.0f} % apart"
        )
        yield PowerVerdict(
            f"{one}, {two}", verdict, text, "within 1 mA well matched, 5 % good, 10 % acceptable"
        )


def _pair_amps(readings: Readings, report: AmpReport, one: str, two: str) -> tuple[float, float, str] | None:
    direct = [_read(readings, "dc_a", (name, "cathode")) for name in (one, two)]
    if direct[0] is not None and direct[1] is not None:
        return direct[0], direct[1], "cathode currents"
    drops = [_half_drop(readings, report, name) for name in (one, two)]
    if drops[0] is None or drops[1] is None:
        return None
    return drops[0], drops[1], "drop across each half of the transformer"


def _half_drop(readings: Readings, report: AmpReport, section: str) -> float | None:
    """Plate current by the drop between center tap and plate, where both were read as one difference."""
    plate = next(
        s.plate
        for p in report.amp.parts.values()
        if isinstance(p, Tube)
        for s in p.sections
        if s.name == section
    )
    for part in report.amp.parts.values():
        if not isinstance(part, drawn.OutputTransformer):
            continue
        for (a, b), ohms in zip(part.primary.sections, part.primary.ohms, strict=True):
            if plate in (a, b):
                tap = b if plate == a else a
                drop = _read(readings, "dc_v", (tap, plate))
                back = _read(readings, "dc_v", (plate, tap))
                volts = drop if drop is not None else -back if back is not None else None
                return None if volts is None else volts / float(np.max(ohms))
    return None
