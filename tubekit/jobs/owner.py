"""A job in six plain sentences for whoever owns the amp, without figures of chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp import analyze
from tubekit.bench.orders import SET_NOT_BOUGHT
from tubekit.decisions.limits import limits
from tubekit.jobs.job import KEEP, Job
from tubekit.jobs.steps import DONE, GO
from tubekit.text import Printed, Table, headed

CARE = (
    "Leave room for air around it, switch it off and bring it back if it hums loudly, smells or glows red, "
    "and keep it closed: the inside can kill, even unplugged."
)


@dataclass(frozen=True, eq=False, repr=False)
class OwnerPage(Printed):
    """The six sentences in a terminal."""

    job: Job

    def headline(self) -> str:
        """Whose amp."""
        return self.job.headline()

    def tables(self) -> list[Table]:
        """A row for each sentence."""
        return [Table("For the owner", headed("", ""), list(enumerate(sentences(self.job), 1)))]

    def to_json(self) -> dict[str, list[str]]:
        """The sentences."""
        return {"sentences": list(sentences(self.job))}


def sentences(job: Job) -> tuple[str, ...]:
    """Tell the owner what came in, was wrong, was done and was left, how it is now and how to treat it.

    Parameters
    ----------
    job
        The job, whole or under way.

    Returns
    -------
    tuple[str, ...]
        Six sentences.

    Raises
    ------
    SolveError
        The amp as it is now has no idle state.
    """
    return (_in(job), _wrong(job), _done(job), _left(job), _now(job), CARE)


def _in(job: Job) -> str:
    text = str(job.first["complaint"]).rstrip(".")
    why = f" because of this: {text}" if text else " for a check"
    day = job.first.date
    return f"Your {job.drawn.title} came in on {day:%B} {day.day}, {day.year}{why}."


def _wrong(job: Job) -> str:
    reasons: dict[str, list[str]] = {}
    for each in job.decisions:
        if each.state == "installed":
            reasons.setdefault(each.why, []).append(each.part.partition(".")[0])
    if not reasons:
        return "We found no part that had to be replaced."
    text = "; ".join(f"{_listed(dict.fromkeys(parts))} ({why.rstrip('.')})" for why, parts in reasons.items())
    return f"This was wrong: {text}."


def _done(job: Job) -> str:
    names = (name.partition(".") for each in job.of_kind("fit") for name in each["changes"])
    parts = list(dict.fromkeys(part for part, _, field in names if field not in SET_NOT_BOUGHT))
    hours = f"; the work took {job.hours:g} hour{'' if job.hours == 1 else 's'}" if job.hours else ""
    if not parts:
        return f"We installed no new part{hours}."
    kinds: dict[str, list[str]] = {}
    for name in parts:
        part = job.drawn.parts.get(name)
        kinds.setdefault("part" if part is None else part.kind, []).append(name)
    words = [f"{len(names)} {kind}{_s(names)} ({', '.join(names)})" for kind, names in kinds.items()]
    return f"We installed {_listed(words)}{hours}."


def _left(job: Job) -> str:
    kept = [f"{each.part} ({each.why.rstrip('.')})" for each in job.decisions if each.value == KEEP]
    waiting = list(job.decided("to buy", "in stock"))
    later = f"{_listed(waiting)} will be replaced when the parts have come" if waiting else ""
    left = f"we left {_listed(kept)} as it was" if kept else "everything else was left as it was"
    closing = [each for each in job.of_kind("hand-back") if each["reason"]]
    open_ = [f"NOT DONE, because {each['reason'].rstrip('.')}: {'; '.join(each['open'])}" for each in closing]
    text = "; ".join(part for part in (*open_, left, later) if part)
    return f"{text[0].upper()}{text[1:]}."


def _now(job: Job) -> str:
    if job.stopped:
        return f"DO NOT SWITCH IT ON: a check on the bench was stopped at {job.stopped[-1]['text']}."
    if not job.rows():
        return "How it works now was not measured."
    report = analyze(job.amp)
    output = {section.name for section in job.amp.topology.sections if section.screen is not None}
    used = [float(t.plate_share) for t in report.tubes if t.section in output and np.isfinite(t.plate_share)]
    over = dict.fromkeys(each.part for each in limits(report).exceeded)
    allowed = "of what their maker allows"
    work = f"its output tubes work at {100 * max(used):.0f} % {allowed}" if used else "it works"
    steps = [each for each in job.of_kind("step") if each.number > job.changed_in]
    good = sum(each["go"] in (GO, DONE) for each in steps)
    checks = f", and {good} of {len(steps)} checks on the bench were good" if steps else ""
    strained = f"; {_listed(over)} still run over a rating" if over else ""
    return f"On a {float(job.amp.mains_rms):.0f} V outlet {work}{strained}{checks}."


def _s(many: Sequence[str]) -> str:
    return "s" if len(many) > 1 else ""


def _listed(words: Sequence[str] | dict[str, None]) -> str:
    """Words as a sentence lists them.

    Examples
    --------
    >>> _listed(["C11", "C12", "C14"]), _listed(["R14"])
    ('C11, C12 and C14', 'R14')
    """
    every = list(words)
    return every[0] if len(every) == 1 else f"{', '.join(every[:-1])} and {every[-1]}"
