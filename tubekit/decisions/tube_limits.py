"""Every limit a tube's maker states, compared with the amp at the line voltage its rating system means.

Design-center ratings hold at nominal line voltage: the maker left room for a line that is 10 % off it.
Design-maximum, absolute and unnamed ones hold at the line in use (systems of the RCA manuals, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np

from tubekit.amp import AmpReport, analyze, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.amp.readings import TubeReading
from tubekit.circuit.parts import GROUND
from tubekit.circuit.reduction import resistance_across, resistance_between
from tubekit.decisions.rating import FIXED_BIAS_SHARE, RatingCheck, check
from tubekit.devices import catalogue
from tubekit.devices.tube_record import DESIGN_CENTER
from tubekit.errors import SolveError
from tubekit.result_fields import Array
from tubekit.units import show

LINE_SWING = 0.10
"""How far the line in use may be off the nominal one for a design-center rating (from memory)."""
SYSTEM_WORDS = (
    "Design-center ratings are checked at the nominal line voltage, all others at the line voltage in use."
)
SYSTEMS = (DESIGN_CENTER, "design-max", "absolute maximum")
SHARED = 0.5
"""Grids that have this part of a leak in common are on the same leak; common practice, no source."""
FIXED_BIAS_SOURCE = "a published bias guide (printed): class AB fixed bias idles at 70 % or less"
POWER_TUBE_FROM_W = 5.0
HEATER_TOLERANCE = 0.10
HEATER_SOURCE = "usual heater tolerance of 10 % (from memory)"

_nominal: WeakKeyDictionary[AmpReport, AmpReport] = WeakKeyDictionary()


def at_nominal(report: AmpReport) -> AmpReport:
    """The amp at nominal line voltage: the line it was drawn for, while the one in use is within 10 % of it.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> high = analyze(load_amp("teasel").changed({}, mains_rms=123))
    >>> float(at_nominal(high).amp.mains_rms)
    117.0
    """
    if report not in _nominal:
        line, drawn_for = np.asarray(report.amp.mains_rms, float), float(report.amp.design_mains_rms)
        inside = np.abs(line / drawn_for - 1.0) <= LINE_SWING
        nominal = np.where(inside, drawn_for, line)
        result = report
        if not np.allclose(nominal, line):
            volts = float(nominal) if nominal.ndim == 0 else nominal.tolist()
            try:
                result = analyze(report.amp.changed({}, mains_rms=volts), near=report)
            except SolveError:  # judged at the line in use then, as the rule's words show
                result = report
        _nominal[report] = result
    return _nominal[report]


def rated(types: Sequence[str], field: str) -> Array | float | None:
    """A rating of the type (or, in a batch, types) in a socket; None where none states it."""
    values = [getattr(catalogue.tube(each).ratings, field, None) for each in types]
    if all(value is None for value in values):
        return None
    numbers = np.array([np.nan if value is None else float(value) for value in values])
    return float(numbers[0]) if len(numbers) == 1 else numbers


class _Rated:
    """What the rating system of a socket's type (or types) makes of two reports, and how it is worded."""

    def __init__(self, report: AmpReport, types: Sequence[str]) -> None:
        self.report, self.types = report, tuple(types)
        self.ratings = [catalogue.tube(each).ratings for each in types]
        self.center = np.array([each.system == DESIGN_CENTER for each in self.ratings])

    @cached_property
    def reports(self) -> tuple[AmpReport, AmpReport]:
        """At the line in use, and at the nominal one where a rating needs it."""
        return self.report, at_nominal(self.report) if self.center.any() else self.report

    @cached_property
    def rule(self) -> str:
        """Types, rating system, and the line voltage where it is not the one in use."""
        system = self.ratings[0].system or "maker's"
        text = f"{', '.join(dict.fromkeys(self.types))} {system} rating"
        if system not in SYSTEMS:
            return f"{text} (system not stated)"
        here, nominal = (np.asarray(each.amp.mains_rms, float) for each in self.reports)
        if not self.center[0] or np.allclose(here, nominal):
            return text
        return f"{text} ({show(np.max(nominal), 'V')} line)"

    @property
    def source(self) -> str:
        """Source and status of the first type."""
        return f"{self.ratings[0].source} ({self.ratings[0].status})"

    def checks(
        self, part: str, code: str, here: Array | float, nominal: Array | float, what: str = ""
    ) -> list[RatingCheck]:
        """A reading at both lines, judged at the one its system means."""
        center = self.center if len(self.center) > 1 else self.center[0]
        value = np.where(center, nominal, here)
        single = float(value) if value.ndim == 0 else value
        return check(part, code, single, rated(self.types, code), self.rule, self.source, what=what)


def tube_checks(report: AmpReport) -> Iterator[RatingCheck]:
    """All checks of the amplifying tubes of an amp."""
    for k, t in enumerate(report.solved.tubes):
        part = report.amp.parts[t.designator]
        assert isinstance(part, Tube)
        section = next(s for s in part.sections if s.name == t.section)
        types = tuple(part.system(section, each).type for each in t.types)
        rated_as = _Rated(report, types)
        at_line = rated_as.reports[1].solved.tubes[k]
        for code in ("plate_w", "screen_w", "plate_v", "screen_v", "cathode_a"):
            yield from rated_as.checks(t.section, code, getattr(t, code), getattr(at_line, code))
        if part.sections[0] is section:
            yield from _both_plates(rated_as, t.designator)
        yield from _heater_cathode(rated_as, t.section, part, section.cathode)
        yield from _grid_leak(rated_as, t, section)
        yield from _fixed_bias(t, types)
        yield from _heater(t)


def _both_plates(rated_as: _Rated, designator: str) -> list[RatingCheck]:
    """All plates of a bottle together, where the maker limits them."""
    here, nominal = (
        np.sum([np.asarray(t.plate_w) for t in each.solved.tubes if t.designator == designator], axis=0)
        for each in rated_as.reports
    )
    return rated_as.checks(designator, "plates_w", here, nominal)


def _heater_cathode(rated_as: _Rated, name: str, part: Tube, cathode: str) -> list[RatingCheck]:
    """Highest voltage between either end of the heater and the cathode, DC and peak, by polarity."""
    if rated(rated_as.types, "heater_cathode_v") is None or catalogue.tube(rated_as.types[0]).directly_heated:
        return []
    both = []
    for each in rated_as.reports:
        state = each.solved.state
        known = state.operating_point.network.index
        ends = [node for node in part.heater if node in known or node == GROUND]
        waves = np.stack([state.waveform(node, cathode) for node in ends or [GROUND]])
        both.append((waves.max(axis=(0, 2)), -waves.min(axis=(0, 2))))
    where = "" if part.heater else ", heater taken at ground"
    one = rated_as.report.solved.one
    (up, down), (up_line, down_line) = both
    result = [
        *rated_as.checks(name, "heater_cathode_v", one(down), one(down_line), _polar("negative", where)),
        *(
            rated_as.checks(name, "heater_cathode_v", one(up), one(up_line), _polar("positive", where))
            if rated(rated_as.types, "heater_positive_v") is None
            else rated_as.checks(name, "heater_positive_v", one(up), one(up_line), _polar("positive", where))
        ),
    ]
    return [max(result, key=lambda c: c.worst)] if result else []


def _polar(sign: str, where: str) -> str:
    return f"peak heater-to-cathode voltage (heater {sign}{where})"


def _grid_leak(rated_as: _Rated, t: TubeReading, section: Section) -> list[RatingCheck]:
    """Resistance a grid's current meets on its way to ground; grids on the same leak are counted together.

    Where less than that ties a grid to its own cathode, the way to the cathode counts. With n tubes on one
    leak each may have an n-th of what one tube is allowed. A leak is shared where the better half of it is;
    what tubes share of a bias supply alone is left out.
    """
    field = "grid_leak_cathode_bias" if t.bias == "cathode" else "grid_leak_fixed"
    limit = rated(rated_as.types, field)
    if limit is None:
        return []
    light, light_w = (rated(rated_as.types, each) for each in ("grid_leak_light", "light_w"))
    if light is not None and light_w is not None:
        at_light = np.where(np.asarray(t.plate_w) <= light_w, light, limit)
        limit = float(at_light) if at_light.ndim == 0 else at_light
    report = rated_as.report
    grids = [section.grid, *(grid for grid in _grids_like(report, t) if grid != section.grid)]
    network = report.solved.state.operating_point.network
    seen = resistance_between(network, grids)[:, 0, :]
    counts = np.array([sum(grid == each for each in _grids_like(report, t)) for grid in grids])
    together = seen >= SHARED * seen[:, :1]
    ohms = (seen * counts * together).sum(axis=1)
    shared = bool(np.any((together * counts).sum(axis=1) > 1))
    what = "grid-to-ground resistance (a shared grid leak counts for each tube on it)" if shared else ""
    own = resistance_across(network, section.grid, section.cathode)
    if np.all(own < (1.0 - 1e-6) * seen[:, 0]):
        ohms, what = own * counts[0], "grid-to-cathode resistance"
    rule = f"{', '.join(dict.fromkeys(rated_as.types))} limit"
    return check(t.section, "grid_leak", report.solved.one(ohms), limit, rule, rated_as.source, what=what)


def _grids_like(report: AmpReport, t: TubeReading) -> list[str]:
    """Grid of every section of the same type, this one's included."""
    return [
        section.grid
        for part in report.amp.parts.values()
        if isinstance(part, Tube) and part.condition == "fitted"
        for section in part.sections
        if part.types == t.types and (section.screen is not None) == bool(np.any(np.isfinite(t.screen_v)))
    ]


def _fixed_bias(t: TubeReading, types: Sequence[str]) -> list[RatingCheck]:
    """The 70 % rule, for power tubes whose bias is held at the grid; never at cathode bias."""
    limit = rated(types, "plate_w")
    if t.bias != "fixed" or limit is None or np.nanmax(limit) < POWER_TUBE_FROM_W:
        return []
    names = ", ".join(dict.fromkeys(types))
    rule = f"fixed-bias guide (70 % of the {names} rating of {show(limit, 'W')})"
    return check(
        t.section, "idle_w", t.plate_w, FIXED_BIAS_SHARE * np.asarray(limit), rule, FIXED_BIAS_SOURCE
    )


def _heater(t: TubeReading) -> list[RatingCheck]:
    nominal = np.asarray(t.heater_rated_v).reshape(-1)
    off = np.abs(np.asarray(t.heater_rms_v) - nominal)
    off = float(off[0]) if isinstance(t.heater_rms_v, float) else off  # floats of a single amp
    limit = HEATER_TOLERANCE * (float(nominal[0]) if len(t.types) == 1 else nominal)
    return check(t.section, "heater_off", off, limit, "heater tolerance", HEATER_SOURCE)


def rectifier_checks(report: AmpReport) -> Iterator[RatingCheck]:
    """All checks of rectifier tubes and diodes: steady state, so the repetitive peak is what counts."""
    for k, r in enumerate(report.rectifiers):
        part = report.amp.parts[r.designator]
        if not isinstance(part, Tube | drawn.Diode):
            continue
        rated_as = _Rated(report, r.types)
        at_line = rated_as.reports[1].rectifiers[k]
        for code, field in (
            ("dc_a", "dc_a"), ("peak_a", "peak_a"), ("piv", "inverse_v"), ("reservoir_max_f", "reservoir_f"),
        ):  # fmt: skip
            yield from rated_as.checks(r.designator, code, getattr(r, field), getattr(at_line, field))
        if isinstance(part, RectifierTube):
            yield from _heater_cathode(rated_as, r.designator, part, part.cathode)
