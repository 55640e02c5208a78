"""The command `job`: one amp from the door to hand-back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import Asked, changes, imported
from tubekit.errors import InputError, near_matches
from tubekit.files import found


@dataclass(frozen=True)
class Typed:
    """What was typed after the verb: the folder, PLACE=VALUE or PART=VALUE, other words, and the options."""

    folder: Path
    pairs: list[str]
    words: list[str]
    options: dict[str, Any] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """All other words as one."""
        return " ".join(self.words)

    @property
    def changes(self) -> dict[str, object]:
        """PART=VALUE as changes."""
        return changes(self.pairs)

    def file(self, *suffixes: str) -> str:
        """The first word that is a file of such a kind; '' where there is none."""
        return next((word for word in self.words if Path(word).suffix.lower() in suffixes), "")


Verb = Callable[[Typed, Asked], Any]


def job(asked: Asked) -> Any:
    """What is asked of a job."""
    from tubekit.jobs.words import is_pair

    if asked.do not in _VERBS:
        raise InputError(
            f"there is no job {asked.do}", fix=f"Type one of: {', '.join(_VERBS)}",
            near=near_matches(asked.do, _VERBS),
        )  # fmt: skip
    words = list(asked.words)
    if asked.do == "new" and not "".join(words[:1]).strip():
        raise InputError("the folder is missing", fix="Type job new FOLDER AMP")
    folder = Path(words.pop(0)) if words and (asked.do == "new" or _is_job(words[0])) else Path()
    options = {"by": asked.by, "hours": asked.hours, "text": asked.note}
    pairs = [word for word in words if is_pair(word) and not found(word)]
    rest = [word for word in words if word not in pairs]
    return _VERBS[asked.do](Typed(folder, pairs, rest, options), asked)


def _is_job(word: str) -> bool:
    from tubekit.jobs.journal import FILE

    return found(Path(word) / FILE) or (found(word, "is_dir") and not found(FILE))


def _new(typed: Typed, asked: Asked) -> Any:
    from tubekit.amp import load_amp
    from tubekit.jobs.actions import new_job
    from tubekit.jobs.job import open_job

    if typed.words:
        amp = load_amp(typed.words[0])
    elif asked.last_visit:
        amp = open_job(asked.last_visit).as_it_left
    else:
        raise InputError("the amp is missing", where=str(typed.folder), fix="Type job new FOLDER AMP")
    return new_job(
        typed.folder, amp, by=asked.by, owner=asked.owner, complaint=asked.complaint,
        last_visit=asked.last_visit,
    )  # fmt: skip


def _found(typed: Typed, _asked: Asked) -> Any:
    from tubekit.jobs.actions import found_so

    return found_so(typed.folder, typed.changes, file=typed.file(".toml", ".csv", ".xlsx"), **typed.options)


def _read(typed: Typed, asked: Asked) -> Any:
    from tubekit.jobs.actions import read

    file = typed.file(".csv", ".toml")
    strange = [word for word in typed.words if word != file]
    return read(typed.folder, [*typed.pairs, *strange], file=file, state=asked.state, **typed.options)


def _note(words: Typed, _asked: Asked) -> Any:
    from tubekit.jobs.actions import note

    text = " ".join([*words.words, *words.pairs, words.options["text"]]).strip()
    return note(words.folder, text, **_but(words.options, "text"))


def _photo(typed: Typed, _asked: Asked) -> Any:
    from tubekit.jobs.actions import photo

    if not typed.words:
        raise InputError(
            "the photo is missing", where=str(typed.folder), fix='Type job photo IMG_1.jpg "board"'
        )
    return photo(typed.folder, typed.words[0], " ".join(typed.words[1:]), **_but(typed.options, "text"))


def _correct(typed: Typed, _asked: Asked) -> Any:
    from tubekit.jobs.actions import correct

    number = next((word for word in typed.words if word.isdigit()), "0")
    why = " ".join(word for word in typed.words if word != number)
    return correct(typed.folder, int(number), why, **typed.options)


def _hand_back(typed: Typed, asked: Asked) -> Any:
    from tubekit.jobs.visits import hand_back

    return hand_back(typed.folder, typed.text, by=asked.by, reason=asked.reason)


def _next(typed: Typed, asked: Asked) -> Any:
    from tubekit.jobs.progress import next_step
    from tubekit.jobs.steps import TITLES

    file = typed.file(".csv", ".toml")
    sheet = next((word for word in typed.words if word in TITLES), "")
    values = [word for word in (*typed.words, *typed.pairs) if word not in (file, sheet)]
    return next_step(typed.folder, values, sheet=sheet, file=file, by=asked.by, text=asked.note)


def _print(typed: Typed, asked: Asked) -> Any:
    from tubekit.jobs.job import open_job
    from tubekit.record.job_pages import print_job

    return print_job(open_job(typed.folder), paper=asked.paper, pdf=not asked.no_pdf)


def _entered(where: str, *given: str, but: str = "") -> Verb:
    """The work of one function: on the folder, these words of `Typed`, and the options but one."""

    def work(typed: Typed, _asked: Asked) -> Any:
        words = (getattr(typed, name) for name in given)
        return imported(f"tubekit.jobs.{where}")(typed.folder, *words, **_but(typed.options, but))

    return work


def _of_job(where: str = "") -> Verb:
    """The job in the folder, or the work of one function on it."""

    def work(typed: Typed, _asked: Asked) -> Any:
        job = imported("tubekit.jobs.job:open_job")(typed.folder)
        return imported(f"tubekit.jobs.{where}")(job) if where else job

    return work


def _but(options: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    return {key: value for key, value in options.items() if key not in keys}


_VERBS: dict[str, Verb] = {
    "new": _new,
    "status": _of_job(),
    "found": _found,
    "read": _read,
    "decide": _entered("actions:decide", "changes", "text"),
    "order": _of_job("actions:to_buy"),
    "have": _entered("actions:have", "words"),
    "fit": _entered("actions:fit", "words", "changes"),
    "temp": _entered("actions:put_on", "text", but="text"),
    "off": _entered("actions:take_off", "text", but="text"),
    "note": _note,
    "photo": _photo,
    "next": _next,
    "twin": _of_job("job:Job.matched"),
    "compare": _of_job("visits:compare"),
    "hand-back": _hand_back,
    "owner": _of_job("owner:OwnerPage"),
    "print": _print,
    "correct": _correct,
}
"""What is done; data/commands.toml says what each needs."""
