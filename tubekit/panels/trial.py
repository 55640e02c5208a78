"""What is asked of a panel about an amp, the changes on trial, and the way back. No widgets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Generic, TypeVar

from tubekit.amp import Amp
from tubekit.amp.batches import text_at
from tubekit.units import parse

P = TypeVar("P")


@dataclass(frozen=True)
class Plan:
    """What the controls are set to: `kept` changes belong to 'before', `changes` are on trial.

    Examples
    --------
    >>> plan = Plan(117.0).changed("R14", "330").changed("V5", "5AR4").changed("R14", None)
    >>> dict(plan.changes)
    {'V5': '5AR4'}
    >>> dict(plan.keep().kept), dict(plan.keep().changes)
    ({'V5': '5AR4'}, {})
    """

    mains_rms: float
    changes: Mapping[str, object] = field(default_factory=dict)
    kept: Mapping[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("changes", "kept"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def changed(self, key: str, value: object) -> Plan:
        """The plan with one part set to `value`, or with its change taken back (None)."""
        changes = {k: v for k, v in self.changes.items() if k != key or value is not None}
        return replace(self, changes=changes if value is None else changes | {key: value})

    def at_mains(self, mains_rms: object) -> Plan:
        """The plan at another line voltage [V rms]."""
        return replace(self, mains_rms=parse(mains_rms, "V", positive=True))

    def keep(self) -> Plan:
        """The plan whose 'before' is this one's 'after'."""
        return replace(self, kept={**self.kept, **self.changes}, changes={})


class History(Generic[P]):
    """Plans in the order they were made, for undo and redo.

    Moves of one gesture (a slider being dragged) are one step.

    Examples
    --------
    >>> history = History(Plan(117.0))
    >>> for ohms in (300, 330, 360):
    ...     history.push(Plan(117.0, {"R14": ohms}), gesture="R14 slider")
    >>> dict(history.undo().changes), dict(history.redo().changes)
    ({}, {'R14': 360})
    """

    def __init__(self, first: P) -> None:
        self._plans, self._place, self._gesture = [first], 0, ""

    @property
    def can_undo(self) -> bool:
        """True where there is something to go back to."""
        return self._place > 0

    @property
    def can_redo(self) -> bool:
        """True where something was undone and nothing done since."""
        return self._place < len(self._plans) - 1

    def push(self, plan: P, gesture: str = "") -> None:
        """Note a plan; what was undone before it is forgotten."""
        del self._plans[self._place + 1 :]
        if gesture and gesture == self._gesture and self._place > 0:
            self._plans[-1] = plan
        else:
            self._plans.append(plan)
        self._place, self._gesture = len(self._plans) - 1, gesture

    def undo(self) -> P:
        """The plan before; the first one stays."""
        return self._go(-1)

    def redo(self) -> P:
        """The plan that was undone last."""
        return self._go(1)

    def _go(self, by: int) -> P:
        self._place = min(max(0, self._place + by), len(self._plans) - 1)
        self._gesture = ""
        return self._plans[self._place]


@dataclass(frozen=True, eq=False)
class Trial:
    """Changes on trial: `drawn` is the amp it began with, `amp` that amp with what was kept at the planned
    line voltage ('before'), `after` the amp with the changes.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> trial = Trial.begun(load_amp("teasel"))
    >>> trial.planned(trial.plan.changed("R14", "330")).changed_words
    {'R14': ('270 Ω', '330 Ω')}
    """

    drawn: Amp
    amp: Amp
    after: Amp
    plan: Plan

    @classmethod
    def begun(cls, amp: Amp) -> Trial:
        """An amp without changes."""
        return cls(amp, amp, amp, Plan(float(amp.mains_rms)))

    @property
    def changed_words(self) -> Mapping[str, tuple[str, str]]:
        """(before, now) in words of each change on trial."""
        return {
            key: (text_at(self.amp.parts, key), text_at(self.after.parts, key)) for key in self.plan.changes
        }

    def planned(self, plan: Plan) -> Trial:
        """The amp with another plan; 'before' is the same object while it stays the same.

        Raises
        ------
        TubekitError : the plan cannot be (no such part, no such value).
        """
        same = (plan.mains_rms, plan.kept) == (self.plan.mains_rms, self.plan.kept)
        amp = self.amp if same else self.drawn.changed(plan.kept, mains_rms=plan.mains_rms)
        after = amp.changed(plan.changes)
        moved = {k: v for k, v in plan.changes.items() if text_at(amp.parts, k) != text_at(after.parts, k)}
        return Trial(self.drawn, amp, after, Plan(plan.mains_rms, moved, plan.kept))
