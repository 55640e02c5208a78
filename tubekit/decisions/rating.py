"""One reading against one limit, and one line of a verdict."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tubekit.files import data_file
from tubekit.result_fields import Array
from tubekit.text import quantity
from tubekit.units import show

NEAR = 0.9
"""From this share of a limit on, a reading comes within 10 % of exceeding it."""
AT_LIMIT = 1.01
"""Up to this share a limit counts as reached, not exceeded: no bench meter tells 1 %; common practice."""
STATES = ("within", "near", "at limit", "exceeded")
"""What the used share of a limit is called, wherever it is printed or drawn, the worst last."""
MOVED = {"W": 0.03}
"""A share that grows by less than this fraction of itself stays as it was: 1 %, less than a bench meter
shows, and of watts, volts times current read before and after, more; common practice."""


FIXED_BIAS_SHARE = 0.70
"""Share of its rating at which a power tube with fixed bias should idle at most: a guide, no limit."""
MANY_TIMES = 10.0
"""A share beyond this is told in words: its digits mean nothing."""


def state_of(share: float) -> str:
    """One of `STATES` for the used share of a limit.

    Examples
    --------
    >>> state_of(0.5), state_of(0.95), state_of(1.003), state_of(1.02)
    ('within', 'near', 'at limit', 'exceeded')
    """
    return STATES[int(share >= NEAR) + int(share > 1.0) + int(share > AT_LIMIT)]


@dataclass(frozen=True)
class RatingKind:
    """What is rated: in words, its unit, how a part fails beyond it, a short name where bars stand."""

    what: str
    unit: str
    how: str
    short: str = ""


_WORDS = tomllib.loads(data_file("ratings.toml").read_text(encoding="utf-8"))
KINDS = {code: RatingKind(**words) for code, words in _WORDS.items()}
"""Every kind of rating by its code; how parts fail is common practice, no source."""


@dataclass(frozen=True, eq=False)
class RatingCheck:
    """A reading, the limit it is compared with, and where the limit comes from; `code` is one of `KINDS`."""

    part: str
    code: str
    what: str
    value: float | Array = quantity("", "", "reading")
    limit: float | Array = quantity("", "", "limit")
    share: float | Array = quantity("", "", "how much of the limit is used, 1 = at the limit")
    unit: str = ""
    rule: str = ""
    source: str = ""
    note: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """Key of a rating, the same before and after a change."""
        return self.part, self.code

    @property
    def short(self) -> str:
        """Name of what is rated, short enough for the label of a bar."""
        return KINDS[self.code].short or self.what

    @cached_property
    def worst(self) -> float:
        """Share used, of a batch the largest; NaN where there is none."""
        if isinstance(self.share, float):
            return self.share
        known = self.share[np.isfinite(self.share)]
        return float(known.max()) if known.size else float("nan")

    @property
    def used(self) -> str:
        """Percent of the limit in words; more digits just above it, so that 100 % is never an excess."""
        if self.worst > MANY_TIMES:
            return f"more than {MANY_TIMES:.0f} times"
        words = show(100.0 * np.asarray(self.share), "%", 4 if 1.0 < self.worst < 1.1 else 3)
        if self.code == "idle_w":  # the guide is a share of the rating, which is what a technician asks for
            words += f", {show(100.0 * FIXED_BIAS_SHARE * np.asarray(self.share), '%', 3)} of rating"
        return words

    @property
    def unmoved(self) -> float:
        """What a share may grow by, as a factor, and be as it was."""
        return 1.0 + MOVED.get(self.unit, 0.01)

    @cached_property
    def state(self) -> str:
        """One of `STATES`; of a batch, the worst member's."""
        return state_of(self.worst)

    @property
    def exceeded(self) -> Array:
        """True where the limit is exceeded, shape of `share`."""
        return np.asarray(self.share) > AT_LIMIT

    def sentence(self) -> str:
        """The finding in words, its part first."""
        return f"{self.part}: {self.finding()}"

    def finding(self) -> str:
        """The finding in words, its part left out."""
        words = {
            "exceeded": "exceeds",
            "at limit": "is at",
            "near": "is within 10 % of",
            "within": "is within",
        }[self.state]
        return (
            f"{self.what} {show(self.value, self.unit)} {words} the {self.rule} of "
            f"{show(self.limit, self.unit)} ({self.used}){f': {self.note}' if self.note else ''}"
        )

    def since(self, before: RatingCheck | None) -> str:
        """Effect of a change on this rating: 'new', 'worse', 'already so' or 'mended'.

        Parameters
        ----------
        before
            The same rating before the change, if it was there.

        Returns
        -------
        str
            'new', 'worse', 'already so' or 'mended'.

        Examples
        --------
        >>> (old,) = check("V3", "plate_w", 13.0, 12.0, "6V6GT rating", "")
        >>> (now,) = check("V3", "plate_w", 11.5, 12.0, "6V6GT rating", "")
        >>> now.since(old), now.since(None), old.since(now), old.since(old)
        ('mended', 'new', 'new', 'already so')
        """
        was = STATES.index("within" if before is None else before.state)
        now = STATES.index(self.state)
        if now != was:
            return "new" if now > was else "mended"
        was_used = self.unmoved * np.asarray(before.share, float) if before else np.inf
        return "worse" if np.any(np.asarray(self.share, float) > was_used) else "already so"


@dataclass(frozen=True)
class Finding:
    """One line of a verdict.

    `weight` is 'stop', 'exceeded', 'at limit', 'near' or 'note'; `code` says what it is about: one of `KINDS`
    for a rating, a word for the fit of a part ('base', 'pins', 'heater_v' …). `cause` is what the change has
    to do with it: 'new' (by the change), 'worse' (was so, and the change makes it worse), 'already so',
    'mended'.
    """

    weight: str
    part: str
    text: str
    source: str = ""
    code: str = ""
    cause: str = "new"

    @property
    def by_change(self) -> bool:
        """Whether the change brings it about or makes it worse."""
        return self.cause in ("new", "worse")


def check(
    part: str,
    code: str,
    value: float | Array,
    limit: float | Array | None,
    rule: str,
    source: str,
    *,
    what: str = "",
    note: str = "",
) -> list[RatingCheck]:
    """A check as a list of one, or of none where there is no limit.

    `what` words it for this part alone, `note` is what follows from it.
    """
    if limit is None or np.all(np.isnan(np.asarray(limit, float))):
        return []
    share = np.asarray(value, float) / np.asarray(limit, float)
    used = float(share) if share.ndim == 0 else share
    kind = KINDS[code]
    return [RatingCheck(part, code, what or kind.what, value, limit, used, kind.unit, rule, source, note)]


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
