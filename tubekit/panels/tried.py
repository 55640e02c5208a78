"""What a panel about an amp has on trial: what `Trial` and `AmpTrial` have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

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
