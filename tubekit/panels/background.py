"""Work that waits until the hand rests, and work that takes seconds in a thread of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from tubekit.errors import TubekitError

T = TypeVar("T")
Progress = Callable[[int, int], None]
REST_S, SOON_S = 0.15, 0.02


class Debouncer:
    """Does the latest work asked for, `rest` seconds after it was asked; at once without an event loop.

    With `patient` false the clock is not set back by what is asked while it runs: words then follow a
    moving hand, each time a moment after the picture has left.

    Examples
    --------
    >>> done = []
    >>> Debouncer()(lambda: done.append("at once: no loop runs here"))
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


class _Stopped(Exception):
    """Nobody waits for this work any more."""


class BackgroundTask:
    """Does one piece of work at a time in a thread of its own; at once where no event loop runs.

    A newer request stops the older one.

    Examples
    --------
    >>> found = []
    >>> BackgroundTask()(lambda progress: 6 * 7, found.append)
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
        turn, report = self._turn, progress or _unwatched
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._finish(turn, *_outcome(lambda: work(report)), done, failed)
            return
        self.busy = True

        def stepped(step: int, of: int) -> None:
            if turn != self._turn:
                raise _Stopped
            loop.call_soon_threadsafe(report, step, of)

        def run() -> None:
            try:
                result, error = _outcome(lambda: work(stepped))
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


def _unwatched(step: int, of: int) -> None:
    """Progress that nobody watches."""


def _outcome(work: Callable[[], T]) -> tuple[T | None, TubekitError | None]:
    try:
        return work(), None
    except TubekitError as error:
        return None, error
