"""One reading held against one limit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tubekit.text import quantity
from tubekit.units import show

Array = np.ndarray

NEAR = 0.9
"""From this share of a limit on, a reading comes within 10 % of exceeding it."""


@dataclass(frozen=True, eq=False)
class RatingCheck:
    """A reading, the limit it is held against, and where the limit comes from."""

    part: str
    what: str
    value: float | Array = quantity("", "", "reading")
    limit: float | Array = quantity("", "", "limit")
    share: float | Array = quantity("", "", "how much of the limit is used, 1 = all of it")
    unit: str = ""
    rule: str = ""
    source: str = ""

    @cached_property
    def worst(self) -> float:
        """Share used, of a batch the largest; NaN where there is none."""
        if isinstance(self.share, float):
            return self.share
        known = self.share[np.isfinite(self.share)]
        return float(known.max()) if known.size else float("nan")

    @cached_property
    def state(self) -> str:
        """'exceeded', 'near' (within 10 %) or 'within'; of a batch, the worst member's."""
        return "exceeded" if self.worst > 1.0 else "near" if self.worst >= NEAR else "within"

    @property
    def exceeded(self) -> Array:
        """True where the limit is exceeded, shape of `share`."""
        return np.asarray(self.share) > 1.0

    def sentence(self) -> str:
        """The finding in words."""
        words = {
            "exceeded": "exceeds",
            "near": "comes within 10 % of",
            "within": "stays within",
        }[self.state]
        percent = 100.0 * np.asarray(self.share)
        return (
            f"{self.part}: {self.what} {show(self.value, self.unit)} {words} the {self.rule} of "
            f"{show(self.limit, self.unit)} ({show(percent, '%')})"
        )


def check(
    part: str, what: str, value: float | Array, limit: float | Array | None, unit: str, rule: str, source: str
) -> list[RatingCheck]:
    """A check as a list of one, or of none where there is no limit."""
    if limit is None or np.all(np.isnan(np.asarray(limit, float))):
        return []
    share = np.asarray(value, float) / np.asarray(limit, float)
    used = float(share) if share.ndim == 0 else share
    return [RatingCheck(part, what, value, limit, used, unit, rule, source)]


def numbered(sources: list[str]) -> tuple[list[str], str]:
    """Sources as '[1]' marks, one per entry, and a note that resolves them.

    Examples
    --------
    >>> numbered(["amp file", "", "handbook", "amp file"])
    (['[1]', '', '[2]', '[1]'], 'Sources: [1] amp file; [2] handbook.')
    """
    order = {source: f"[{k}]" for k, source in enumerate(dict.fromkeys(s for s in sources if s), 1)}
    note = "; ".join(f"{mark} {source}" for source, mark in order.items())
    return [order.get(source, "") for source in sources], f"Sources: {note}." if note else ""


def counted(count: int, what: str) -> str:
    """A number with its noun.

    Examples
    --------
    >>> counted(1, "rating"), counted(2, "rating")
    ('1 rating', '2 ratings')
    """
    return f"{count} {what}{'' if count == 1 else 's'}"
