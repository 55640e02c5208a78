"""What a switch does to the supply, as a result: surges at capacitors and fuses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.fuse_time import CLASS_WORDS
from tubekit.amp.report import CAUTION
from tubekit.analyses.in_time import Transient
from tubekit.text import Column, Printed, Table, quantity, to_json_value


@dataclass(frozen=True, eq=False)
class Surge:
    """One capacitor of the supply while it is charged."""

    capacitor: str
    highest_v: float = quantity("V", "V_max", "highest voltage across it")
    at_s: float = quantity("s", "t_max", "when")
    final_v: float = quantity("V", "V_end", "highest voltage at the end, ripple included")
    up_s: float = quantity("s", "t_90", "first time its mean is at 90 % of the final mean")
    rated_v: float = quantity("V", "V_r", "rated voltage; NaN where none is drawn")
    surge_v: float = quantity("V", "V_s", "surge voltage, stated or usual; NaN where unknown")

    @property
    def words(self) -> str:
        """Whether the surge is within what the capacitor stands."""
        if np.isnan(self.rated_v):
            return "no rating drawn"
        if self.highest_v <= self.rated_v:
            return "within its rating"
        if self.highest_v <= self.surge_v:
            return "above its rating, within its surge voltage"
        return "ABOVE ITS SURGE VOLTAGE: it leaks, heats and may burst"


@dataclass(frozen=True, eq=False)
class FuseSurge:
    """One fuse during the first moments."""

    fuse: str
    fuse_class: str
    rated_a: float = quantity("A", "I_n", "its rating")
    peak_a: float = quantity("A", "i_peak", "highest current")
    heat_a2s: float = quantity("", "I²t", "heat of the first moments [A²s]")
    verdict: str = "holds"
    when_s: float = quantity("s", "t", "when it may open first; infinite where it holds", default=np.inf)


@dataclass(frozen=True, eq=False, repr=False)
class SwitchOn(Printed):
    """What a switch does to the supply: surges, inrush, and how long B+ takes."""

    amp: Amp
    what: str
    surges: tuple[Surge, ...]
    fuses: tuple[FuseSurge, ...]
    inrush: Transient = field(repr=False)
    run: Transient = field(repr=False)
    mains_peak_a: float = quantity("A", "i_max", "highest mains current of the first moments")
    core_bound_a: float = quantity(
        "A", "i_core", "upper bound where the core saturates: copper alone limits it"
    )
    rectifier_peak_a: float = quantity("A", "i_r", "highest current of any rectifier plate in these moments")
    assumptions: tuple[str, ...] = ()

    def surge(self, capacitor: str) -> Surge:
        """One capacitor; KeyError if it is none of the supply's."""
        return {one.capacitor: one for one in self.surges}[capacitor]

    def headline(self) -> str:
        """The worst surge in one sentence."""
        known = [one for one in self.surges if np.isfinite(one.rated_v)]
        if not known:
            return f"{self.amp.title}: {self.what}"
        worst = max(known, key=lambda one: one.highest_v / one.rated_v)
        return (
            f"{self.amp.title}, {self.what}: {worst.capacitor} reaches {worst.highest_v:.0f} V after "
            f"{worst.at_s:.2g} s, {worst.words}"
        )

    def tables(self) -> list[Table]:
        """Capacitors, then fuses and peaks."""
        heads = (
            Column("capacitor"), Column("highest", "V", 4), Column("after", "s"),
            Column("in the end", "V", 4), Column("90 % after", "s"), Column("rated", "V"),
            Column("surge", "V"), Column(""),
        )  # fmt: skip
        rows = [
            (s.capacitor, s.highest_v, s.at_s, s.final_v, s.up_s, s.rated_v, s.surge_v, s.words)
            for s in self.surges
        ]
        under = (
            Column("fuse"), Column("class"), Column("rated", "A"), Column("peak", "A"), Column("I²t", "A²s"),
            Column("in the first moments"),
        )  # fmt: skip
        fuses = [(f.fuse, f.fuse_class, f.rated_a, f.peak_a, f.heat_a2s, f.verdict) for f in self.fuses]
        peaks = [
            ("mains, transformer as drawn", self.mains_peak_a),
            ("mains, core saturated (bound)", self.core_bound_a),
            ("any rectifier plate", self.rectifier_peak_a),
        ]
        note = "\n".join((*self.assumptions, CLASS_WORDS, CAUTION))
        return [
            Table("Surge at each capacitor", heads, rows),
            Table("Fuses", under, fuses),
            Table(
                "Peaks of the first moments", (Column("current of"), Column("peak", "A")), peaks, note=note
            ),
        ]

    def to_json(self) -> dict[str, Any]:
        """The readings in terms JSON has."""
        keep = ("what", "surges", "fuses", "mains_peak_a", "core_bound_a", "rectifier_peak_a", "assumptions")
        return {
            "amp": self.amp.title,
            **{name: to_json_value(getattr(self, name)) for name in keep},
            "caution": CAUTION,
        }
