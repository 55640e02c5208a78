"""What can go wrong, said in the user's own words.

Every message names the file, the part and the way out; near matches stand at the end.
"""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Self


@dataclass(frozen=True)
class Note:
    """Something worth a look that is no error: `code` for programs, `text` for people.

    Parameters
    ----------
    code : short and lasting, as 'no_fuse'; what a program decides by, never the text.
    part : designator it concerns ('' where it concerns the whole).
    text : one sentence or two, designator included.
    danger : True where someone can be hurt or a part destroyed; such notes come first.
    line : row of a list it concerns (0 where it concerns none).

    Examples
    --------
    >>> print(Note("switch_open", "S2", "S2 is drawn open; what it feeds gets nothing."))
    S2 is drawn open; what it feeds gets nothing.
    """

    code: str
    part: str
    text: str
    danger: bool = False
    line: int = 0

    def __str__(self) -> str:
        return f"Line {self.line}: {self.text}" if self.line else self.text


class TubekitError(Exception):
    """Root of every error that tubekit raises on purpose."""


class InputError(TubekitError):
    """Something the user wrote cannot be used; nothing was changed or written.

    Parameters
    ----------
    problem : what is wrong, without a closing stop.
    where : file, command or table it stands in ('' where there is none).
    part : designator, node or column it concerns ('' where there is none).
    fix : what to write instead.
    near : names close to what was written.
    code : short and lasting, as 'joined_once'; what a program decides by, never the text.
    key : field of the part it concerns ('' where it concerns none).
    word : what was written there (None where nothing was).
    lines : rows of a list it concerns, the one to mend last.

    Examples
    --------
    >>> print(InputError("value '33O' is not a resistance", where="teasel.toml", part="R14",
    ...                  fix="Write it like 330, 4K7 or 1.5k"))
    teasel.toml: R14: value '33O' is not a resistance. Write it like 330, 4K7 or 1.5k.
    """

    usual: ClassVar[str] = "input"
    """Code of an error that states none of its own."""

    def __init__(
        self,
        problem: str,
        *,
        where: str = "",
        part: str = "",
        fix: str = "",
        near: Iterable[str] = (),
        code: str = "",
        key: str = "",
        word: str | None = None,
        lines: tuple[int, ...] = (),
    ) -> None:
        self.problem, self.where, self.part, self.fix = problem, where, part, fix
        self.near, self.lines = tuple(near), lines
        self.code, self.key, self.word = code or self.usual, key, word
        super().__init__(self._message())

    @classmethod
    def of(cls, error: InputError, **changed: Any) -> Self:
        """The same error as one of this class, with what is known better here."""
        names = ("problem", "where", "part", "fix", "near", "code", "key", "word", "lines")
        return cls(**{name: getattr(error, name) for name in names} | changed)

    def _message(self) -> str:
        head = ": ".join(word for word in (self.where, self.part, self.problem) if word)
        near = f"Near: {', '.join(self.near)}" if self.near else ""
        return " ".join(f"{part.rstrip('.')}." for part in (head, self.fix, near) if part)

    def placed(self, *, where: str = "", part: str = "") -> Self:
        """The same error with the file or part filled in where it was not known deeper down."""
        return self.of(self, where=self.where or where, part=self.part or part)


class UnitError(InputError):
    """A value cannot be read as the quantity it should be."""

    usual = "unit"


class TableError(InputError):
    """A table in data/ is missing, damaged or incomplete."""

    usual = "table"


class UnknownTube(InputError):
    """No tube of that type is in the catalogue."""

    usual = "unknown_tube"


class AmpFileError(InputError):
    """An amp file cannot be read, or describes something that cannot be built."""

    usual = "amp_file"


class ChangeError(InputError):
    """A change asks for a part, value or line voltage that cannot be."""

    usual = "change"


class ReadingError(InputError):
    """A list of readings cannot be read, or shows what no amp can show."""

    usual = "reading"


class RecordError(InputError):
    """A record cannot be written there, or of that."""

    usual = "record"


class ExportError(InputError):
    """A notebook cannot be made into a page."""

    usual = "export"


class CircuitError(InputError):
    """Parts are joined in a way that has no solution (a floating node, a shorted source)."""

    usual = "circuit"


class SolveError(TubekitError):
    """A solve did not arrive. The best iterate is kept.

    Parameters
    ----------
    problem : what did not converge.
    best : the best iterate (a result object or mapping of node to volts).
    worst : the part or node that is furthest off, as the user named it.
    residual : size of the remaining error there.
    iterations : how many were spent.
    """

    def __init__(
        self,
        problem: str,
        *,
        best: Any = None,
        worst: str = "",
        residual: float = float("nan"),
        iterations: int = 0,
    ) -> None:
        self.best, self.worst = best, worst
        self.residual, self.iterations = residual, iterations
        at = f" Furthest off: {worst} ({residual:.3g})." if worst else ""
        spent = f" after {iterations} iterations." if iterations else "" if problem.endswith(".") else "."
        super().__init__(f"{problem}{spent}{at}")


class BatchWarning(UserWarning):
    """Some members of a batch have no solution: their values are NaN, the mask says which."""

    @property
    def words(self) -> str:
        """The same for a reader who has no mask."""
        return str(self).partition(";")[0] + " and are left out."


def near_matches(word: str, choices: Iterable[str], count: int = 3) -> tuple[str, ...]:
    """Choices that look like `word`, best first, compared without regard to case.

    Examples
    --------
    >>> near_matches("r41", ["R14", "R4", "C1"])
    ('R4', 'R14')
    """
    by_lower = {choice.lower(): choice for choice in choices}
    result = difflib.get_close_matches(word.lower(), by_lower, n=count, cutoff=0.5)
    return tuple(by_lower[name] for name in result)


def warn_batch(lost: Iterable[bool], what: str, named: str = "") -> None:
    """One warning for all members of a batch that have no solution, `named` in words where they can be."""
    members = list(lost)
    count = sum(bool(member) for member in members)
    warnings.warn(
        f"{what}: {named or f'{count} of {len(members)} members'} have no solution; they are NaN, the "
        "mask in .convergence shows which",
        BatchWarning,
        stacklevel=3,
    )
