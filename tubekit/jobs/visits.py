"""Hand-back, and what the amp reads now against its last visit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.bench.amp_fit import LEAST
from tubekit.bench.readings import load_readings
from tubekit.bench.twin import SHOWN, Estimate, change_since, twin
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import Probe, meter_values
from tubekit.decisions.reading import Readings
from tubekit.jobs.actions import Entered, author
from tubekit.jobs.job import BY_ITSELF, LAMPS, MAINS_ROW, Fitted, Job, open_job
from tubekit.jobs.journal import Entry, JobError, Journal, append
from tubekit.jobs.progress import unfinished
from tubekit.jobs.steps import TITLES
from tubekit.text import Printed, Table, quantity

REMOVE = (
    (LAMPS, "Take it out of the line, and bring the amp up again without it"),
    (("fuse",), "Install the fuse shown on the schematic"),
    (("lead", "lifted", "wire"), "Unplug, discharge, check with a meter, and solder it back"),
    (("speaker", "load", "dummy"), "Connect the amp's own speaker"),
    (("jumper", "clip", "short"), "Unplug, discharge, check with a meter, and take it off"),
)
"""What to do about something fitted for the time of the job, by words in its name."""
NO_DANGER = ("hum",)
"""Sheets without which a job can be closed."""
FAR = 0.10
"""A reading that has moved by more than this since the last visit comes first (common practice)."""


def hand_back(folder: str | Path, text: str = "", *, by: str = "", reason: str = "") -> Entered:
    """Close the job; refused while anything fitted for the time of the job is still on the amp, and without
    a reason while it is not measured and checked.

    Parameters
    ----------
    folder
        The folder of the job.
    text
        A last note.
    by
        Who hands it back.
    reason
        Why it is handed back with work left open; the owner's page has it.

    Returns
    -------
    Entered
        The closing entry.

    Raises
    ------
    JobError
        Something has to come off, or be measured or checked first; the message says what and how.
    """
    job = open_job(folder)
    says: dict[str, Any] = {"text": text or "handed back", "line_v": job.line_v or 0.0}
    if job.hours:
        says["hours_in_all"] = job.hours
    if reason and (still := [what for what, _ in still_open(job)]):
        says |= {"reason": reason, "open": still}
    unless = partial(_refused, reason)
    return Entered(append(job.folder, "hand-back", by or author(job), says, unless=unless), then=_left(job))


def still_open(job: Job) -> Iterator[tuple[str, str]]:
    """What is not measured or not checked on the amp as it is now, and the command that mends it ('' where
    none can).
    """
    for each in job.stopped:
        yield (
            f"the last result of a step is STOP ({each['text']})",
            f"find the cause, then job next {each['name']}",
        )
    if job.of_kind("fit") and not _under_power(_before_fit(job)):
        yield "no readings as found", ""
    if not _under_power([each for each in job.of_kind("readings") if each.number > job.changed_in]):
        yield "no readings of the amp as it is now", "job next idle"
    for name, far in unfinished(job):
        if name not in NO_DANGER:
            yield f"{TITLES[name]}: {far}", f"job next {name}"


def _under_power(entries: Sequence[Entry]) -> bool:
    """Whether anything was read with the power on, apart from the line voltage."""
    rows = (row for each in entries for row in each["rows"])
    return any(row["place"] != MAINS_ROW and row["quantity"] not in BY_ITSELF for row in rows)


def _refused(reason: str, journal: Journal) -> None:
    """Called while no other program can write, so that nothing is put on in between."""
    job = Job(journal)
    where = str(job.folder)
    if job.handed_back:
        raise JobError("it was already handed back", where=where, fix="Start a new job for its next visit")
    if job.temporary:
        one, *others = job.temporary
        more = f"; after that: {', '.join(each.text for each in others)}" if others else ""
        raise JobError(
            f"still installed since {one.day}: {one.text}", where=where,
            fix=f"{to_remove(one)}, then enter job off {one.number}{more}",
        )  # fmt: skip
    missing = list(still_open(job))
    if missing and not reason:
        do = "; ".join(dict.fromkeys(command for _, command in missing if command))
        why = 'To hand it back so, say why: job hand-back --reason "owner declined the repair"'
        raise JobError(
            f"not ready for pickup: {'; '.join(what for what, _ in missing)}", where=where,
            fix=f"{f'Do first: {do}. ' if do else ''}{why}",
        )  # fmt: skip


def to_remove(one: Fitted) -> str:
    """Say what to do about it.

    Examples
    --------
    >>> to_remove(Fitted(4, "", "", "60 W lamp in the line"))
    'Take it out of the line, and bring the amp up again without it'
    """
    words = one.text.lower()
    return next((do for names, do in REMOVE if any(name in words for name in names)), "Take it off")


def _left(job: Job) -> str:
    open_parts = job.decided("to buy", "in stock")
    text = f"Decided but not installed: {', '.join(open_parts)}. " if open_parts else ""
    count = len(job.rows())
    keep = "no readings were taken before pickup, so the next visit has nothing to compare with"
    kept = f"{count} readings are the baseline for the next visit" if count else keep
    return f"{text}{kept[0].upper()}{kept[1:]}."


@dataclass(frozen=True)
class Moved:
    """One reading at the last visit and now, the line voltage of each visit allowed for."""

    probe: Probe
    then: float = quantity("", "", "reading when the amp left the shop")
    now: float = quantity("", "", "reading as found")
    moved: float = quantity("", "", "change apart from that of the line voltage", share=True, format="+.1f")
    beyond: bool = False
    reading: str = ""

    @property
    def left_with(self) -> str:
        """The reading when it left, as a meter shows it."""
        return self.probe.format(self.then)

    @property
    def reads_now(self) -> str:
        """The reading as found."""
        return self.probe.format(self.now)

    @property
    def verdict(self) -> str:
        """Whether it moved by more than both meters may be off."""
        return ("MOVED" if abs(self.moved) > FAR else "moved") if self.beyond else "same as before"


@dataclass(frozen=True, eq=False, repr=False)
class Comparison(Printed):
    """An amp as found, against the readings it left with."""

    amp: Amp
    since: str
    rows: tuple[Moved, ...]
    then_line_v: float = quantity("V RMS", "V", "line voltage then")
    now_line_v: float = quantity("V RMS", "V", "line voltage now")
    changed: tuple[Estimate, ...] = ()

    def headline(self) -> str:
        """Number of readings that have changed, and since when."""
        moved = [each for each in self.rows if each.beyond]
        count = (
            (f"{len(moved)} of {len(self.rows)} readings have changed") if moved else "no reading has changed"
        )
        parts = "".join(f" {_change_words(each)}." for each in self.changed[:SHOWN])
        return f"{self.amp.title}: since it left on {self.since}, {count}.{parts}"

    def tables(self) -> list[Table]:
        """Readings, those that changed most first."""
        rows = sorted(self.rows, key=lambda each: (not each.beyond, -abs(each.moved)))
        volts = f"Line voltage {self.then_line_v:.0f} V then, {self.now_line_v:.0f} V now"
        note = f"{volts}; the comparison corrects for that."
        fields = ("reading", "left with=left_with", "reads now=reads_now", "moved", "verdict")
        return [Table.of("Since the last visit", rows, *fields, note=note)]


def _change_words(one: Estimate) -> str:
    """'V5 emission has fallen by 8 ± 3 %'."""
    moved, half = one.value - 100.0, 0.5 * (one.high - one.low)
    return f"{one.words} has {'risen' if moved > 0 else 'fallen'} by {abs(moved):.0f} ± {half:.0f} %"


def compare(job: Job) -> Comparison:
    """The readings of an amp as found, against those it left with at its last visit.

    Parameters
    ----------
    job
        Begun with a last visit.

    Returns
    -------
    Comparison
        Each reading taken at both visits.

    Raises
    ------
    JobError
        No last visit, or no reading was taken at both.
    """
    if not job.first["last_visit"]:
        raise JobError(
            "no last visit is named", where=str(job.folder), fix="Start it with job new … --last-visit FOLDER"
        )
    last = open_job(job.folder / job.first["last_visit"])
    then, now = last.readings(), as_found(job)
    before = {old.probe: old for old in (then.readings if then else ()) if old.value}
    pairs = [(before[new.probe], new) for new in (now.readings if now else ()) if new.probe in before]
    if then is None or now is None or not pairs:
        raise JobError("no reading was taken at both visits", where=str(job.folder),
                       fix="Measure the same places as at the last visit")  # fmt: skip
    probes = [old.probe for old, _ in pairs]
    ratio = _usual(now.amp, probes) / _usual(then.amp, probes)
    rows = []
    for (old, new), factor in zip(pairs, ratio, strict=True):
        expected = old.value * (factor if np.isfinite(factor) else 1.0)
        slack = new.uncertainty + old.uncertainty
        rows.append(
            Moved(old.probe, old.value, new.value, float(new.value / expected - 1.0),
                  bool(abs(new.value - expected) > slack), new.probe.words(now.amp))
        )  # fmt: skip
    closing = last.of_kind("hand-back")
    since = (closing or last.entries)[-1].date.date().isoformat()
    lines = [float(each.amp.mains_rms) for each in (then, now)]
    changed = change_since(twin(then), now) if len(pairs) >= LEAST else ()
    return Comparison(now.amp, since, tuple(rows), lines[0], lines[1], changed)


def as_found(job: Job) -> Readings | None:
    """Readings taken before anything was fitted; None where nothing was."""
    fits, rows = job.of_kind("fit"), job.merged(_before_fit(job))
    return load_readings(rows, job.amp_at(fits[0].number if fits else job.last + 1)) if rows else None


def _before_fit(job: Job) -> list[Entry]:
    fits = job.of_kind("fit")
    return [each for each in job.of_kind("readings") if not fits or each.number < fits[0].number]


def _usual(amp: Amp, probes: Sequence[Probe]) -> np.ndarray:
    return np.asarray(meter_values(amp, with_fault_ports(amp).circuit, probes).values[0])
