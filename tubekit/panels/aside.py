"""Work that takes seconds, done aside while the hand goes on; a newer request stops the older one."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from tubekit.errors import TubekitError

T = TypeVar("T")
Progress = Callable[[int, int], None]


class _Stopped(Exception):
    """Nobody waits for this work any more."""


class Aside:
    """Does one piece of work at a time in a thread of its own; at once where no event loop runs.

    Examples
    --------
    >>> found = []
    >>> Aside()(lambda progress: 6 * 7, found.append)
    >>> found
    [42]
    """

    def __init__(self) -> None:
        self._turn = 0
        self.busy = False

    def __call__(
        self,
        work: Callable[[Progress], T],
        done: Callable[[T], None],
        failed: Callable[[TubekitError], None] | None = None,
        progress: Progress | None = None,
    ) -> None:
        """Do `work`, then `done` with what it gives; work that was begun before is forgotten."""
        self.stop()
        turn, tell = self._turn, progress or _nobody
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._finish(turn, *_outcome(lambda: work(tell)), done, failed)
            return
        self.busy = True

        def told(step: int, of: int) -> None:
            if turn != self._turn:
                raise _Stopped
            loop.call_soon_threadsafe(tell, step, of)

        def run() -> None:
            try:
                result, error = _outcome(lambda: work(told))
            except _Stopped:
                return
            loop.call_soon_threadsafe(self._finish, turn, result, error, done, failed)

        threading.Thread(target=run, daemon=True).start()

    def stop(self) -> None:
        """What is being done is of no interest any more; it ends at its next step."""
        self._turn += 1
        self.busy = False

    def _finish(
        self, turn: int, result: Any, error: TubekitError | None,
        done: Callable[[Any], None], failed: Callable[[TubekitError], None] | None,
    ) -> None:  # fmt: skip
        if turn != self._turn:
            return
        self.busy = False
        if error is None:
            done(result)
        elif failed is not None:
            failed(error)
        else:
            raise error


def _outcome(work: Callable[[], T]) -> tuple[T | None, TubekitError | None]:
    try:
        return work(), None
    except TubekitError as error:
        return None, error


def _nobody(step: int, of: int) -> None:
    """Told of progress that nobody watches."""
