"""What a supply panel asks: one amp's supply with a few parts changed. No widgets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, demo_names, load_amp
from tubekit.amp.parts import GROUND, Resistor
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions import Limits
from tubekit.decisions.limits import limits
from tubekit.errors import ChangeError
from tubekit.text import Table, headed
from tubekit.units import show

EXTRA = "R999"
"""Designator of the extra load: a bleeder that no drawing has."""
LEAST_A = 1e-4


@dataclass(frozen=True)
class Roles:
    """Which parts of an amp the knobs move; '' where it has none."""

    rectifier: str
    reservoir: str
    dropper: str
    node: str


@dataclass(frozen=True, eq=False)
class SupplyAnswer:
    """An amp's supply as asked for, with every rating it loads."""

    amp: Amp
    supply: SupplyReport
    limits: Limits
    roles: Roles

    @property
    def report(self) -> AmpReport:
        """The amp at idle."""
        return self.supply.report


def roles_of(amp: Amp) -> Roles:
    """Rectifier tube, reservoir and first dropping resistor of an amp.

    Raises
    ------
    ChangeError : it has no rectifier tube with a reservoir.

    Examples
    --------
    >>> roles_of(load_amp("teasel"))
    Roles(rectifier='V5', reservoir='C14', dropper='R21', node='B1')
    """
    wired = amp.topology.wired
    for part in amp.parts.values():
        if isinstance(part, RectifierTube):
            behind = [rail for rail in wired.rails if rail.capacitor in wired.reservoir(part.designator)]
            if behind:
                return Roles(part.designator, behind[0].capacitor, _dropper(amp), behind[0].node)
    raise ChangeError("no rectifier tube with a reservoir (first filter cap) was found", where=amp.name)


def _dropper(amp: Amp) -> str:
    """The first resistor from one rail of B+ to another."""
    rails = {rail.node for rail in amp.topology.wired.rails if rail.polarity > 0}
    found = (p.designator for p in amp.parts.values() if isinstance(p, Resistor) and set(p.nodes) <= rails)
    return next(found, "")


def drawn(name: str | Amp) -> Amp:
    """An amp as drawn: a demo amp, one from a file, or one that is there already.

    Raises
    ------
    AmpFileError : the file cannot be read.
    """
    if isinstance(name, Amp):
        return name
    return _loaded(name, 0 if name in demo_names() else _edited(name))


@cache
def _loaded(name: str, edited: int) -> Amp:  # noqa: ARG001 - a file that was edited is another amp
    return load_amp(name)


def _edited(name: str) -> int:
    try:
        return Path(name).stat().st_mtime_ns
    except OSError:
        return 0


def as_asked(amp: Amp, settings: Mapping[str, Any]) -> Amp:
    """The amp of a setting.

    Examples
    --------
    >>> amp = as_asked(load_amp("teasel"), {"mains": 123.0, "reservoir": 47e-6, "extra": 10.0})
    >>> amp.parts["C14"].farads, round(amp.parts[EXTRA].ohms / 1e3)  # 333 V at 10 mA
    (4.7e-05, 33)
    """
    roles = roles_of(amp)
    wanted = {roles.reservoir: settings.get("reservoir"), roles.rectifier: settings.get("rectifier"),
              roles.dropper: settings.get("dropper")}  # fmt: skip
    changes = {name: value for name, value in wanted.items() if name and value is not None}
    changed = amp.changed(changes, mains_rms=settings["mains"])
    amps = 1e-3 * settings.get("extra", 0.0)
    if amps < LEAST_A:
        return changed
    ohms = _volts(amp, roles.node) / amps
    load = Resistor(designator=EXTRA, ends=(roles.node, GROUND), role="extra load", ohms=ohms)
    return replace(changed, parts={**changed.parts, EXTRA: load})


@cache
def _volts(amp: Amp, node: str) -> float:
    """B+ of the amp as drawn [V], which turns the extra milliamps into a resistor."""
    return float(np.asarray(analyze(amp).node(node).dc_v))


def answer(amp: Amp, near: SupplyAnswer | None = None) -> SupplyAnswer:
    """The supply of an amp and its ratings, from where that of a similar one stands.

    Raises
    ------
    SolveError : supply and amp do not agree.
    """
    report = analyze(amp, near=None if near is None else near.report)
    supply = supply_report(amp, near=report, like=None if near is None else near.supply)
    return SupplyAnswer(amp, supply, limits(report, supply), roles_of(amp))


def table(now: SupplyAnswer, before: SupplyAnswer) -> Table:
    """The numbers beside the figure."""
    old = cells(before)
    rows = [(name, cell, old.get(name, "")) for name, cell in cells(now).items()]
    columns = headed("", "now [] >", "before [] >")
    return Table(
        "",
        columns,
        rows,
        "At idle. 'Cold' is with the rectifier warm and the other tubes not yet drawing current.",
    )


def cells(one: SupplyAnswer) -> dict[str, Any]:
    """Name to value: rails, reservoir, rectifier, windings, mains."""
    supply, roles = one.supply, one.roles
    reservoir = supply.filter(roles.reservoir)
    found: dict[str, Any] = {}
    for each in supply.filters:
        if each.b == GROUND:
            found[each.a] = show(float(np.asarray(each.dc_v)), "V", 4)
    plates = [each for each in supply.rectifiers if each.rectifier.startswith(f"{roles.rectifier}.")]
    found |= {
        "ripple p-p": (float(np.asarray(reservoir.ripple_pp_v)), "V"),
        f"{roles.reservoir} cold": show(float(np.asarray(reservoir.cold_v)), "V", 4),
        f"{roles.reservoir} ripple": (float(np.asarray(reservoir.ripple_a)), "A"),
        f"{roles.rectifier} mean": (sum(float(np.asarray(each.mean_a)) for each in plates), "A"),
        f"{roles.rectifier} peak": (
            max((float(np.asarray(each.peak_a)) for each in plates), default=0.0),
            "A",
        ),
        "copper loss": (float(np.asarray(supply.copper_w)), "W"),
        "line power": (float(np.asarray(supply.mains.watts)), "W"),
    }
    return found
