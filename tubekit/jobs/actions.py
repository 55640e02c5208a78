"""What is done to a job: each adds one entry and answers in a few lines."""

from __future__ import annotations

import getpass
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tubekit.amp import Amp, load_amp
from tubekit.bench.amp_fit import LEAST
from tubekit.bench.chassis_diff import chassis_diff
from tubekit.bench.orders import OrderList, order_list
from tubekit.bench.readings import load_readings
from tubekit.decisions.judge import WRONG, Judgement, Verdict, judge
from tubekit.decisions.power_tubes import PowerVerdict, power_table, too_hot
from tubekit.errors import ChangeError, near_matches
from tubekit.files import writable
from tubekit.jobs.job import KEEP, Job, open_job, said_of
from tubekit.jobs.journal import ENCLOSED, Entry, JobError, append, enclose, fingerprint, home_of
from tubekit.jobs.words import rows_of_file, rows_typed
from tubekit.text import Printed, Table, headed

AUTHOR = "TUBEKIT_BY"
"""Environment variable with the name that entries are signed with."""


@dataclass(frozen=True, eq=False, repr=False)
class Entered(Printed):
    """An entry that was made, with the verdicts on its readings and what to do now."""

    entry: Entry
    verdicts: tuple[Verdict, ...] = ()
    then: str = ""
    amp: Amp | None = None
    power: tuple[PowerVerdict, ...] = ()

    json_keys = ("number=entry.number", "kind=entry.kind", "says=entry.says", "verdicts", "then")

    def headline(self) -> str:
        """Words for what was entered."""
        text = f"Entry {self.entry.number}, {self.entry.kind}: {said_of(self.entry)}"
        wrong = sum(each.word == WRONG for each in self.verdicts)
        count = f"{wrong} of {len(self.verdicts)} out of range" if wrong else "All in range"
        verdict = f" {count}." if self.verdicts else ""
        return " ".join(filter(None, (f"{text}.{verdict}", too_hot(self.power), self.then)))

    def tables(self) -> list[Table]:
        """Each reading with its normal range."""
        rows = [
            (v.reading.probe.words(self.amp), v.reading.describe(), v.word,
             *(v.reading.probe.format(x) for x in (v.low, v.typical, v.high)))
            for v in self.verdicts
        ]  # fmt: skip
        heads = headed(
            "reading", "you read [] >", "verdict", "normal low [] >", "typical [] >", "normal high [] >"
        )
        tables = [Table("Readings", heads, rows)] if rows else []
        return [*tables, *([power_table(self.power)] if self.power else [])]


def author(job: Job | None = None) -> str:
    """Who signs: the name in TUBEKIT_BY, the one who began the job, or the name on this computer."""
    return os.environ.get(AUTHOR) or (job.first.by if job else "") or getpass.getuser()


def new_job(
    folder: str | Path, amp: Amp, *, by: str = "", owner: str = "", complaint: str = "", last_visit: str = ""
) -> Entered:
    """Begin a job in a folder that has none; the folder is made where it is missing.

    Parameters
    ----------
    folder
        Where the job is kept.
    amp
        As drawn; its file is enclosed.
    by, owner, complaint
        Who takes it in, whose it is, what is wrong with it.
    last_visit
        Folder of the job of its last visit.

    Returns
    -------
    Entered
        The first entry.

    Raises
    ------
    JobError
        There is a job in this folder, or no job in that of the last visit.
    """
    folder = writable(folder)
    enclosed = home_of(folder)
    says: dict[str, Any] = {"title": amp.title, "amp": "drawn.toml", "owner": owner, "complaint": complaint}
    if last_visit:
        open_job(last_visit)
        says["last_visit"] = Path(os.path.relpath(last_visit, folder)).as_posix()
    drawn = enclosed / "drawn.toml"
    if not drawn.exists():
        amp.save_as(drawn)
    says = {key: value for key, value in says.items() if value}
    return Entered(append(folder, "new", by or author(), says, new=True), then="Next: job next.")


def found_so(folder: str | Path, changes: Mapping[str, object], *, file: str = "", **more: Any) -> Entered:
    """The amp as found, where it differs from its schematic: by an amp file, by changes, or both."""
    job = open_job(folder)
    says: dict[str, Any] = {}
    if file:
        amp = load_amp(file)
        home = Path(folder) / ENCLOSED / "found.toml"
        if home.exists():
            raise JobError("this job already has the amp as found", where=str(folder),
                           fix="Enter only the differences, as PART=VALUE")  # fmt: skip
        listed = "; ".join(each.text for each in chassis_diff(amp, job.drawn).differences)
        amp.save_as(home)
        says |= {"amp": home.name, "why": listed or "same as the schematic"}
    made = job.changes(changes) if not file else dict(changes)
    return add(job, "found", says | {"changes": {key: str(value) for key, value in made.items()}}, more)


def read(folder: str | Path, words: Sequence[str], *, file: str = "", **more: Any) -> Entered:
    """Readings, typed or from a list as `judge` reads it, with the verdict on each.

    Parameters
    ----------
    folder
        The folder of the job.
    words
        PLACE=VALUE, like V3.k=5.7, B1=334, V3=34mA, R14=281, line=121.
    file
        A list of readings; it is enclosed.
    more
        by, hours, text, state (default: what was last done to the amp).

    Returns
    -------
    Entered
        The entry, each reading against its normal range.

    Raises
    ------
    ReadingError
        Anything that could be misread, or that no amp can show; nothing is entered.
    """
    job = open_job(folder)
    rows = [*(rows_of_file(file) if file else ()), *rows_typed(words, job.amp)]
    if not rows:
        raise JobError("nothing was read", where=str(folder), fix="Type PLACE=VALUE, like V3.k=5.7")
    return enter_rows(job, rows, file=file, **more)


def enter_rows(job: Job, rows: Sequence[Mapping[str, str]], *, file: str = "", **more: Any) -> Entered:
    """Rows of readings into a job, checked as any list is."""
    amp = job.amp
    plain = [dict(row) for row in rows]
    load_readings(plain, amp)  # refuses what cannot be, before anything is entered
    says: dict[str, Any] = {"state": more.pop("state", "") or job.state}
    if file:
        says["file"] = enclose(job.folder, Path(file))
    done = add(job, "readings", says | {"rows": plain}, more)
    readings = open_job(job.folder).readings()
    if readings is None or not readings.readings:
        return done
    taken = {(r.probe.quantity, r.probe.place) for r in load_readings(plain, amp).readings}
    judged = judge(readings)
    own = tuple(v for v in judged.verdicts if (v.reading.probe.quantity, v.reading.probe.place) in taken)
    return Entered(done.entry, own, _then(judged, job.folder), amp, judged.power)


def _then(judged: Judgement, folder: Path) -> str:
    """What to do after readings: look for the part, or fit the amp to them."""
    if not judged.fine:
        return f"Next: suspects {folder} names the part and what to read next."
    if len(judged.readings.readings) < LEAST:
        return ""
    return "job twin fits the amp to its readings; swap, drive and the others take this folder for the amp."


def decide(folder: str | Path, changes: Mapping[str, object], why: str, **more: Any) -> Entered:
    """A decision about parts: a new value, 'new' for the drawn value, or 'keep'; with the reason.

    Raises
    ------
    JobError : no part, or no reason.
    """
    job = open_job(folder)
    if not changes or not why:
        raise JobError(
            "a decision needs a part and a reason", where=str(folder),
            fix='Type: job decide C14=new "dried out", or R5=keep "within 10 %"',
        )  # fmt: skip
    return add(job, "decide", {"changes": job.changes(changes), "why": why}, more)


def fit(folder: str | Path, parts: Sequence[str], changes: Mapping[str, object], **more: Any) -> Entered:
    """Parts that were fitted: by value, or by name alone as they were decided.

    Raises
    ------
    JobError : a part without a value about which nothing was decided.
    """
    job = open_job(folder)
    decided = job.decided("to buy", "in stock")
    made = job.changes(changes)
    for part in parts:
        own = {name: value for name, value in decided.items() if name.partition(".")[0] == part}
        if not own:
            raise JobError(
                "nothing was decided about this part", where=str(folder), part=part,
                fix=f"Type its value, like {part}=330, or {part}=new", near=near_matches(part, decided),
            )  # fmt: skip
        made |= own
    made = {name: value for name, value in made.items() if value != KEEP}
    if not made:
        raise JobError("no part is named", where=str(folder), fix="Type: job fit C14 R14=330")
    try:
        used = [_bought(each) for each in order_list(job.amp, made).orders]
    except ChangeError:  # a control was set: nothing was used
        used = []
    says = {"changes": made, "parts": used}
    none = "" if job.of_kind("readings") else "There are no readings as found: hand-back will ask why. "
    return add(job, "fit", says, more, then=f"{none}Bring the amp up again before you go on: job next.")


def to_buy(job: Job) -> OrderList:
    """The order list: parts that were decided on, not fitted and not in stock.

    Raises
    ------
    JobError : nothing needs to be bought.
    """
    wanted = job.decided("to buy")
    if not wanted:
        raise JobError("nothing needs to be bought", where=str(job.folder), fix="Decide on a part first")
    return order_list(job.amp, wanted)


def have(folder: str | Path, parts: Sequence[str], **more: Any) -> Entered:
    """Parts that were decided on and are in the drawer, or have come."""
    job = open_job(folder)
    open_parts = {name.partition(".")[0] for name in job.decided("to buy", "in stock")}
    strange = next((part for part in parts if part not in open_parts), "")
    if strange or not parts:
        raise JobError(
            "nothing was decided about this part" if strange else "no part is named", where=str(folder),
            part=strange, fix='First type: job decide C14=new "dried out"',
            near=near_matches(strange, open_parts),
        )  # fmt: skip
    return add(job, "have", {"parts": list(parts)}, more)


def note(folder: str | Path, text: str, **more: Any) -> Entered:
    """A note, or hours alone."""
    if not text and not more.get("hours"):
        raise JobError("there is nothing to note", where=str(folder), fix="Type the note in quotation marks")
    return add(open_job(folder), "note", {"text": text}, more)


def photo(folder: str | Path, file: str, text: str = "", **more: Any) -> Entered:
    """A photo, copied into the job."""
    job = open_job(folder)
    name = enclose(job.folder, Path(file))
    says = {"file": name, "sha256": fingerprint(job.folder / ENCLOSED / name), "text": text}
    return add(job, "photo", says, more)


def put_on(folder: str | Path, text: str, **more: Any) -> Entered:
    """Something fitted for the time of the job: a jumper, a lamp, a lifted lead; hand-back waits for it."""
    if not text:
        raise JobError(
            "there is nothing to enter",
            where=str(folder),
            fix='For something you put in for now, type: job temp "lamp in the line"',
        )
    job = open_job(folder)
    return add(job, "temporary", {"text": text}, more, then="The amp cannot be handed back until it is off.")


def take_off(folder: str | Path, which: str, **more: Any) -> Entered:
    """Something fitted for the time of the job is off again, by a word of it or its number.

    Raises
    ------
    JobError : none, or more than one, of what is fitted is meant.
    """
    job = open_job(folder)
    meant = [
        each for each in job.temporary
        if which.lower() in each.text.lower() or which == str(each.number)
    ]  # fmt: skip
    if len(meant) != 1 or not which:
        listed = ", ".join(f"{each.number} {each.text}" for each in job.temporary) or "nothing"
        raise JobError(
            "more than one item matches" if len(meant) > 1 else "no temporary item matches this",
            where=str(folder), part=which, fix=f"Installed now: {listed}. Type the number of one",
        )  # fmt: skip
    return add(job, "off", {"of": meant[0].number, "text": meant[0].text}, more)


def correct(folder: str | Path, number: int, why: str, **more: Any) -> Entered:
    """Withdraw an entry; it stays in the file, and what is right is entered again.

    Raises
    ------
    JobError : no such entry, the first one, or no reason.
    """
    job = open_job(folder)
    if number not in {each.number for each in job.entries[1:]} or not why:
        raise JobError(
            "no reason is given" if not why else "this entry cannot be withdrawn", where=str(folder),
            part=f"entry {number}", fix='Type: job correct 7 "typed 18.9, the meter said 16.9"',
        )  # fmt: skip
    return add(job, "correct", {"of": number, "why": why}, more, then="Now enter the correct value.")


def add(job: Job, kind: str, says: Mapping[str, Any], more: Mapping[str, Any], then: str = "") -> Entered:
    """One entry, signed; empty values are left out."""
    extra = {key: more[key] for key in ("hours", "text") if more.get(key)}
    by = str(more.get("by") or author(job))
    text = {key: value for key, value in {**says, **extra}.items() if value or key == "changes"}
    return Entered(append(job.folder, kind, by, text), then=then)


def _bought(order: Any) -> str:
    """A part as it is bought: 'C14 electrolytic capacitor 22u 475 V'."""
    return " ".join(word for word in (order.part, order.what, order.value, order.rating) if word)
