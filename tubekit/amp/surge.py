"""What a switch does to the supply, as a result: surges at capacitors and fuses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.fuse_time import CLASS_WORDS
from tubekit.amp.string_warming import FLASHES, HeaterSurge
from tubekit.analyses.transient_result import Transient
from tubekit.text import Printed, Table, described, headed, quantity
from tubekit.units import show


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

    @property
    def words(self) -> str:
        """Whether the surge is within what the capacitor stands."""
        if np.isnan(self.rated_v):
            return "no rating in the amp file"
        if self.highest_v <= self.rated_v:
            return "within its rating"
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
