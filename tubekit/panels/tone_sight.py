"""The response of an amp as quickly as a slider moves: what can stay solved stays solved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.controls import controls
from tubekit.amp.parts import Part
from tubekit.amp.signal import SignalPath, path_of
from tubekit.amp.signal_view import SignalView, driven_at, gain_at, signal_view, turned
from tubekit.analyses.feedback import LoopGain
from tubekit.analyses.natural_modes import NaturalModes
from tubekit.circuit.newton import on_one_core
from tubekit.decisions.tone import loop_of
from tubekit.panels.part_settings import short_role
from tubekit.plots.tone_view import Curve, Lever

HERTZ = np.geomspace(10.0, 50e3, 141)
FAMILY_HZ = np.geomspace(10.0, 50e3, 61)
POSITIONS = np.linspace(0.0, 1.0, 11)
IDLE_V = 0.2
"""Controls that move a tube's volts by no more than this leave the supply as it was solved [V]."""

TURN = np.linspace(0.02, 1.0, 8)
LEAST_DB = 1.0

NO_FAMILY = Curve(np.empty(0), np.empty(0))


@dataclass(frozen=True, eq=False)
class Sight:
    """One setting: the curve at once, the rest when it is asked for.

    `base` is the amp's last whole solve, from which settings of its controls are turned; `late` says
    that the gray curves of `family` are not yet those of its parts, or that its controls cannot be dragged
    yet: what each does is found once (`reached`), and not where the amp oscillates.
    """

    amp: Amp
    view: SignalView
    base: SignalView
    poles: NaturalModes
    curve: Curve
    turning: str
    family: Curve = NO_FAMILY
    late: bool = False
    reached: bool = False

    @property
    def stable(self) -> bool:
        """False where the amp oscillates: it has no response then."""
        return bool(self.poles.stable[0])

    @cached_property
    def path(self) -> SignalPath:
        """The whole signal path."""
        return path_of(self.view, HERTZ)

    @cached_property
    def loop(self) -> LoopGain | None:
        """Loop gain of the overall feedback; None where there is none."""
        return loop_of(self.amp)


@on_one_core
def sight(amp: Amp, near: Sight | None, turning: str) -> Sight:
    """The response of an amp, and in gray all positions of the control `turning` ('' for none)."""
    driven, _ = driven_at(amp, None)
    base = near.base if near is not None and same_but_controls(driven, near.base.amp) else None
    view = base and _turned(base, positions(driven))
    if base is None or view is None:
        base = view = signal_view(driven, near=near.base.solved if near else None)
    assert view is not None
    poles = view.stability.naturals
    stable = bool(poles.stable[0])
    gain = _db(gain_at(view, HERTZ)[0]) if stable else np.full(len(HERTZ), np.nan)
    found = Sight(amp, view, base, poles, Curve(HERTZ, gain, "" if stable else poles.describe()), turning)
    if near is None:
        return completed(found)
    found = _carried(found, near)
    if near.base is not base or (stable and not found.reached):
        # gray curves of the parts before: they follow once the hand rests
        return replace(_joined(found, near.family), late=True)
    return _joined(found, near.family) if _same_family(found, near) else with_family(found)


@on_one_core
def completed(found: Sight) -> Sight:
    """The same with the gray curves that belong to it, and with what each control does."""
    found = with_family(found)
    return found if found.reached or not found.stable else _with_levers(found)


def with_family(found: Sight) -> Sight:
    """The same with the gray curves that belong to it."""
    return replace(_joined(found, _family(found)), late=False)


LEVER_HZ = (60.0, 8e3)
"""Where a control is taken hold of: within what is heard of a guitar amp; common practice, no source."""


def _with_levers(found: Sight) -> Sight:
    """The same with what each control does to the gain where it does most.

    The turn of one control hardly depends on where the others are: it is solved once for an amp.
    """
    inside = np.clip(FAMILY_HZ, *LEVER_HZ) == FAMILY_HZ
    hertz, levers = FAMILY_HZ[inside], []
    here = positions(found.amp)
    others = {k: v for k, v in here.items() if positions(found.base.amp)[k] != v}
    for name in here:
        gain = _db(gain_at(turned(found.base, {**others, name: TURN}), hertz))
        most = np.ptp(gain, axis=0)
        if np.isfinite(most).all() and most.max() > LEAST_DB:
            best = np.flatnonzero(most >= 0.9 * most.max())
            place = int(best[np.abs(np.log(hertz[best] / 1e3)).argmin()])
            levers.append(
                Lever(
                    short_role(found.amp.parts[name]),
                    f"{name}.position",
                    float(hertz[place]),
                    here[name],
                    TURN,
                    gain[:, place],
                )
            )
    return replace(found, curve=replace(found.curve, levers=tuple(levers)), reached=True)


def _carried(found: Sight, near: Sight) -> Sight:
    """The levers of an earlier setting, where the controls are now."""
    here = positions(found.amp)
    levers = tuple(
        replace(each, position=here[name])
        for each in near.curve.levers
        if (name := each.key.partition(".")[0]) in here
    )
    return replace(found, curve=replace(found.curve, levers=levers), reached=near.reached)


def _joined(found: Sight, family: Curve) -> Sight:
    others = {key: getattr(family, key) for key in ("family_hz", "family_db", "family_words")}
    return replace(found, family=family, curve=replace(found.curve, **others))


def _db(gain: Any) -> Any:
    with np.errstate(divide="ignore"):
        return 20 * np.log10(np.abs(gain))


def positions(amp: Amp) -> dict[str, float]:
    """The position of each control of an amp, by designator."""
    return {name: float(getattr(amp.parts[name], "position")) for name in controls(amp)}  # noqa: B009


def same_but_controls(amp: Amp, other: Amp) -> bool:
    """Whether two amps differ in nothing but the positions of their controls."""
    if amp.parts.keys() != other.parts.keys() or amp.mains_rms != other.mains_rms:
        return False
    return all(_alike(part, other.parts[name]) for name, part in amp.parts.items())


def _alike(one: Part, other: Part) -> bool:
    if one.is_control and other.is_control:
        one, other = (replace(each, position=0.0) for each in (one, other))  # type: ignore[call-arg]
    return one is other or repr(one) == repr(other)


def _turned(base: SignalView, wanted: dict[str, float]) -> SignalView | None:
    """The base with its controls set otherwise; None where a control moves what the amp draws."""
    moved = {name: at for name, at in wanted.items() if positions(base.amp)[name] != at}
    if not moved:
        return base
    view = turned(base, moved)
    shift = np.abs(view.point.port_volts - base.point.port_volts).max(initial=0.0)
    return view if shift < IDLE_V else None


def _same_family(now: Sight, near: Sight) -> bool:
    """The gray curves stay while nothing but the control they belong to is turned."""
    if near.late or near.turning != now.turning:
        return False
    own = [{k: v for k, v in positions(each.amp).items() if k != now.turning} for each in (now, near)]
    return now.base is near.base and own[0] == own[1]


def _family(now: Sight) -> Curve:
    part = now.amp.parts.get(now.turning)
    if part is None or not part.is_control:
        return NO_FAMILY
    others = {k: v for k, v in positions(now.amp).items() if positions(now.base.amp)[k] != v}
    view = turned(now.base, {**others, now.turning: POSITIONS})
    volts = view.point.port_volts
    if np.abs(volts - now.view.point.port_volts).max(initial=0.0) > IDLE_V:
        return NO_FAMILY  # it moves what the amp draws: each position would need the supply solved
    lines = np.where(view.stability.stable[:, None], _db(gain_at(view, FAMILY_HZ)), np.nan)
    words = f"Gray: {short_role(part)}, from end to end in ten steps"
    return Curve(FAMILY_HZ, lines[0], family_hz=FAMILY_HZ, family_db=lines, family_words=words)
