"""A job as its journal has it: the amp as it is now, readings, decisions, and what is still fitted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from tubekit.amp import Amp, load_amp
from tubekit.amp.batches import text_at
from tubekit.bench.amp_fit import LEAST
from tubekit.bench.orders import SET_NOT_BOUGHT
from tubekit.bench.places import plainly, probe_of, quantity_of
from tubekit.bench.readings import load_readings
from tubekit.bench.twin import Twin, twin
from tubekit.decisions.probe import QUANTITIES
from tubekit.decisions.reading import Readings
from tubekit.jobs.journal import ENCLOSED, Entry, JobError, Journal, read_journal
from tubekit.text import Printed, Table, headed

MAINS_ROW, LINE = "mains", "line"
KEEP, NEW = "keep", "new"
"""A part that is left as it is; one that is renewed with its drawn value."""
STOP = "STOP"
AS_FOUND = "as found"
CHANGES = ("found", "fit")
"""Kinds of entry after which the amp is another one."""
BY_ITSELF = tuple(QUANTITIES[code].words for code in ("ohms", "farads", "emission"))
SHOWN_ENTRIES = 6
LAMPS, INDICATORS = ("lamp", "limiter", "bulb"), ("pilot", "dial", "panel")
"""Words for a lamp in the line; with one of the others it is a lamp of the amp itself."""


@dataclass(frozen=True)
class Fitted:
    """Something that is on the amp for the time of the job only."""

    number: int
    day: str
    by: str
    text: str


@dataclass(frozen=True)
class Decision:
    """What was decided about a part, why, and how far it has come."""

    part: str
    value: str
    why: str
    day: str
    by: str
    state: str


@dataclass(frozen=True, eq=False, repr=False)
class Job(Printed):
    """One amp from the door to hand-back."""

    journal: Journal

    @property
    def folder(self) -> Path:
        """Folder that holds it."""
        return self.journal.folder

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """All entries but those that were withdrawn by a correction."""
        withdrawn = {each["of"] for each in self.journal.entries if each.kind == "correct"}
        return tuple(each for each in self.journal.entries if each.number not in withdrawn)

    def of_kind(self, *kinds: str) -> list[Entry]:
        """The entries of some kinds, in order."""
        return [each for each in self.entries if each.kind in kinds]

    @cached_property
    def first(self) -> Entry:
        """The entry that began the job."""
        result = self.of_kind("new")
        if not result:
            raise JobError("its first entry cannot be read", where=str(self.folder),
                           fix="Restore the file from a backup copy")  # fmt: skip
        return result[0]

    @cached_property
    def drawn(self) -> Amp:
        """The amp as drawn."""
        return _enclosed_amp(self.folder / ENCLOSED / self.first["amp"])

    @cached_property
    def changed_in(self) -> int:
        """Number of the entry that last changed the amp; 0 where none did."""
        return max((each.number for each in self.of_kind(*CHANGES)), default=0)

    def amp_at(self, number: int) -> Amp:
        """The amp as it was when an entry was made, at its design line voltage."""
        amp = self.drawn
        for each in self.of_kind(*CHANGES):
            if each.number < number:
                amp = _enclosed_amp(self.folder / ENCLOSED / each["amp"]) if each["amp"] else amp
                amp = amp.changed(dict(each["changes"] or {}))
        return amp

    @cached_property
    def line_read_in(self) -> int:
        """Number of the entry with the line voltage that was measured last; 0 where there is none."""
        lines = (each.number for each in self.of_kind("readings")
                 if any(row["place"] == MAINS_ROW for row in each["rows"]))  # fmt: skip
        return max(lines, default=0)

    @cached_property
    def line_v(self) -> float | None:
        """The line voltage that was measured last [V RMS]."""
        result = [each for each in self.of_kind("readings") if each.number == self.line_read_in]
        if not result:
            return None
        rows = [dict(row) for row in result[0]["rows"] if row["place"] == MAINS_ROW]
        return float(load_readings(rows, self.drawn).amp.mains_rms)

    @property
    def as_it_left(self) -> Amp:
        """The amp with all that was done to it, at its design line voltage."""
        return self.amp_at(self.last + 1)

    @cached_property
    def amp(self) -> Amp:
        """The amp as it is now, at the line voltage measured last."""
        return self.as_it_left.changed({}, mains_rms=self.line_v)

    @cached_property
    def matched_until(self) -> int:
        """Number of the entry before which the amp had the readings that it is matched to: what was done to
        it since is a change of that amp. 0 where there are too few readings.
        """
        for each in (None, *reversed(self.of_kind(*CHANGES))):
            if each is not None and each["amp"]:
                break  # what was read before may be of another circuit
            until = self.last + 1 if each is None else each.number
            readings = self.readings(until)
            if readings is not None and len(readings.readings) >= LEAST:
                return until
        return 0

    @cached_property
    def twin(self) -> Twin | None:
        """The amp matched to its readings; None where there are too few."""
        readings = self.readings(self.matched_until) if self.matched_until else None
        if readings is None:
            return None
        taken = [each for each in self.of_kind("readings") if each.number < self.matched_until]
        found = twin(readings, when=taken[-1].date.date().isoformat())
        # with a reading left out a part was bad: what was changed since may have been that one
        return None if found.misfits and self.matched_until <= self.last else found

    def matched(self) -> Twin:
        """The amp matched to its readings; JobError where there are too few readings."""
        if self.twin is None:
            raise JobError("there are too few readings to match this amp to", where=str(self.folder),
                           fix="Enter at least three: job read V3.k=5.7 B1=334 line=121")  # fmt: skip
        return replace(self.twin, amp=self.this_amp)

    @cached_property
    def this_amp(self) -> Amp:
        """The amp as its readings have it, with what was changed since; else by its schematic. Its title says
        which.
        """
        if self.twin is None:
            return replace(self.amp, title=f"{self.amp.title}, the amp as drawn ({self._not_matched})")
        amp = self._since(self.twin.amp)
        later = [each for each in self.of_kind(*CHANGES) if each.number >= self.matched_until]
        names = ", ".join(dict.fromkeys(name for each in later for name in parts_of(each)))
        return replace(amp, title=f"{amp.title}, {names} changed since") if names else amp

    @property
    def _not_matched(self) -> str:
        """Why the amp is taken as drawn."""
        count = len(self.rows())
        if count:
            return f"{count} reading{'s' * (count > 1)}, {LEAST} are needed"
        taken = self.of_kind("readings")
        before = len(self.merged(taken)) if taken else 0
        return f"no readings since the last change, {before} before it" if before else "no readings yet"

    @cached_property
    def good_amp(self) -> Amp:
        """A good amp of this schematic as it is now, with the parts whose values were measured."""
        return self.amp if self.twin is None else self._since(self.twin.readings.amp)

    def _since(self, amp: Amp) -> Amp:
        """An amp with what was done to it, and the line voltage that was read, after its readings."""
        for each in self.of_kind(*CHANGES):
            if each.number >= self.matched_until:
                amp = amp.changed(dict(each["changes"] or {}))
                amp = self.twin.without_currents(amp, parts_of(each)) if self.twin else amp
        return amp.changed({}, mains_rms=self.line_v if self.line_read_in >= self.matched_until else None)

    @property
    def last(self) -> int:
        """Number of the last entry; 0 where the first is being written."""
        return max((each.number for each in self.journal.entries), default=0)

    def rows(self, until: int = 0) -> list[dict[str, Any]]:
        """Rows of readings that hold for the amp as it was at an entry, or is now: the latest of each place
        since it was last changed, and the latest value of each part measured by itself that was not changed
        since.
        """
        until, result = until or self.last + 1, []
        changed = max((each.number for each in self.of_kind(*CHANGES) if each.number < until), default=0)
        for each in self.of_kind("readings"):
            if each.number >= until:
                break
            later = {
                name for fit in self.of_kind("fit") if each.number < fit.number < until
                for name in parts_of(fit)
            }  # fmt: skip
            kept = [
                row for row in each["rows"]
                if each.number > changed
                or (row["quantity"] in BY_ITSELF and row["place"] in self.drawn.parts.keys() - later)
            ]  # fmt: skip
            result.append(replace(each, says={**each.says, "rows": kept}))
        return self.merged(result)

    def merged(self, entries: Iterable[Entry]) -> list[dict[str, Any]]:
        """The rows of some entries as one list: the latest of each place."""
        result: dict[object, dict[str, Any]] = {}
        for each in entries:
            for row in each["rows"]:
                result[self._place(row)] = dict(row)
        return list(result.values())

    def _place(self, row: Mapping[str, str]) -> object:
        """Where a row was read, whatever the words for it."""
        place, words = row["place"], row["quantity"]
        if place == MAINS_ROW or words.startswith("tone ") or place in self.drawn.parts:
            return place, words
        place, plain = plainly(place, words.partition(" at ")[0])
        return probe_of(self.drawn, place, quantity_of(plain, "", ""), "", ""), words

    def readings(self, until: int = 0) -> Readings | None:
        """Readings on the amp as it was at an entry, or is now; None where nothing was."""
        rows = self.rows(until)
        return load_readings(rows, self.amp_at(until or self.last + 1)) if rows else None

    @cached_property
    def state(self) -> str:
        """State of the amp now, in words for the readings to come."""
        fits = self.of_kind("fit")
        return f"after {', '.join(parts_of(fits[-1]))}" if fits else AS_FOUND

    @cached_property
    def temporary(self) -> tuple[Fitted, ...]:
        """List what is on the amp for the time of the job only, and has to come off."""
        off = {each["of"] for each in self.of_kind("off")}
        return tuple(
            Fitted(each.number, each.day, each.by, each["text"])
            for each in self.of_kind("temporary") if each.number not in off
        )  # fmt: skip

    @property
    def lamps(self) -> list[Fitted]:
        """The limiting lamps that are in the line now: each lowers what the amp gets."""
        words = ((each, each.text.lower()) for each in self.temporary)
        return [
            each for each, text in words
            if any(name in text for name in LAMPS) and not any(name in text for name in INDICATORS)
        ]  # fmt: skip

    @property
    def stopped(self) -> list[Entry]:
        """Steps whose last result is to stop."""
        last = {(each["name"], each["place"] or each["step"]): each for each in self.of_kind("step")}
        return [each for each in last.values() if each["go"] == STOP]

    @cached_property
    def decisions(self) -> tuple[Decision, ...]:
        """The last decision about each part."""
        done = {  # C50.rating is a new C50, R31.position is a turn of R31
            key: each.number for each in self.of_kind("fit") for name in each["changes"]
            for key in (name, *([] if name.partition(".")[2] in SET_NOT_BOUGHT else [name.partition(".")[0]]))
        }  # fmt: skip
        bought = {name: each.number for each in self.of_kind("have") for name in each["parts"]}
        result: dict[str, Decision] = {}
        for each in self.of_kind("decide"):
            for name, value in each["changes"].items():
                state = (
                    "kept" if value == KEEP
                    else "installed" if done.get(name, 0) > each.number
                    else "in stock" if bought.get(name.partition(".")[0], 0) > each.number
                    else "to buy"
                )  # fmt: skip
                result[name] = Decision(name, value, each["why"], each.day, each.by, state)
        return tuple(result.values())

    def decided(self, *states: str) -> dict[str, str]:
        """Part to value of the decisions that have come so far."""
        return {each.part: each.value for each in self.decisions if each.state in states}

    @property
    def hours(self) -> float:
        """Hours entered."""
        return float(sum(each["hours"] or 0.0 for each in self.entries))

    @property
    def handed_back(self) -> bool:
        """Whether the amp is with its owner again."""
        return bool(self.of_kind("hand-back"))

    def changes(self, words: Mapping[str, object]) -> dict[str, str]:
        """Changes as they are entered, 'new' being the drawn value; checked against the amp.

        Raises
        ------
        ChangeError : no such part, or a value that cannot be.
        """
        result: dict[str, str] = {}
        for name, value in words.items():
            if str(value).lower() == NEW:
                result[name] = text_at(self.drawn.parts, name)
                if hasattr(self.drawn.parts.get(name), "emission"):
                    result[f"{name}.emission"] = "1"
            else:
                result[name] = str(value).lower() if str(value).lower() == KEEP else str(value)
        self.amp.changed({name: value for name, value in result.items() if value != KEEP})
        missing = [name for name, value in result.items() if value == KEEP and name not in self.amp.parts]
        if missing:
            raise JobError("there is no such part", where=str(self.folder), part=missing[0],
                           fix="Name a part of the schematic")  # fmt: skip
        return result

    def headline(self) -> str:
        """Whose amp, how far, and what has to come off."""
        owner = f" of {self.first['owner']}" if self.first["owner"] else ""
        begun = f"{self.drawn.title}{owner}, in the shop since {self.first.date:%Y-%m-%d}"
        where = "handed back" if self.handed_back else self.state
        count, all_in_all = len(self.temporary), len(self.entries)
        entries = f"{all_in_all} entr{'y' if all_in_all == 1 else 'ies'}"
        off = f" {count} temporary item{'s' * (count > 1)} to take off before pickup." if count else ""
        return f"{begun}: {where}, {entries}, {self.hours:g} h.{off}"

    def answer(self) -> str:
        """The same, and what is wrong with the file."""
        return " ".join((self.headline(), *self.journal.notes))

    def tables(self) -> list[Table]:
        """Temporary parts, decisions, parts, then every entry."""
        rows = [(each.number, each.day, each.by, each.kind, said_of(each)) for each in self.journal.entries]
        return [
            Table.of("Take off before pickup", self.temporary, "number", "what=text", "since=day", "by"),
            Table.of("Decisions", self.decisions, "part", "value", "state", "why", "day"),
            Table("Entries", headed("number", "when", "by", "kind", "what"), rows,
                  note=" ".join(self.journal.notes), key="entries"),
        ]  # fmt: skip

    def short(self) -> list[Table]:
        """The same with the last entries only."""
        *others, entries = self.tables()
        return [*others, replace(entries, rows=entries.rows[-SHOWN_ENTRIES:])]

    def to_json(self) -> Any:
        """The entries as written."""
        return {
            "title": self.drawn.title, "state": self.state, "handed_back": self.handed_back,
            "hours": self.hours, "temporary": [each.text for each in self.temporary],
            "changed": {key: list(texts) for key, texts in self.amp.changes.items()},
            "entries": [
                {"number": e.number, "date": e.date.isoformat(), "by": e.by, "kind": e.kind, **e.says}
                for e in self.journal.entries
            ],
            "notes": list(self.journal.notes),
        }  # fmt: skip


def parts_of(entry: Entry) -> list[str]:
    """The parts that an entry changes."""
    return list(dict.fromkeys(name.partition(".")[0] for name in entry["changes"] or {}))


def said_of(entry: Entry) -> str:
    """An entry in one line."""
    says = entry.says
    changes = ", ".join(f"{name}={value}" for name, value in (says.get("changes") or {}).items())
    named = ((LINE if row["place"] == MAINS_ROW else row["place"], row) for row in says.get("rows", ()))
    rows = ", ".join(f"{name} {row['value']}" for name, row in named)
    words = {
        "readings": f"{says.get('state', '')}: {rows}",
        "correct": f"entry {says.get('of')} withdrawn: {says.get('why')}",
        "off": f"entry {says.get('of')} taken off: {says.get('text')}",
        "sheet": f"{says.get('name')}: {len(says.get('steps', ()))} steps at {says.get('line_v', 0.0):.0f} V",
        "step": f"{says.get('name')} {says.get('step')}: {says.get('go')}. {says.get('text')}",
    }.get(entry.kind)
    if words is None:
        keys = ("title", "owner", "complaint", "text", "why", "reason", "file", "verdict")
        parts = [
            changes,
            ", ".join(says.get("parts", ())),
            *(str(says[key]) for key in keys if says.get(key)),
            f"not done: {'; '.join(says['open'])}" if says.get("open") else "",
        ]
        words = "; ".join(part for part in parts if part)
    hours = f" ({says['hours']:g} h)" if says.get("hours") else ""
    return f"{words}{hours}"


def _enclosed_amp(file: Path) -> Amp:
    """An amp file of the job, read once as long as it stays the same."""
    return _amp_of(file, file.stat().st_mtime_ns if file.exists() else 0)


@lru_cache(maxsize=8)
def _amp_of(file: Path, changed_ns: int) -> Amp:  # noqa: ARG001 - a file that was changed is read again
    return load_amp(file)


def open_job(folder: str | Path) -> Job:
    """A job that was begun before.

    Parameters
    ----------
    folder
        The folder it is in.

    Returns
    -------
    Job
        As its journal has it.

    Raises
    ------
    JobError
        There is no job in this folder.

    Examples
    --------
    >>> from tubekit.jobs.journal import append
    >>> folder = getfixture("tmp_path")
    >>> entry = append(folder, "new", "R. Vale", {"amp": "drawn.toml"}, new=True)
    >>> open_job(folder).first.by
    'R. Vale'
    """
    return Job(read_journal(folder))
