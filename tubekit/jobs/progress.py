"""What to do next in a job, and what a value typed at a step means."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from tubekit.bench.readings import load_readings
from tubekit.bench.suspects import suspects
from tubekit.decisions.judge import WRONG, judge, wrong_beyond
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import TubekitError
from tubekit.jobs.actions import add
from tubekit.jobs.job import MAINS_ROW, STOP, Job, open_job
from tubekit.jobs.journal import Entry, JobError, enclose
from tubekit.jobs.sheets import Missing, usable
from tubekit.jobs.steps import (
    DONE,
    GO,
    HALT,
    POWER_UP,
    TITLES,
    Outcome,
    Sheet,
    Step,
    is_list,
    outcome,
    recorded,
    typed,
)
from tubekit.jobs.words import rows_of_file, together
from tubekit.text import Printed, Table, headed

LINE_PLACES = {"line": MAINS_ROW}
LINE_MOVED = 0.02
"""A sheet is made again where the line voltage has moved by more than this."""
NAMED = 3


@dataclass(frozen=True, eq=False, repr=False)
class Next(Printed):
    """The step to do now, what came of the last one, and those that follow."""

    job: Job
    sheet: Sheet | None
    step: Step | None
    results: tuple[tuple[Step, Outcome, str], ...] = ()
    left_out: tuple[str, ...] = ()
    then: str = ""
    first: str = ""

    json_keys = ("first", "sheet", "step", "results", "then", "left_out")

    @property
    def amp(self) -> Any:
        """The amp it is about; its dangers are shown first."""
        return self.sheet.amp if self.sheet else None

    @property
    def stopped(self) -> bool:
        """Whether the last result is to stop."""
        return any(result.go == STOP for _, result, _ in self.results)

    def headline(self) -> str:
        """Outcome, the worst first, then what to do."""
        good = [each for each in self.results if each[1].go in (GO, DONE)]
        rest = [each for each in self.results if each not in good]
        lines = [said(*each) for each in sorted(rest, key=lambda each: each[1].go != STOP)]
        if good:
            number = "" if len(good) == 1 else f"{len(good)} steps, the last: "
            lines.append(f"{number}{said(*good[-1])}")
        if self.stopped:
            return lines[0]
        if self.sheet is not None and self.step is None:
            return " ".join([*lines, f"{self.sheet.headline()} All its steps are done. Next: job next."])
        if self.sheet is None or self.step is None:
            temporary = [each.text for each in self.job.temporary]
            off = f" Take off first: {', '.join(temporary)}." if temporary else ""
            return " ".join([*lines, f"Every sheet is done. Next: job hand-back.{off}", *self.left_out])
        count = len(self.sheet.steps)
        now = f"{self.sheet.headline()} Step {self.step.number} of {count}: {self.step.sentence()}"
        return " ".join([*lines, *self.left_out, *filter(None, [self.first]), now])

    def tables(self) -> list[Table]:
        """The steps to come; after a stop what to measure next."""
        if self.stopped:
            return [Table("Measure next", headed(""), [(self.then,)])] if self.then else []
        if self.sheet is None or self.step is None:
            return []
        first, steps = self.sheet.tables()
        here = self.step.number
        rows = [row for row, each in zip(steps.rows, self.sheet.steps, strict=True) if each.number >= here]
        done = results_of(self.job, self.sheet.entry)
        begun = any(each["place"] != MAINS_ROW for each in done.values())  # the line may be known before
        return [*([] if begun else [first]), replace(steps, rows=rows, title="Steps to come")]


def said(step: Step, outcome: Outcome, likely: str) -> str:
    """What a result means, in words."""
    because = f" Likely cause: {likely}." if likely else ""
    if outcome.go == STOP:
        return f"{HALT}. Step {step.number}: {outcome.why}.{because}"
    return f"{outcome.go}: {outcome.why}.{because}"


def sheet_of(entry: Entry, job: Job) -> Sheet:
    """A sheet as it was made: what was to be expected before the power was on."""
    steps = tuple(Step(**each) for each in entry["steps"] or ())
    amp = job.amp_at(entry.number).changed({}, mains_rms=entry["line_v"] or None)
    amp = replace(amp, title=entry["title"] or amp.title)
    return Sheet(
        amp, entry["name"], tuple(entry["before"] or ()), steps, entry["line_v"], entry["note"], entry.number
    )


def results_of(job: Job, sheet: int) -> dict[int, Entry]:
    """The last result of each step of a sheet, by the number of the sheet's entry."""
    return {each["step"]: each for each in job.of_kind("step") if each["sheet"] == sheet}


def _todo(job: Job, sheet: Sheet) -> Step | None:
    numbers = open_steps(job, sheet.entry, [each.number for each in sheet.steps])
    return sheet.step(numbers[0]) if numbers else None


def open_steps(job: Job, sheet: int, numbers: Sequence[int]) -> list[int]:
    """Steps of a sheet that are to be done: without a result, or stopped at."""
    done = results_of(job, sheet)
    return [each for each in numbers if each not in done or done[each]["go"] == STOP]


def _open_of(job: Job, entry: Entry) -> list[int]:
    return open_steps(job, entry.number, [each["number"] for each in entry["steps"] or ()])


def valid(job: Job, name: str) -> Entry | None:
    """The sheet of that name that holds for the amp as it is now, and for its line voltage while it is not
    done.
    """
    for each in reversed(job.of_kind("sheet")):
        if each["name"] == name and each.number > job.changed_in:
            line = job.line_v
            moved = line is not None and abs(each["line_v"] / line - 1.0) > LINE_MOVED
            return None if moved and _open_of(job, each) else each
    return None


def _in_order(job: Job) -> list[str]:
    """The sheets of a job; of the two ways to bring it up the one that was begun."""
    begun = next((way for way in POWER_UP if valid(job, way) is not None), POWER_UP[0])
    return [each for each in TITLES if each == begun or each not in POWER_UP]


def unfinished(job: Job) -> Iterator[tuple[str, str]]:
    """Sheets that are not done for the amp as it is now, with 'not begun' or '3 steps open'."""
    for name in _in_order(job):
        entry = valid(job, name)
        count = len(_open_of(job, entry)) if entry is not None else 0
        if entry is None or count:
            yield name, f"{count} step{'s' * (count > 1)} open" if count else "not begun"


def current(job: Job, name: str = "", by: str = "") -> tuple[Job, Sheet | None, list[str]]:
    """The sheet that is worked on, made and entered where there is none yet; what this amp has no use for.

    Raises
    ------
    JobError : no sheet of that name, or none for this amp.
    """
    left_out: list[str] = []
    if name and name not in TITLES:
        raise JobError(
            f"there is no sheet '{name}'", where=str(job.folder), fix=f"Choose one of {', '.join(TITLES)}"
        )
    for each in [name] if name else _in_order(job):
        entry = valid(job, each)
        if entry is None:
            made = _made(job, each)
            if isinstance(made, Missing):
                if name:
                    raise JobError(made.why, where=str(job.folder), part=each)
                left_out.append(f"No sheet '{each}' for this amp: {made.why}")
            says = _entered(made)
            entry = add(job, "sheet", says, {"by": by}).entry
            job = _line_known(open_job(job.folder), entry, by)
        sheet = sheet_of(entry, job)
        if name or _todo(job, sheet) is not None:
            return job, sheet, left_out
    return job, None, left_out


def _made(job: Job, name: str) -> Sheet | Missing:
    """The sheet for this very amp, as far as readings have it."""
    found = job.twin
    if found is None:
        return usable(job.this_amp, name)
    return usable(job.this_amp, name, job.good_amp, partial(found.ranges, job.good_amp))


def _line_known(job: Job, entry: Entry, by: str) -> Job:
    """The line voltage that was just read, which a sheet was made for, is not asked for again."""
    sheet = sheet_of(entry, job)
    step = next((each for each in sheet.steps if each.place == MAINS_ROW), None)
    if step is None or job.line_v is None or job.line_read_in <= job.changed_in:
        return job
    _result(job, sheet, step, outcome(step, job.line_v), "", by, "")
    return open_job(job.folder)


def _entered(made: Sheet | Missing) -> dict[str, Any]:
    if isinstance(made, Missing):
        return {"name": made.name, "note": made.why}
    steps = [each.to_table() for each in made.steps]
    return {
        "name": made.name,
        "title": made.amp.title,
        "line_v": made.line_v,
        "before": list(made.before),
        "steps": steps,
        "note": made.note,
    }


def next_step(
    folder: str | Path,
    values: Sequence[str] = (),
    *,
    sheet: str = "",
    file: str = "",
    by: str = "",
    text: str = "",
) -> Next:
    """Give the next step to do and measure; with a value, what it means.

    Parameters
    ----------
    folder
        The folder of the job.
    values
        For the step that is next: a number, 'ok', or 'no'; '7=18.2' for step 7.
    sheet
        'up' or 'lamp', 'idle', 'drive', 'hum', 'hand-back' (default: the first that is not done).
    file
        A list of readings for all steps it has places of, or a recording (seconds, value) for the next step.
    by, text
        Who, and a note to the result.

    Returns
    -------
    Next
        Results of what was given, and the step to do now.

    Raises
    ------
    JobError
        No such sheet or step.
    ReadingError
        A value that is none of the step's.
    """
    job, now, left_out = current(open_job(folder), sheet, by)
    results: list[tuple[Step, Outcome, str]] = []
    then, kept = "", enclose(folder, Path(file)) if file and now is not None else ""
    for step_of in _given(file, together(values)) if now is not None else ():
        job, now, left_out = current(job, sheet, by)
        given = step_of(job, now) if now is not None else []
        if given and now is not None:
            likely, then = _enter(job, now, given, by, text, kept)
            results += [(step, result, likely.get(step.number, "")) for step, result in given]
            job = open_job(folder)
        if any(result.go == STOP for _, result, _ in results):
            return Next(job, now, None, tuple(results), (), then)
    if (values or file) and not results:
        raise JobError("this sheet has no such step", where=str(folder), fix="See its steps: job next --all")
    job, now, left_out = current(job, sheet, by)
    step = _todo(job, now) if now else None
    first = _before_power(job, now) if now else ""
    return Next(job, now, step, tuple(results), tuple(left_out), first=first)


def _before_power(job: Job, sheet: Sheet) -> str:
    """What is to be done before the amp gets power: a lamp out of the line, a part in that was decided about,
    or the part found that readings are out of range by.
    """
    lamps = ", ".join(f"{each.text} (entry {each.number})" for each in job.lamps)
    numbers = ", ".join(str(each.number) for each in job.lamps)
    out = (
        f"In the line now: {lamps}. All values of this sheet are without it: take it out first, then job off "
        f"{numbers}." if lamps and sheet.name != POWER_UP[1] else ""
    )  # fmt: skip
    return " ".join(filter(None, (_leave_off(job, sheet), out)))


def _leave_off(job: Job, sheet: Sheet) -> str:
    """Why the amp is not to be switched on yet; '' once a step of its first power-up was done."""
    if sheet.name not in POWER_UP or results_of(job, sheet.entry):
        return ""
    readings = job.readings()
    judged = judge(readings) if readings is not None and readings.readings else None
    if judged is not None and judged.fine:
        return ""
    wrong = sum(verdict.word == WRONG for verdict in judged.verdicts) if judged else 0
    count = f" Out of range: {wrong} of {len(judged.verdicts)} readings." if judged and wrong else ""
    waiting = list(dict.fromkeys(name.partition(".")[0] for name in job.decided("to buy", "in stock")))
    if waiting:
        names, several = ", ".join(waiting), len(waiting) > 1
        verb, first = ("are", "them") if several else ("is", "it")
        do = f"fit {first} first, then job fit {' '.join(waiting)}."
        return f"Leave it off. {names} {verb} decided but not in: {do}{count} Then:"
    if judged is None:
        return ""
    return f"Leave it off.{count} Find the part first: suspects {job.folder}. Then:"


_Given = Callable[[Job, Sheet], list[tuple[Step, Outcome]]]


def _given(file: str, values: Sequence[str]) -> list[_Given]:
    """What was typed or read from a file, to be put to the sheet as it then is."""
    result: list[_Given] = []
    if file:
        result.append(partial(_listed if is_list(file) else _recorded, file))
    return [*result, *(partial(_typed, word) for word in values)]


def _listed(file: str, job: Job, sheet: Sheet) -> list[tuple[Step, Outcome]]:
    """Every step that a list of readings has a value for."""
    taken = load_readings(rows_of_file(file), job.amp_at(job.last + 1))
    read = {str(each.probe): each.value for each in taken.readings}
    line = None if taken.mains_accuracy is None else float(taken.amp.mains_rms)
    values = [
        (step, line if step.place == MAINS_ROW else read.get(_probe_words(step, job)))
        for step in sheet.steps if step.place
    ]  # fmt: skip
    return [(step, outcome(step, value)) for step, value in values if value is not None]


def _recorded(file: str, job: Job, sheet: Sheet) -> list[tuple[Step, Outcome]]:
    step = _todo(job, sheet) or sheet.steps[-1]
    return [(step, recorded(step, file))]


def _typed(word: str, job: Job, sheet: Sheet) -> list[tuple[Step, Outcome]]:
    place, equals, value = word.partition("=")
    if not equals:
        step = _todo(job, sheet)
    elif place.isdigit():
        step = _numbered(sheet, place, job)
    else:
        step = _at_place(sheet, place, job)
    if step is None:
        raise JobError("more values than steps", where=str(job.folder), fix="See the steps: job next --all")
    return [(step, typed(step, value if equals else word))]


def _at_place(sheet: Sheet, place: str, job: Job) -> Step:
    """The step of a place, the first that is to be done where there are several."""
    named = Step(0, "", LINE_PLACES.get(place.lower(), place), QUANTITIES["dc_v"].words)
    probe = _probe_words(named, job)
    done = results_of(job, sheet.entry)
    found = [
        each for each in sheet.steps
        if named.place.lower() in (each.place.lower(), each.place.partition(" ")[0].lower())
        or (probe and probe == _probe_words(replace(each, place=_node(each)), job))
    ]  # fmt: skip
    if not found:
        raise JobError(
            f"no step of this sheet is at '{place}'", where=str(job.folder),
            fix=f"Enter it as a reading: job read {place}=VALUE. Steps are at: "
            f"{', '.join(dict.fromkeys(each.place for each in sheet.steps if each.place))}",
        )  # fmt: skip
    return next((each for each in found if each.number not in done), found[-1])


def _node(step: Step) -> str:
    """Where the meter is, without the words for the state of the amp: 'k34' of 'k34 under drive'."""
    return step.place if " to " in step.place else step.place.partition(" ")[0]


def _numbered(sheet: Sheet, number: str, job: Job) -> Step:
    try:
        return sheet.step(int(number))
    except (KeyError, ValueError):
        fix = f"Steps 1 to {len(sheet.steps)}"
        raise JobError(f"there is no step '{number}'", where=str(job.folder), fix=fix) from None


def _probe_words(step: Step, job: Job) -> str:
    """The reading of a step as a list of readings names it; '' where a list has no such place."""
    row = {"place": step.place, "quantity": step.reading, "value": "1"}
    try:
        (reading,) = load_readings([row], job.drawn).readings
    except (TubekitError, ValueError):
        return ""
    return str(reading.probe)


def _enter(
    job: Job, sheet: Sheet, given: Sequence[tuple[Step, Outcome]], by: str, text: str, file: str
) -> tuple[dict[int, str], str]:
    """The results as entries, readings at idle as readings too; what the worst is likely because of, by its
    step, and the reading that would show which.
    """
    rows = [
        {"place": step.place, "quantity": step.reading, "value": repr(outcome.value)}
        for step, outcome in given
        if sheet.name == "idle" and outcome.value is not None
        and not (step.place == MAINS_ROW and outcome.go == STOP)  # no line voltage to calculate with
    ]  # fmt: skip
    if rows:
        load_readings(rows, job.amp)
        add(job, "readings", {"state": job.state, "file": file, "rows": rows}, {"by": by})
        job = open_job(job.folder)
    worst, result = min(given, key=lambda each: (each[1].go != STOP, not _wrong(*each)))
    likely, then = _likely(job, sheet, worst, result)
    for step, each in given:
        _result(job, sheet, step, each, likely if step is worst else "", by, text, file)
    return ({worst.number: likely} if likely else {}), then


def _result(
    job: Job, sheet: Sheet, step: Step, outcome: Outcome, likely: str, by: str, text: str, file: str = ""
) -> None:
    says = {
        "sheet": sheet.entry, "name": sheet.name, "step": step.number, "place": step.place,
        "value": "" if outcome.value is None else repr(outcome.value), "go": outcome.go,
        "text": "; ".join(part for part in (outcome.why, text) if part), "likely": likely, "file": file,
    }  # fmt: skip
    add(job, "step", says, {"by": by})


def _likely(job: Job, sheet: Sheet, step: Step, outcome: Outcome) -> tuple[str, str]:
    """What would explain it: the suspects of all readings at idle, and what to measure to tell them apart;
    else what practice says of such a step.
    """
    if outcome.value is None or not _wrong(step, outcome):
        return "", ""
    readings = job.readings() if sheet.name == "idle" and step.place != MAINS_ROW else None
    if readings is not None and readings.readings:
        try:
            answer = suspects(readings)
        except TubekitError:
            return step.usual(outcome.value), ""
        if answer.suspects:
            hand = next(iter(answer.by_hand), "")
            following = answer.following[0].sentence() if answer.following else hand
            words = ", or ".join(each.words for each in answer.suspects[:NAMED])
            return words, following
    return step.usual(outcome.value), ""


def _wrong(step: Step, outcome: Outcome) -> bool:
    if outcome.go == STOP or outcome.value is None:
        return outcome.go == STOP
    if step.low is None or step.expect is None or step.high is None:
        return False
    low, high = wrong_beyond(step.low, step.expect, step.high)
    return not low <= outcome.value <= high


def bench_rows(job: Job) -> Table:
    """Every step of the sheets that hold now, with its result, to tick."""
    rows = []
    for name in TITLES:
        entry = valid(job, name)
        if entry is not None:
            done = results_of(job, entry.number)
            for step in sheet_of(entry, job).steps:
                result = done.get(step.number)
                shown = step.said(float(result["value"])) if result is not None and result["value"] else ""
                rows.append((name, str(step.number), step.do, step.expected, step.within, step.limits, shown,
                             result["go"] if result is not None else "☐"))  # fmt: skip
    heads = headed("sheet", "step", "do", "expect [] >", "within [] >", "stop", "read [] >", "done")
    return Table("Steps", heads, rows)
