"""Other numbers each time, the same for the same seed."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import TypeVar

T = TypeVar("T")


class Draw:
    """What a variant of a question draws its numbers from; variant 0 takes the first of everything.

    Examples
    --------
    >>> draws = [Draw("02", "idle", n) for n in range(4)]
    >>> draws[0].one_of((250, 300, 200)), sorted(draw.one_of((250, 300, 200)) for draw in draws[1:3])
    (250, [200, 300])
    """

    def __init__(self, lesson: str, question: str, variant: int) -> None:
        self.variant = variant
        self._name, self._drawn = f"{lesson}/{question}", 0

    def one_of(self, items: Sequence[T]) -> T:
        """One of the items; none comes again before all others have."""
        self._drawn += 1
        if self.variant == 0 or len(items) == 1:
            return items[0]
        order = random.Random(f"{self._name}/{self._drawn}").sample(range(1, len(items)), len(items) - 1)  # noqa: S311
        place = (self.variant - 1) % len(items)
        return items[(*order, 0)[place]]

    def shuffled(self, options: Mapping[str, str]) -> dict[str, str]:
        """Options in another order each time; the first variant has an order of its own as well."""
        keys = list(options)
        random.Random(f"{self._name}/{self.variant}/order").shuffle(keys)  # noqa: S311
        return {key: options[key] for key in keys}
