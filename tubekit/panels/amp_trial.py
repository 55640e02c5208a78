"""Changes tried on an amp for any question that is asked of an amp. No widgets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Generic, TypeVar

from tubekit.amp import Amp
from tubekit.amp.change import text_at
from tubekit.errors import TubekitError
from tubekit.panels.history import History, Plan

R = TypeVar("R")


class AmpTrial(Generic[R]):
    """One question, asked of an amp before and after the changes on trial.

    `drawn` is the amp the trial began with, `amp` that amp with what was kept at the planned mains
    ('before'), `after` the amp with the changes on trial, `before` and `result` their answers, `stale`
    the error where the present plan has none.

    Parameters
    ----------
    solve : the answer for an amp; the second argument is an earlier answer to start from.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> trial = AmpTrial(load_amp("teasel"), lambda amp, near: amp.parts["R14"].ohms)
    >>> trial.ask(trial.plan.changed("R14", "330"))
    >>> trial.before, trial.result, trial.changed_words
    (270.0, 330.0, {'R14': ('270 Ω', '330 Ω')})
    """

    def __init__(self, amp: Amp, solve: Callable[[Amp, R | None], R]) -> None:
        self.drawn = self.amp = self.after = amp
        self.plan, self._solve = Plan(float(amp.mains_rms)), solve
        self.before = self.result = solve(amp, None)
        self.stale: TubekitError | None = None
        self.history = History(self.plan)

    @property
    def changed_words(self) -> Mapping[str, tuple[str, str]]:
        """(before, now) in words of each change on trial."""
        return {
            key: (text_at(self.amp.parts, key), text_at(self.after.parts, key)) for key in self.plan.changes
        }

    def ask(self, plan: Plan, gesture: str = "", *, record: bool = True) -> None:
        """Take a plan on and solve it; `stale` is set where it has no answer.

        Raises
        ------
        TubekitError : the plan cannot be (no such part, no such value); the trial is as it was.
        """
        same = (plan.mains_rms, plan.kept) == (self.plan.mains_rms, self.plan.kept)
        amp = self.amp if same else self.drawn.changed(plan.kept, mains_rms=plan.mains_rms)
        after = amp.changed(plan.changes)
        moved = {k: v for k, v in plan.changes.items() if text_at(amp.parts, k) != text_at(after.parts, k)}
        plan = Plan(plan.mains_rms, moved, plan.kept)
        if record:
            self.history.push(plan, gesture)
        self.plan, self.amp, self.after = plan, amp, after
        try:
            if not same:
                self.before = self._solve(amp, self.before)
            self.result = self._solve(after, self.result) if moved else self.before
            self.stale = None
        except TubekitError as error:
            self.stale = error
