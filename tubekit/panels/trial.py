"""What a part-swap panel knows: the amp, what is asked of it, the last answer. No widgets."""

from __future__ import annotations

from collections.abc import Mapping

from tubekit.amp import Amp
from tubekit.amp.change import text_at
from tubekit.decisions import SwapReport, swap
from tubekit.errors import TubekitError
from tubekit.panels.history import History, Plan


class Trial:
    """Changes tried on an amp, one plan after another, each solved from where the last one ended.

    `drawn` is the amp the trial began with, `amp` that amp with what was kept at the planned mains
    ('before'), `after` the amp with the changes on trial, `report` the last answer, `stale` the
    error where the present plan has none.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> trial = Trial(load_amp("teasel"))
    >>> trial.ask(trial.plan.changed("R14", "330"))
    >>> trial.changed_words
    {'R14': ('270 Ω', '330 Ω')}
    """

    def __init__(self, amp: Amp) -> None:
        self.drawn = self.amp = self.after = amp
        self.plan = Plan(float(amp.mains_rms))
        self.report: SwapReport = swap(amp, {})
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
        amp = self._before(plan)
        after = amp.changed(plan.changes)
        moved = {k: v for k, v in plan.changes.items() if text_at(amp.parts, k) != text_at(after.parts, k)}
        plan = Plan(plan.mains_rms, moved, plan.kept)
        if record:
            self.history.push(plan, gesture)
        self.plan, self.amp, self.after = plan, amp, after
        try:
            self.report, self.stale = swap(amp, moved, near=self.report), None
        except TubekitError as error:
            self.stale = error

    def undo(self) -> None:
        """Back to the plan before."""
        self.ask(self.history.undo(), record=False)

    def redo(self) -> None:
        """Forward to the plan that was undone."""
        self.ask(self.history.redo(), record=False)

    def _before(self, plan: Plan) -> Amp:
        """'Before' as an amp; the same object while it stays the same, so that it is not solved anew."""
        if (plan.mains_rms, plan.kept) == (self.plan.mains_rms, self.plan.kept):
            return self.amp
        return self.drawn.changed(plan.kept, mains_rms=plan.mains_rms)
