"""Work that waits until the hand rests, so that it never holds a moving slider back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

REST_S = 0.15


class Later:
    """Does the latest work asked for, `rest` seconds after it was asked; at once without an event loop.

    Examples
    --------
    >>> done = []
    >>> Later()(lambda: done.append("at once: no loop runs here"))
    >>> len(done)
    1
    """

    def __init__(self, rest: float = REST_S) -> None:
        self.rest = rest
        self._waiting: asyncio.TimerHandle | None = None

    def __call__(self, work: Callable[[], None]) -> None:
        """Ask for `work`; what was asked for before and has not begun is forgotten."""
        self.forget()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            work()
            return
        self._waiting = loop.call_later(self.rest, work)

    def forget(self) -> None:
        """Do not do what waits."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
