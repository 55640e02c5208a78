"""Standard values and types that can replace a part, the nearest first: ratings, voltages, ripple kept.

All candidates of one kind are solved in one batch. What is compared are the mean voltages of every rail and
of every tube's plate, screen and cathode, the ripple, the gain of every section at 1 kHz, and every rating,
with warm and with cold tubes. What a part does to the tone is not: see `tone_change`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport
from tubekit.amp.parts import Choke, Part, SeleniumRectifier, Tube
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions.candidates import (
    apart_from,
    changes_of,
    is_silicon,
    name_of,
    to_buy,
    types_like,
    value_text,
    values_of,
)
from tubekit.decisions.compare import gains, moves, reservoirs, ripples, shares, together, unequal_drive
from tubekit.decisions.judge import LEAVE_RIPPLE
from tubekit.decisions.rating import AT_LIMIT
from tubekit.decisions.socket_check import check_fit
from tubekit.errors import ChangeError, near_matches
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, described, quantity

TOLERANCE_PERCENT = 5.0
GAIN_DB = 3.0
"""A section's gain may move by this much [dB]; common practice, no source."""
ROUNDED = 3
"""Figures of what stays as it is are nought (and never minus nought), not what arithmetic leaves."""
UNEQUAL = 0.03
"""A pair's drive may come apart by this fraction more before it is said; common practice, no source."""
SMALL_PERCENT, SMALL_DB = 1.0, 0.15
"""A short answer leaves out ripple and gain where no candidate changes them by more."""
SHOWN = 2
"""Reasons a table shows; the rest is counted."""


@dataclass(frozen=True, eq=False)
class Substitute:
    """One value or type in the place of the drawn part."""

    name: str
    keeps: bool
    off_at: str
    used_at: str
    gain_at: str
    fit: str
    why_not: tuple[str, ...]
    refused: tuple[str, ...]
    notes: tuple[str, ...]
    apart: float = quantity("", "", "logarithm of its value over the original one")
    moves_percent: float = quantity("%", "", "largest change of a B+ or tube voltage")
    ripple_ratio: float = quantity("×", "", "ripple compared with the original, at the worst B+ point")
    used_percent: float = quantity(
        "%", "", "highest rating used, of those that this change raises", label="% of rating"
    )
    gain_db: float = quantity(
        "dB", "", "largest change of any tube's gain at 1 kHz", label="gain", format="+.1f"
    )
    b_plus_v: float = quantity("V", "", "B+ at the first filter cap")

    @described("%", label="largest voltage change", format=".1f")
    def off_percent(self) -> float:
        """The same move without its sign [%]."""
        return abs(self.moves_percent)

    @described("%", label="ripple", format="+.0f")
    def ripple_percent(self) -> float:
        """Ripple in excess of the original's [%]."""
        return 100.0 * (self.ripple_ratio - 1.0)

    @property
    def will_do(self) -> str:
        """Whether it may stand in, in a word."""
        return "OK" if self.keeps else "no"

    @property
    def but(self) -> str:
        """First reason against it."""
        return _first((*self.why_not, *self.notes))


@dataclass(frozen=True, eq=False, repr=False)
class Substitutes(Printed):
    """Candidates for one part, the best first; those that may not stand in are last, with the reason."""

    amp: Amp
    part: str
    drawn: str
    tolerance_percent: float
    candidates: tuple[Substitute, ...]
    before: AmpReport = field(repr=False)

    json_keys = ("amp=amp.title", "part", "drawn", "tolerance_percent", "candidates")

    @property
    def kept(self) -> tuple[Substitute, ...]:
        """Those that keep every rating, the tolerance and the gain."""
        return tuple(one for one in self.candidates if one.keeps)

    def within(self, tolerance_percent: float) -> Substitutes:
        """The same candidates, judged and ranked with another tolerance [%]; nothing is solved anew.

        Raises
        ------
        ChangeError : a tolerance that is not possible.
        """
        if not 0.0 < tolerance_percent <= 100.0:
            words = f"a tolerance of {tolerance_percent} % is not possible"
            raise ChangeError(words, fix="Enter more than 0 and up to 100 %")
        judged = [_held(one, tolerance_percent) for one in self.candidates]
        judged.sort(key=lambda one: (not one.keeps, round(one.apart, ROUNDED), one.off_percent))
        return replace(self, tolerance_percent=tolerance_percent, candidates=tuple(judged))

    def headline(self) -> str:
        """Number of acceptable candidates, and the best."""
        count = f"{len(self.kept) or 'none'} of {len(self.candidates)} acceptable"
        best = f", best choice {self.kept[0].name}" if self.kept else ""
        if self.candidates and not self.kept:
            near = min(self.candidates, key=lambda one: len(one.why_not))
            best = f". Closest: {near.name}, but {_first(near.why_not)}"
        within = f"voltages within {self.tolerance_percent:g} %, no rating exceeded"
        return f"{self.amp.title}, replacing {self.part} ({self.drawn}): {count} ({within}){best}"

    def tables(self) -> list[Table]:
        """One row per candidate."""
        title = f"Replacements for {self.part} ({self.drawn})"
        return [
            Table.of(title, self.candidates, "part=name", "=will_do", "off_percent", "at=off_at",
                     "ripple_percent", "gain_db", "used_percent", "rated=used_at", "buy=fit", "note=but"),
        ]  # fmt: skip

    def short(self) -> list[Table]:
        """The candidates, and what is against them."""
        still = [
            head for head, values in (
                ("ripple", [one.ripple_percent for one in self.candidates]),
                ("gain", [one.gain_db * SMALL_PERCENT / SMALL_DB for one in self.candidates]),
            )
            if np.all(np.abs(values) < SMALL_PERCENT)
        ]  # fmt: skip
        heads = ("part", "", "largest voltage change", "ripple", "gain", "buy", "note")
        return [table.only(*(head for head in heads if head not in still)) for table in self.tables()]


def substitutes(
    amp: Amp,
    part: str,
    *,
    tolerance_percent: float = TOLERANCE_PERCENT,
    series: str | None = None,
    candidates: Sequence[str | float] | None = None,
) -> Substitutes:
    """List what could replace a part, the nearest value first; the drawn part itself is not listed.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    part
        Designator of a resistor, capacitor, choke, tube, rectifier tube or selenium rectifier (silicon with a
        resistor in series).
    tolerance_percent
        How far rails and tube voltages may move [%].
    series
        Preferred values to choose from (IEC 60063); E24 for resistors, E6 for capacitors, E12 for chokes when
        not given.
    candidates
        Values or types to judge, in place of a series.

    Returns
    -------
    Substitutes
        What each candidate moves, and whether it is acceptable.

    Raises
    ------
    ChangeError
        No such part, a batch, or a part that has no substitutes of this sort.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = substitutes(load_amp("teasel"), "C15")
    >>> result.kept[0].name
    '22 µF'
    """
    drawn = _drawn(amp, part)
    before = supply_report(amp)
    if isinstance(drawn, Tube):
        names = [str(one) for one in candidates] if candidates else types_like(drawn)
        groups = [[n for n in names if is_silicon(n) == silicon] for silicon in (False, True)]
        result = [one for group in groups if group for one in _judge(before, drawn, group)]
    else:
        usual = (value for value in values_of(drawn, series) if _made(amp, drawn, value))
        values = list(candidates) if candidates else list(usual)  # ohms behind silicon
        result = _judge(before, drawn, values)
    words = value_text(drawn)
    return Substitutes(amp, part, words, tolerance_percent, tuple(result), before.report).within(
        tolerance_percent
    )


def _drawn(amp: Amp, name: str) -> Part:
    amp.refuse_batch()
    part = amp.parts.get(name)
    if part is None:
        raise ChangeError(
            f"there is no part '{name}' in this amp", where=amp.name, near=near_matches(name, amp.parts)
        )
    if not (part.preferred or isinstance(part, Tube | SeleniumRectifier)):
        raise ChangeError(
            f"there are no standard values for this part ({part.kind})", where=amp.name, part=name,
            fix="Choose a resistor, capacitor, choke, tube or selenium rectifier; for other parts use swap",
        )  # fmt: skip
    if isinstance(part, Choke) and part.field_of:
        raise ChangeError(
            f"this coil is the field of {part.field_of}: with a choke in its place the speaker has no field "
            "and stays silent",
            where=amp.name, part=name,
            fix="Have the coil rewound, or fit a permanent-magnet speaker and a choke of the same ohms",
        )  # fmt: skip
    return part


def _made(amp: Amp, part: Part, value: float) -> bool:
    """Whether such a part exists: 68 µF at 600 V is no paper capacitor."""
    try:
        return bool(amp.changed(changes_of(part, [value])).batch)
    except ChangeError:
        return False


def _judge(before: SupplyReport, part: Part, values: Sequence[Any]) -> list[Substitute]:
    """Every candidate of one kind, solved as a batch; the tolerance is not looked at yet."""
    after = supply_report(before.amp.changed(changes_of(part, values)))
    names, moved = moves(before.report, after.report)
    sections, louder = gains(before.report, after.report)
    places, used, words = shares(before, after)
    ripple = ripples(before, after)
    was, unequal = (unequal_drive(each.report, part) for each in (before, after))
    first = np.broadcast_to(np.asarray(after.report.rails[0].dc_v), (len(values),))
    substitutes = []
    for k, value in enumerate(values):
        reasons = list(_refusals(before, after, part, k)) if isinstance(part, Tube) else []
        reasons += together([words[j] for j in range(len(places)) if used[j, k] > AT_LIMIT and words[j][1]])
        off_at, off = _largest(names, moved[:, k])
        gain_at, gain = _largest(sections, louder[:, k])
        if abs(gain) > GAIN_DB:
            reasons.append(f"gain of {gain_at} {abs(gain):.1f} dB {'higher' if gain > 0 else 'lower'}")
        if ripple[k] > 1.0 + LEAVE_RIPPLE:
            more = 100.0 * (ripple[k] - 1.0)
            reasons.append(
                f"{more:.0f} % more ripple" if more < 100.0 else f"{ripple[k]:.2g} times the ripple"
            )
        notes: tuple[str, ...] = ()
        if unequal[k] > was[0] + UNEQUAL:
            apart, drawn = (f"{100 * each:.0f} %" for each in (unequal[k], was[0]))
            notes = (f"phase inverter: drive to the output tubes differs by {apart} ({drawn} before)",)
        reasons += reservoirs(before.report, after.report, k)
        used_at, share = _largest(places, used[:, k]) if len(places) else ("", np.nan)
        substitutes.append(
            Substitute(
                name_of(part, value), not reasons, off_at, used_at, gain_at, to_buy(after, part, k),
                tuple(reasons), tuple(reasons), notes, apart_from(part, after.amp, k),
                round(off, ROUNDED) + 0.0, float(ripple[k]), 100.0 * share,
                round(gain, ROUNDED) + 0.0, float(first[k]),
            )
        )  # fmt: skip
    return substitutes


def _largest(names: Sequence[str], figures: Array) -> tuple[str, float]:
    """The figure furthest from zero with its name, which is blank where all round to zero; NaN comes last."""
    if not len(names):
        return "", 0.0
    place = int(np.argmax(np.nan_to_num(np.abs(figures), nan=-1.0)))
    return "" if round(float(figures[place]), ROUNDED) == 0.0 else names[place], float(figures[place])


def _held(one: Substitute, tolerance_percent: float) -> Substitute:
    """A candidate held against a tolerance."""
    beyond = one.off_percent > tolerance_percent
    side = "higher" if one.moves_percent > 0 else "lower"
    why = (*one.refused, *((f"{one.off_at} {one.off_percent:.2g} % {side}",) if beyond else ()))
    return replace(one, keeps=not why, why_not=why)


def _first(reasons: tuple[str, ...]) -> str:
    """The first two reasons, and how many more there are."""
    more = len(reasons) - SHOWN
    return "; ".join(reasons[:SHOWN]) + (f"; {more} more" if more > 0 else "")


def _refusals(before: SupplyReport, after: SupplyReport, part: Tube, k: int) -> list[str]:
    """Why a type does not go into the socket."""
    types = after.amp.parts[part.designator]
    assert isinstance(types, Tube)
    one = replace(after.report, amp=before.amp.changed({part.designator: types.type[k]}))
    result = check_fit(before.report, one)
    return [r.text.removeprefix(f"{r.part}: ") for r in result if r.weight == "stop"]
