"""What the substitutes panel answers and says of a candidate. No widgets."""

from __future__ import annotations

import html
from dataclasses import dataclass
from math import isfinite

from tubekit.amp import Amp
from tubekit.amp.parts import Capacitor, Choke, Part, RectifierTube, Tube
from tubekit.decisions import SwapReport
from tubekit.decisions.substitutes import Substitute, Substitutes
from tubekit.panels.part_settings import part_label
from tubekit.plots.substitutes_view import SubstitutesState
from tubekit.text import Column, Table
from tubekit.units import show

STILL = "This part changes none of these figures. For its effect on tone, open the tone notebook."
NOTE = "Checked: voltages, ripple, gain of each tube at 1 kHz, ratings. Not checked: tone, sound, life."


@dataclass(frozen=True, eq=False)
class SubstitutesAnswer:
    """The list, the candidate that is looked at, and what fitting it does."""

    found: Substitutes
    chosen: str
    swap: SwapReport

    @property
    def one(self) -> Substitute:
        """The candidate that is looked at."""
        return next(each for each in self.found.candidates if each.name == self.chosen)

    @property
    def sight(self) -> SubstitutesState:
        """What is drawn of it."""
        return SubstitutesState(self.found, self.chosen)


def parts_of(amp: Amp) -> list[tuple[str, str]]:
    """(words, designator) of every part that substitutes are known for, the most usual first."""
    found = [part for part in amp.parts.values() if part.preferred or isinstance(part, Tube)]
    return [(part_label(amp, part), part.designator) for part in sorted(found, key=_rank)]


def _rank(part: Part) -> int:
    if isinstance(part, RectifierTube):
        return 0
    if isinstance(part, Capacitor) and part.style == "electrolytic":
        return 1
    return 2 if isinstance(part, Tube | Choke) else 3


def verdict(now: SubstitutesAnswer) -> str:
    """Whether the candidate will do, and every reason why not."""
    one = now.one
    word = "ACCEPTABLE" if one.keeps else "NO"
    lines = "".join(f"<li>{html.escape(why)}</li>" for why in (*one.why_not, *one.notes))
    reasons = f'<ul class="tubekit-findings">{lines}</ul>' if lines else ""
    kind = "" if one.keeps else ' class="tubekit-exceeded"'
    place = html.escape(f"{one.name} in place of {now.found.drawn}")
    return f"<p><strong{kind}>{word}</strong> {place}</p>{reasons}"


def table(now: SubstitutesAnswer) -> Table:
    """The candidate that is looked at, and what stands there now."""
    one, before = now.one, now.found.before
    rail = before.rails[0]
    most = _share(one.used_percent) if one.used_at else ""
    rows = [
        (rail.node, show(one.b_plus_v, "V", 4), show(float(rail.dc_v), "V", 4)),
        (f"largest change: {one.off_at}", f"{round(one.moves_percent, 2) + 0.0:+.2g} %", ""),
        ("ripple", f"{one.ripple_ratio:.2g} × as much", ""),
        (f"gain: {one.gain_at}", f"{round(one.gain_db, 1) + 0.0:+.1f} dB", ""),
        (f"closest to its limit: {one.used_at}", most, ""),
        ("to buy", one.fit, ""),
    ]
    columns = (Column(""), Column(one.name, align="right"), Column("now", align="right"))
    return Table("", columns, [row for row in rows if row[1]], NOTE)


def _share(percent: float) -> str:
    """Used share of a rating, and the margin."""
    if not isfinite(percent):
        return "not known"
    left = 100.0 - percent
    return f"{percent:.0f} %, {abs(left):.1f} % {'left' if left >= 0.0 else 'over'}"


def listed(found: Substitutes) -> tuple[Amp, str, frozenset[str]]:
    """What the scales of a figure belong to."""
    return found.amp, found.part, frozenset(one.name for one in found.candidates)


def is_still(found: Substitutes) -> bool:
    """True where no candidate moves anything that is compared."""
    return all(
        one.off_percent < 0.01 and abs(one.ripple_ratio - 1.0) < 0.01 and abs(one.gain_db) < 0.05
        for one in found.candidates
    )
