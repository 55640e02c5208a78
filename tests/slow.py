"""Which tests are slow is measured, not guessed: ``python -m pytest -p tests.slow`` writes `slow.txt` again.

A test is slow that takes more than `LIMIT_S` of processor time, with the fixtures that it is the first to
ask for. Run it on one worker, over everything: a test that is not run is taken off the list.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

LIMIT_S = 0.6
LIST = Path(__file__).with_name("slow.txt")
_took: dict[str, float] = {}


def slow_tests() -> frozenset[str]:
    """Node ids of the tests that took longer than `LIMIT_S` when they were last measured."""
    return frozenset(LIST.read_text(encoding="utf-8").splitlines())


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    before = time.process_time()
    result = yield
    _took[item.nodeid] = time.process_time() - before
    return result


def pytest_sessionfinish() -> None:
    slow = sorted(each for each, seconds in _took.items() if seconds > LIMIT_S)
    LIST.write_text("".join(f"{each}\n" for each in slow), encoding="utf-8")
