"""Timing for benchmarks run by hand; no test asserts what it says."""

from __future__ import annotations

import sys
from collections.abc import Callable
from time import perf_counter


def best_of(count: int, work: Callable[[], object], clock: Callable[[], float] = perf_counter) -> float:
    """Shortest of some runs [s]: the one least disturbed by other programs."""
    times = []
    for _ in range(count):
        start = clock()
        work()
        times.append(clock() - start)
    return min(times)


def say(line: str) -> None:
    """One line of the report."""
    sys.stdout.write(line + "\n")
