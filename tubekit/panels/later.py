"""Work that waits until the hand rests, so that it never holds a moving slider back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

REST_S, SOON_S = 0.15, 0.02


class Later:
    """Does the latest work asked for, `rest` seconds after it was asked; at once without an event loop.

    With `patient` false the clock is not set back by what is asked while it runs: words then follow a
    moving hand, each time a moment after the picture has left.

    Examples
    --------
    >>> done = []
    >>> Later()(lambda: done.append("at once: no loop runs here"))
    >>> len(done)
    1
    """

    def __init__(self, rest: float = REST_S, *, patient: bool = True) -> None:
        self.rest, self.patient = rest, patient
        self._waiting: asyncio.TimerHandle | None = None
        self._work: Callable[[], None] | None = None

    def __call__(self, work: Callable[[], None]) -> None:
        """Ask for `work`; what was asked for before and has not begun is forgotten."""
        if self._waiting is not None and not self.patient:
            self._work = work
            return
        self.forget()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            work()
            return
        self._work = work
        self._waiting = loop.call_later(self.rest, self._now)

    def forget(self) -> None:
        """Do not do what waits."""
        if self._waiting is not None:
            self._waiting.cancel()
        self._waiting = self._work = None

    def _now(self) -> None:
        work = self._work
        self._waiting = self._work = None
        if work is not None:
            work()
