"""What a switch does to the supply, as a result: surges at capacitors and fuses.

How long a fuse carries what it is given: limits of its standard and speed.

Two standards mean different things by a fuse's rating. UL 248-14 (US fuses): it carries 100 % and has opened
within an hour at 135 % and two minutes at 200 %. IEC 60127: it carries 150 % for an hour at least and has
opened within half an hour (slow: two minutes) at 210 %. Every fuse spreads between its two limits.

Source: data/handbook/fuse_time_current.csv, all of it from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts import Fuse
from tubekit.amp.warming import FLASHES, HeaterSurge
from tubekit.analyses.transient import Transient
from tubekit.result_fields import Array
from tubekit.tables import handbook
from tubekit.text import Printed, Table, described, headed, quantity
from tubekit.units import show

IEC, UL = "IEC 60127", "UL 248-14"
CLASS_WORDS = (
    "Fuse times are from the standard shown (from memory, not checked); a real fuse is between the limits."
)
US_LINE_V, US_LINE_HZ = 170.0, 55.0
"""Below this line voltage and above this frequency an amp is taken to hold US fuses; common practice."""


@dataclass(frozen=True)
class FuseClass:
    """Standard and speed of a fuse; `assumed` where the amp file does not state the standard.

    Examples
    --------
    >>> slow = FuseClass(IEC, "slow")
    >>> slow.holds_at_least([1.0, 2.75, 10.0]).round(3).tolist()
    [inf, 0.6, 0.02]
    >>> FuseClass(IEC, "fast").open_at_last([2.0, 2.1, 4.0]).round(2).tolist()
    [inf, 1800.0, 0.3]
    >>> slow.carries(1.3)
    'above its rating, but does not blow for at least an hour'
    >>> FuseClass(UL, "slow").carries(1.4)
    'may blow after 5 min, and blows within 44 min'
    """

    standard: str
    speed: str
    assumed: bool = False

    def __str__(self) -> str:
        return f"{self.speed}, {self.standard}{' (assumed)' if self.assumed else ''}"

    def holds_at_least(self, times_rating: Array | float) -> Array:
        """Shortest time in which it may open [s]; infinite where it carries that multiple of its rating."""
        result = self._seconds("least_s", times_rating)
        return np.asarray(np.where(np.asarray(times_rating, float) <= 1.0, np.inf, result))

    def open_at_last(self, times_rating: Array | float) -> Array:
        """Longest time until it has opened [s]; infinite where it need not open."""
        return self._seconds("most_s", times_rating)

    def _seconds(self, column: str, times_rating: Array | float) -> Array:
        """Straight lines on log-log paper; beyond the last point the heat I²t stays the same."""
        x, y = _points(self.standard, self.speed, column)
        times = np.maximum(np.asarray(times_rating, float), 1e-9)
        inside = np.interp(np.log(times), x, y)
        beyond = y[-1] - 2.0 * (np.log(times) - x[-1])
        seconds = np.exp(np.where(np.log(times) > x[-1], beyond, inside))
        return np.asarray(np.where(np.log(times) < x[0] - 1e-9, np.inf, seconds))

    def carries(self, times_rating: Array | float) -> str:
        """Say what it does with a steady current; of a batch, the largest."""
        times = float(np.max(times_rating))
        least, most = float(self.holds_at_least(times)), float(self.open_at_last(times))
        if np.isinf(least):
            return "OK" if times <= 1.0 else "above its rating, but does not blow for at least an hour"
        end = "or not at all" if np.isinf(most) else f"and blows within {_time_text(most)}"
        return f"may blow after {_time_text(least)}, {end}"

    def surge(self, rated_a: float, time: Array, amps: Array) -> tuple[str, float]:
        """Whether a surge of current opens it: 'does not blow', 'may blow' or 'blows', and when first [s].

        The effective value from the start to each moment is taken as if it had flowed evenly.
        """
        steps = np.diff(time)
        heat = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] ** 2 + amps[:-1] ** 2) * steps)))
        since = time - time[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(since > 0, np.sqrt(heat / since), 0.0) / rated_a
        for word, limit in (("blows", self.open_at_last), ("may blow", self.holds_at_least)):
            over = (since >= limit(times)) & (since > 0)
            if over.any():
                return word, float(since[np.argmax(over)])
        return "does not blow", float("inf")


def fuse_class(amp: Amp, fuse: Fuse) -> FuseClass:
    """Standard and speed of a fuse of an amp; a standard that is not stated follows from the line.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = load_amp("teasel")
    >>> print(fuse_class(amp, amp.parts["F1"]))
    slow, UL 248-14 (assumed)
    """
    if fuse.standard is not None:
        return FuseClass(fuse.standard, fuse.speed)
    american = float(np.max(amp.design_mains_rms)) < US_LINE_V and float(np.max(amp.mains_hz)) > US_LINE_HZ
    return FuseClass(UL if american else IEC, fuse.speed, assumed=True)


def _time_text(seconds: float) -> str:
    return show(seconds, "s") if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


@cache
def _points(standard: str, speed: str, column: str) -> tuple[Array, Array]:
    result = handbook("fuse_time_current", **{"standard": standard, "class": speed})
    rows = [row for row in result if row[column] is not None]
    times, seconds = (np.array([row.number(name) for row in rows]) for name in ("times_rating", column))
    return np.log(times), np.log(seconds)


@dataclass(frozen=True, eq=False)
class Surge:
    """One capacitor of the supply while it is charged."""

    capacitor: str
    highest_v: float = quantity("V", "V_max", "highest voltage across it", label="peak V")
    at_s: float = quantity("s", "t_max", "when", label="reached at")
    final_v: float = quantity("V", "V_end", "highest voltage once settled, with ripple", label="final V")
    up_s: float = quantity("s", "t_90", "time until the voltage is at 90 %", label="90 % reached at")
    rated_v: float = quantity("V", "V_r", "rated voltage, if the amp file states it", label="rated V")
    surge_v: float = quantity("V", "V_s", "surge voltage, stated or typical", label="surge V")
    cold_v: float = quantity("V", "V_cold", "DC while no tube draws current", default=0.0)

    @property
    def words(self) -> str:
        """Whether the surge is within what the capacitor stands; a tube pulled may leave more across it."""
        if np.isnan(self.rated_v):
            return "no rating in the amp file"
        if self.highest_v <= self.rated_v:
            more = f"; {show(self.cold_v, 'V')} while no tube draws" if self.cold_v > self.rated_v else ""
            return f"within its rating{more}"
        if self.highest_v <= self.surge_v:
            return "above its rating, within its surge voltage"
        return "ABOVE ITS SURGE VOLTAGE: it leaks, heats up and may burst"


@dataclass(frozen=True, eq=False)
class PlateSurge:
    """One rectifier during the first moments, its busiest plate."""

    rectifier: str
    peak_a: float = quantity("A", "i_peak", "highest plate current", label="peak current")
    repetitive_a: float = quantity(
        "A", "I_peak", "peak current rating of a plate, per cycle", label="peak rating per cycle"
    )
    surge_a: float = quantity("A", "I_surge", "limit for one surge of a plate", label="limit for one surge")
    warm: bool = True

    @described("A", label="peak current")
    def known_peak_a(self) -> float:
        """The highest current; NaN where the cathode is still cold."""
        return self.peak_a if self.warm else np.nan

    @property
    def limit_a(self) -> float:
        """The limit for one surge, else the repetitive peak: less than that is always allowed [A]."""
        return self.surge_a if np.isfinite(self.surge_a) else self.repetitive_a

    @property
    def exceeded(self) -> bool:
        """Whether the limit that is known is passed."""
        return self.warm and bool(self.peak_a > self.limit_a)

    @property
    def words(self) -> str:
        """The current against the limit that is known; a cathode that is still cold proves nothing."""
        if not self.warm:
            return "still cold: a restart with a hot rectifier is worse and is not calculated here"
        if np.isnan(self.limit_a):
            return "no published limit"
        one_surge = np.isfinite(self.surge_a)
        name = "hot-switching limit" if one_surge else "peak rating"
        if not self.exceeded:
            return f"within its {name} of {show(self.limit_a, 'A')}"
        more = "" if one_surge else " (no published limit for this type when hot-switched)"
        return f"ABOVE ITS {name.upper()} of {show(self.limit_a, 'A')}{more}"


@dataclass(frozen=True, eq=False)
class FuseSurge:
    """One fuse during the first moments."""

    fuse: str
    fuse_class: str
    rated_a: float = quantity("A", "I_n", "its rating", label="rated")
    peak_a: float = quantity("A", "i_peak", "highest current", label="peak current")
    heat_a2s: float = quantity("A²s", "I²t", "I²t right after switch-on", label="I²t")
    verdict: str = "does not blow"
    when_s: float = quantity("s", "t", "shortest time in which it may open", default=np.inf)


@dataclass(frozen=True, eq=False, repr=False)
class SwitchOn(Printed):
    """What a switch does to the supply: surges, inrush, and how long B+ takes."""

    amp: Amp
    what: str
    surges: tuple[Surge, ...]
    fuses: tuple[FuseSurge, ...]
    plates: tuple[PlateSurge, ...]
    inrush: Transient = field(repr=False)
    run: Transient = field(repr=False)
    mains_peak_a: float = quantity("A", "i_max", "highest line current at switch-on")
    core_bound_a: float = quantity("A", "i_core", "upper limit if the transformer core saturates")
    remedy: str = ""
    assumptions: tuple[str, ...] = ()
    heaters: tuple[HeaterSurge, ...] = ()

    json_keys = (
        "amp=amp.title", "exceeded", "what", "surges", "plates", "fuses", "mains_peak_a",
        "core_bound_a", "rectifier_peak_a", "assumptions", "heaters",
    )  # fmt: skip

    @property
    def rectifier_peak_a(self) -> float:
        """Highest current of any rectifier plate in these moments [A]."""
        return max((one.peak_a for one in self.plates), default=0.0)

    def surge(self, capacitor: str) -> Surge:
        """One capacitor; KeyError if it is none of the supply's."""
        return {one.capacitor: one for one in self.surges}[capacitor]

    def exceeded(self) -> tuple[str, ...]:
        """Parts beyond their limit, one clause each: plates, capacitors, fuses, heaters in series."""
        plates = [
            f"{p.rectifier} peaks at {show(p.peak_a, 'A')}, {p.words}" for p in self.plates if p.exceeded
        ]
        known = [s for s in self.surges if np.isfinite(s.rated_v)]
        over = [f"{_reaches(s)}, {s.words}" for s in known if s.highest_v > s.rated_v]
        fuses = [f"{f.fuse} {f.verdict}" for f in self.fuses if np.isfinite(f.when_s)]
        flashing = [one.sentence for one in self.heaters if one.times >= FLASHES]
        return (*plates, *over, *fuses, *flashing)

    def headline(self) -> str:
        """Parts beyond their limit and what to do; else the figures that come nearest."""
        head, result = f"{self.amp.title}, {self.what}", self.exceeded()
        if result:
            plates = any(one.exceeded for one in self.plates)
            return f"{head}: {'; '.join(result)}.{' ' + self.remedy if plates else ''}"
        known = [one for one in self.surges if np.isfinite(one.rated_v)]
        worst = sorted(known, key=lambda one: -one.highest_v / one.rated_v)[:1]
        lines = [f"Closest to its limit: {_reaches(one)} (rated {one.rated_v:g} V)" for one in worst]
        rated = [one for one in self.plates if one.warm and np.isfinite(one.limit_a)]
        busiest = sorted(rated, key=lambda one: -one.peak_a / one.limit_a)[:1]
        lines += [_peaks(one) for one in busiest]
        lines += [f"{one.rectifier} is {one.words}" for one in self.plates if not one.warm]
        return f"{head}. {'; '.join(lines) or 'No rating is known to compare with'}."

    def tables(self) -> list[Table]:
        """Capacitors, then fuses and peaks."""
        note = "\n".join((*self.assumptions, CLASS_WORDS))
        hot = Table.of("Heaters in series", self.heaters, "heater of=tube", "rated_v", "at switch-on=first_v",
                       "highest_v", "at_s", "final V=warm_v", "=words")  # fmt: skip
        peaks = [
            ("transformer core not saturated", self.mains_peak_a),
            ("core saturated (upper limit)", self.core_bound_a),
        ]
        return [
            *([hot] if self.heaters else []),
            Table.of("Surge at each capacitor", self.surges, "capacitor", "highest_v", "at_s", "final_v",
                     "up_s", "rated_v", "surge_v", "=words"),
            Table.of("Rectifiers, per plate", self.plates, "rectifier", "known_peak_a", "repetitive_a",
                     "surge_a", "=words"),
            Table.of("Fuses", self.fuses, "fuse", "class=fuse_class", "rated_a", "peak_a", "heat_a2s",
                     "at switch-on=verdict"),
            Table("Peak line current", headed("calculated", "peak [A]"), peaks, note),
        ]  # fmt: skip

    def short(self) -> list[Table]:
        """Tables, the part nearest its limit first."""
        *heaters, surges, plates, fuses, _ = self.tables()
        heads = ("capacitor", "peak V", "reached at", "rated V", "surge V", "")
        return [
            *heaters,
            plates.only("rectifier", "peak current", "peak rating per cycle", ""),
            surges.only(*heads),
            fuses,
        ]


def _reaches(one: Surge) -> str:
    return f"{one.capacitor} reaches {one.highest_v:.0f} V after {one.at_s:.2g} s"


def _peaks(one: PlateSurge) -> str:
    return f"{one.rectifier} peaks at {show(one.peak_a, 'A')}, {one.words}"
