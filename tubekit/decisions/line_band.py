"""An amp across today's line, and what brings it back to the line it was drawn for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.decisions.limits import Limits, limits
from tubekit.decisions.rating import FIXED_BIAS_SHARE, RatingCheck, counted
from tubekit.decisions.tube_limits import SYSTEM_WORDS
from tubekit.references import cite
from tubekit.text import Column, Printed, Table

BANDS = {120.0: (114.0, 126.0, "ansi-c84-1"), 230.0: (207.0, 253.0, "iec-60038")}
"""Nominal line to lowest, highest [V RMS] and the source of the band."""
HIGH_MAINS_V = 170.0
"""From this design line voltage on an amp belongs to the 230 V band [V]."""


@dataclass(frozen=True, eq=False, repr=False)
class LineBand(Printed):
    """An amp at its design line voltage and at the ends and the middle of today's band."""

    amp: Amp
    mains_rms: tuple[float, ...]
    source: str
    report: AmpReport
    ratings: Limits

    json_keys = (
        "amp=amp.title", "mains_rms", "source", "readings", "exceeded",
        "exceeded_by_design=drawn_over",
    )  # fmt: skip

    @property
    def exceeded(self) -> tuple[RatingCheck, ...]:
        """Ratings exceeded somewhere in the band, though not at the design line voltage."""
        return tuple(c for c in self.ratings.exceeded if not c.exceeded.flat[0])

    @property
    def drawn_over(self) -> tuple[RatingCheck, ...]:
        """Ratings exceeded even at the design line voltage."""
        return tuple(c for c in self.ratings.exceeded if c.exceeded.flat[0])

    def headline(self) -> str:
        """Whether today's line takes the amp above its ratings."""
        count = len(self.exceeded)
        none = f"no{' other' if self.drawn_over else ''} rating"
        more = counted(count, "more rating") if count else none
        low, high = self.mains_rms[1], self.mains_rms[-1]
        text = f"between {low:g} and {high:g} V, {more} {'are' if count > 1 else 'is'} exceeded"
        return f"{self.amp.title}, designed for {self.mains_rms[0]:g} V: {text}"

    def tables(self) -> list[Table]:
        """Heaters, rails and plates over the band, then the ratings that move most."""
        heads = (Column("what"), *(Column(f"{volts:g} V") for volts in self.mains_rms))
        rows = [
            (name, *((float(v), unit) for v in np.asarray(values))) for name, values, unit in self._readings()
        ]
        note = f"First column: design line voltage. Band: {self.source}."
        used = (Column("part"), Column("what"), *(Column(f"{volts:g} V", "%") for volts in self.mains_rms))
        worst = [(c.part, *self._used(c)) for c in self.ratings if c.state != "within"]
        return [
            Table("At each line voltage", heads, rows, note=note),
            Table("Ratings over the limit or close to it (% of the limit)", used, worst, note=SYSTEM_WORDS),
        ]

    def _used(self, check: RatingCheck) -> tuple[Any, ...]:
        """What is rated and its share [%] at each line voltage; once where the rating holds at one alone."""
        shares = 100.0 * np.broadcast_to(np.asarray(check.share, float), (len(self.mains_rms),))
        if check.code == "idle_w":
            guide = 100.0 * FIXED_BIAS_SHARE
            return f"{check.what} (of the rating; guide {guide:g} %)", *map(float, shares * FIXED_BIAS_SHARE)
        if np.ptp(shares) > 1e-6:
            return check.what, *map(float, shares)
        what = f"{check.what} (checked at {self.mains_rms[0]:g} V)"
        return what, float(shares[0]), *[None] * (len(shares) - 1)

    @property
    def readings(self) -> dict[str, Any]:
        """Heater, rail and plate readings by name, one value for each of `mains_rms`."""
        return {name: values for name, values, _ in self._readings()}

    def _readings(self) -> list[tuple[str, Any, str]]:
        report = self.report
        result: list[tuple[str, Any, str]] = []
        seen: set[str] = set()
        for tube in report.tubes:
            if tube.designator not in seen:
                seen.add(tube.designator)
                result.append((f"{tube.designator} heater", tube.heater_rms_v, "V RMS"))
        result += [(rail.words.removesuffix(" (B+)"), rail.dc_v, "V") for rail in report.rails]
        for tube in report.tubes:
            if np.max(np.asarray(tube.plate_w)) > 1.0:
                result.append((f"{tube.section} plate dissipation", tube.plate_w, "W"))
                if np.all(np.isfinite(tube.screen_w)):
                    result.append((f"{tube.section} screen dissipation", tube.screen_w, "W"))
        return result

    def short(self) -> list[Table]:
        """Ratings used, then readings without the screens'."""
        readings, used = self.tables()
        rows = [row for row in readings.rows if not str(row[0]).endswith("screen dissipation")]
        heaters = [row for row in rows if str(row[0]).endswith("heater")]
        return [used, replace(readings, rows=[*(row for row in rows if row not in heaters), *heaters])]


def line_band(amp: Amp) -> LineBand:
    """Heaters, rails and dissipations of an amp across the line band of today.

    The band is that of 120 V or of 230 V, whichever the design line voltage belongs to.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    LineBand
        Heaters, rails and plate dissipation at each line voltage.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> band = line_band(load_amp("teasel"))
    >>> band.mains_rms
    (117.0, 114.0, 120.0, 126.0)
    """
    nominal = 230.0 if amp.design_mains_rms >= HIGH_MAINS_V else 120.0
    low, high, source = BANDS[nominal]
    volts = (amp.design_mains_rms, low, nominal, high)
    report = analyze(amp.changed({}, mains_rms=list(volts)))
    return LineBand(amp, volts, cite(source), report, limits(report))
