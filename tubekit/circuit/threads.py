"""Small matrices are solved faster on one core: threads that wait for each other cost more than they give."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
T = TypeVar("T")


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def on_one_core(solve: Callable[P, T]) -> Callable[P, T]:
    """Run a function with the linear algebra library held to one thread, and set it back after."""

    @wraps(solve)
    def held(*args: P.args, **kwargs: P.kwargs) -> T:
        with _controller().limit(limits=1, user_api="blas"):
            return solve(*args, **kwargs)

    return held
