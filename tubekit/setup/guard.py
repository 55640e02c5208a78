"""One set-up at a time in a checkout. The operating system lets go of the lock when its holder dies."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

if sys.platform == "win32":
    import msvcrt

    def _try(handle: IO[str]) -> bool:
        try:
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try(handle: IO[str]) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


@contextmanager
def only_one(path: Path, say: Callable[[str], None], pause: float = 0.2) -> Iterator[None]:
    """Hold the lock file `path` for the body of a with statement, waiting while another run holds it."""
    with path.open("a", encoding="utf-8") as handle:
        if not _try(handle):
            say("another set-up is running in this checkout; waiting for it")
            while not _try(handle):
                time.sleep(pause)
        yield
