"""What burns when an amp is switched on with other wiring: fuses that open, ratings that are exceeded."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tubekit.amp import AmpReport
from tubekit.amp.supply_duty import fuses
from tubekit.decisions.limits import idle_limits
from tubekit.decisions.rating import RatingCheck
from tubekit.units import mark, show

BURNS = 2.0
"""From this many times its rating on a part is damaged within minutes (common practice, no source)."""
HARMS = 1.1
"""Up to this many times its rating nothing is said of it here: an unloaded winding comes that far (common
practice, no source)."""
SHOWN = 4


def damage(before: AmpReport, after: AmpReport) -> tuple[str, ...]:
    """List the damage by a change of wiring, the fuse first, then ratings by how far they are exceeded.

    Parameters
    ----------
    before, after : the amp as it should be, and with the other wiring; what exceeds its rating in both is
        left out.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> amp = load_amp("teasel")
    >>> damage(analyze(amp), analyze(amp.changed({"C14": "short"})))[0][:24]
    'F1 (1.50 A slow) carries'
    """
    was = {c.key: c for c in idle_limits(before)}
    worse = [
        c for c in idle_limits(after)
        if c.worst > HARMS and c.code != "fuse_a" and c.since(was.get(c.key)) in ("new", "worse")
    ]  # fmt: skip
    result = [*_fuses(after), *_together(worse, after)]
    more = len(result) - SHOWN
    return (*result[:SHOWN], f"{more} more ratings exceeded") if more > 1 else tuple(result)


def _fuses(report: AmpReport) -> Iterator[str]:
    for one in fuses(report.solved):
        amps, rated = float(np.max(one.amps)), float(np.max(one.rated_a))
        if np.isfinite(np.min(one.holds_s)):
            words = f"{one.fuse} ({show(rated, 'A')} {one.speed}) carries {show(amps, 'A')}"
            yield f"{words}: {one.carries}"


def _together(checks: list[RatingCheck], after: AmpReport) -> Iterator[str]:
    """Parts that share a fate on one line."""
    alike: dict[tuple[str, str], list[RatingCheck]] = {}
    for c in checks:
        alike.setdefault((_heater(after, c) or c.code, f"{c.worst:.2g}"), []).append(c)
    for (fate, _), same in alike.items():
        one = same[0]
        parts = ", ".join(dict.fromkeys(f"{c.part} winding" if " " in c.part else c.part for c in same))
        hot = one.unit in ("W", "A")
        verb = "will burn out" if hot and one.worst >= BURNS else "overloaded" if hot else "over the limit"
        figures = f"{one.what} {show(one.value, one.unit)} (limit {mark(one.limit, one.unit)})"
        yield f"{parts}: {fate}" if fate != one.code else f"{parts} {verb}: {figures}"


def _heater(after: AmpReport, c: RatingCheck) -> str:
    """'heater at 0 V, should be 6.30 V'; nothing of another rating."""
    if c.code != "heater_off":
        return ""
    tube = after.tube(c.part)
    volts = round(float(np.max(tube.heater_rms_v)), 2)
    return f"heater at {show(volts, 'V')}, should be {show(float(np.max(tube.heater_rated_v)), 'V')}"
