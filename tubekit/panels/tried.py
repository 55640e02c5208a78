"""What a panel about an amp has on trial (what `Trial` and `AmpTrial` have in common), and the way back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from tubekit.amp import Amp
from tubekit.errors import TubekitError
from tubekit.panels.history import History, Plan


class Tried(Protocol):
    """What is on trial: `Trial` and `AmpTrial` are."""

    drawn: Amp
    amp: Amp
    after: Amp
    plan: Plan
    stale: TubekitError | None
    history: History[Plan]

    @property
    def changed_words(self) -> Mapping[str, tuple[str, str]]:
        """(before, now) in words of each change on trial."""

    def ask(self, plan: Plan, gesture: str = "", *, record: bool = True) -> None:
        """Take a plan on and solve it."""


class OverTrial:
    """The steps every panel about an amp offers: back, forward, all back, kept, one part back."""

    trial: Any

    def _ask(
        self, plan: Plan, control: Any = None, gesture: str = "", *, record: bool = True
    ) -> TubekitError | None:
        raise NotImplementedError

    def take_back(self, key: str) -> None:
        """Take the change of one part back."""
        self._ask(self.trial.plan.changed(key, None))

    def undo(self) -> None:
        """Back to the setting before."""
        self._ask(self.trial.history.undo(), record=False)

    def redo(self) -> None:
        """Forward to what was undone."""
        self._ask(self.trial.history.redo(), record=False)

    def reset(self) -> None:
        """The amp as it came, at its own mains."""
        self._ask(Plan(float(self.trial.drawn.mains_rms)))

    def keep_as_before(self) -> None:
        """What is on trial becomes 'before'; the next change is compared with it."""
        self._ask(self.trial.plan.keep())
