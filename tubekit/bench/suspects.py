"""Which part is it? Every single fault held against the readings, then pairs, and what to measure next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts.faults import Age
from tubekit.bench.fault_table import FaultTable, Progress, fault_table, scale
from tubekit.bench.hand_checks import hand_check
from tubekit.bench.likelihood import (
    Pair,
    Posterior,
    cap_healthy,
    fault_posterior,
    likely_pairs,
    meter_sd,
    places_of,
    residuals,
    unseen,
)
from tubekit.bench.next_reading import NAMED, NextReading, candidate_probes, next_readings
from tubekit.decisions.judge import SIDES, WRONG_BY_CHANCE, Verdict, good_bands, shares_of, verdicts
from tubekit.decisions.reading import Readings
from tubekit.decisions.sensitivity import RailShortfall
from tubekit.decisions.spread import Spread
from tubekit.errors import ReadingError
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity

ACCUSE_BELOW, DOUBT_BELOW = 0.1, 0.5
"""A part is named once the chance that nothing is wrong falls below the first; below the second the readings
are called doubtful."""
LEAST = 1
"""Readings that name a suspect; the next one to take tells the others apart."""
EXPLAINED = 1e-3
"""Readings this unlikely under the best single fault are looked at for pairs."""
ALIKE = 6.0
"""Faults whose predictions lie less than this many variances apart cannot be told apart by these readings."""
SHOWN, PARTS_A_LINE, UNSURE, BY_HAND = 8, 14, 0.2, 2


@dataclass(frozen=True)
class Suspect:
    """One fault with its chance, the severity that fits best, and how far the readings lie off then."""

    part: str
    words: str
    severity: str
    chance: float = quantity("", "p", "chance that this is the fault")
    distance: float = quantity("", "d²", "misfit of the readings to what this fault would show")
    alike: tuple[str, ...] = ()


SHORT_HEADS = ("suspect", "chance", "estimated size", "two at once", "measure next", "how useful",
               "expected reading for each", "do next")  # fmt: skip


@dataclass(frozen=True, eq=False, repr=False)
class Suspects(Printed):
    """The answer: is something wrong, what, what it cannot be told from, and the next reading."""

    readings: Readings
    healthy: float = quantity("", "p", "chance that no single part is at fault")
    suspects: tuple[Suspect, ...] = ()
    pairs: tuple[Pair, ...] = ()
    following: tuple[NextReading, ...] = ()
    fit: float = quantity("", "", "chance of readings this far off if the amp were good", default=1.0)
    best_fit: float = quantity("", "", "the same chance with the likeliest fault", default=1.0)
    unseen: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    shares: RailShortfall | None = None
    posterior: Posterior | None = None
    book: FaultTable | None = None
    by_hand: tuple[str, ...] = ()

    json_keys = (
        "amp=readings.drawn.title", "healthy", "accuses", "suspects=named", "wrong", "shared_out=shares",
        "pairs", "unseen", "lost", "next=following", "by_hand",
    )  # fmt: skip

    @property
    def lost(self) -> tuple[str, ...]:
        """Faults that could not be solved, and are left out."""
        return tuple(self.book.lost) if self.book else ()

    @property
    def named(self) -> tuple[Suspect, ...]:
        """The suspects where anything is accused."""
        return self.suspects if self.accuses else ()

    @property
    def accuses(self) -> bool:
        """True where a part is named: the readings do not fit a good amp, together or one of them alone."""
        return self.healthy < ACCUSE_BELOW

    @property
    def wrong(self) -> tuple[Verdict, ...]:
        """Readings that `judge` calls wrong."""
        return tuple(verdict for verdict in self.verdicts if verdict.word == "out of range")

    @property
    def parts(self) -> tuple[str, ...]:
        """Designators of the suspects, likeliest first, each once; none where the amp is called good."""
        if not self.accuses:
            return ()
        return tuple(dict.fromkeys(s.part for s in self.suspects))

    def headline(self) -> str:
        """The verdict in one or two sentences."""
        count = len(self.readings.readings)
        if not self.accuses:
            doubt = (
                ""
                if self.healthy >= DOUBT_BELOW
                else " It is a close call: repeat those readings, or take more."
            )
            normal = "the reading is" if count == 1 else f"the {count} readings are"
            return f"{self.readings.drawn.title}: {normal} normal{self._near_the_ends()}.{doubt}"
        first = self.suspects[0]
        if self.best_fit < EXPLAINED:
            head = f"{self.readings.drawn.title}: no single fault explains the {count} readings"
            if self.pairs and self.pairs[0].fit > EXPLAINED:
                return f"{head}; two together do: {self.pairs[0].words}."
            worst = self.wrong[0].reading.probe if self.wrong else None
            again = worst.words(self.readings.drawn) if worst else "the worst of them"
            return f"{head}, and no two do. Closest: {first.words}. Read {again} again."
        tied = f" {_listed(first.alike)} would read the same." if first.alike else ""
        if sum(s.chance for s in self.suspects if s.part == first.part) < UNSURE:
            alike = _listed([first.words, *first.alike])
            return f"{self.readings.drawn.title}: these readings do not point to one part. Possible: {alike}."
        severity = f" ({first.severity})" if first.severity else ""
        likely = f"{first.words}{severity}, {percent(first.chance)}"
        return f"{self.readings.drawn.title}: most likely {likely}.{tied}"

    def _near_the_ends(self) -> str:
        """Readings that `judge` calls on the low or high side: normal, and not to be left out."""
        result = ""
        for word in SIDES:
            at = [v.reading.probe.words(self.readings.drawn) for v in self.verdicts if v.word == word]
            result += f"; {word}: {', '.join(at)}" if at else ""
        return result

    def tables(self) -> list[Table]:
        """Suspects, pairs, and what to measure next."""
        tables = []
        if self.accuses:
            heads = headed("suspect", "chance [] >", "estimated size", "looks the same as")
            rows = [(s.words, percent(s.chance), s.severity, ", ".join(s.alike)) for s in self.suspects]
            note = (
                f"Chance that no single part is bad: {percent(self.healthy)}. Only single faults are "
                f"considered."
            )
            if self.best_fit < EXPLAINED:
                note = f"None of them explains the readings. {note}"
            tables.append(Table("Suspects", heads, rows, note=note))
        if self.pairs and self.best_fit < EXPLAINED and self.accuses:
            pairs = [(p.words, p.distance) for p in self.pairs[:4]]
            two = headed("two at once", "misfit [] .1f")
            tables.append(Table("Pairs", two, pairs))
        if self.shares and not self.accuses:
            tables.append(self.shares.table())
        if self.unseen or (self.book and (self.book.lost or self.book.unknown)):
            tables.append(self._unseen_table())
        if self.following:
            amp = self.readings.drawn
            follow = [
                (n.probe.words(amp), 100 * n.share, n.effort, _predicted_text(n)) for n in self.following
            ]
            heads = headed("measure next", "how useful [%] .0f", "effort [] g", "expected reading for each")
            tables.append(Table("Next reading", heads, follow, note="\n".join(self.by_hand)))
        elif self.by_hand:
            tables.append(Table("Next step", headed("do next"), [(each,) for each in self.by_hand]))
        return tables

    def _unseen_table(self) -> Table:
        """How many single faults the readings cannot show, and the parts of which they show none."""
        every = self.book.faults if self.book else ()
        seen = {f.part for f in every if f.words not in set(self.unseen)}
        blind = list(dict.fromkeys(f.part for f in every if f.part not in seen))
        lines = [", ".join(blind[k : k + PARTS_A_LINE]) for k in range(0, len(blind), PARTS_A_LINE)]
        heads = headed("single faults not shown", "parts whose faults would not show")
        first = f"{len(self.unseen)} of {len(every)}"
        rows = [(first if k == 0 else "", line) for k, line in enumerate(lines or ["none"])]
        left_out = "\n".join(_left_out(self.book)) if self.book else ""
        return Table("What these readings cannot show", heads, rows, note=left_out)

    def short(self) -> list[Table]:
        """Suspects, then what to measure next."""
        result = {table.title: table for table in self.tables()}
        named = [
            result[title] for title in ("Suspects", "Pairs", "Next reading", "Next step") if title in result
        ]
        return [table.only(*SHORT_HEADS) for table in named]


def _left_out(book: FaultTable) -> Iterator[str]:
    """What could not be solved, and so was not weighed."""
    if book.lost:
        yield f"{len(book.lost)} faults could not be calculated and are left out: {', '.join(book.lost)}."
    if book.unknown:
        yield f"Not known, so left out: the effect of {', '.join(book.unknown)} on AC readings."


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def percent(chance: float) -> str:
    """A chance in words, the one way in which chances are shown.

    Examples
    --------
    >>> percent(0.9999), percent(0.8), percent(0.312), percent(0.004), percent(1e-9)
    ('more than 99 %', '80 %', '31 %', '0.4 %', 'less than 0.1 %')
    """
    if chance > 0.99:
        return "more than 99 %"
    if chance < 0.001:
        return "less than 0.1 %"
    return f"{100 * chance:.0f} %" if chance >= 0.01 else f"{100 * chance:.1f} %"


def _predicted_text(reading: NextReading) -> str:
    return "; ".join(f"{words}: {reading.probe.format(value)}" for words, value in reading.predicted)


def suspects(
    readings: Readings,
    *,
    book: FaultTable | None = None,
    bands: Spread | None = None,
    age: Age = "vintage",
    progress: Progress | None = None,
) -> Suspects:
    """The parts that best explain a set of readings, and the reading that would tell more.

    Parameters
    ----------
    readings
        From `load_readings` or `taken`.
    book
        Faults solved before for the same amp, mains and tone (`book` of an earlier answer), to save time.
    bands
        Of good amps, found before with these readings among its probes, to save time. A reading that `judge`
        calls wrong by them is never called good here.
    age
        'vintage' or 'modern' parts.
    progress
        Called with (done, of).

    Returns
    -------
    Suspects
        Suspects with their probabilities, and the next reading to take.

    Raises
    ------
    ReadingError
        Fewer readings than that.
    SolveError
        The drawn amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.readings import readings_from_text
    >>> taken = readings_from_text('''place,quantity,value
    ... B1,DC volts,334
    ... B2,DC volts,293
    ... B4,DC volts,232
    ... p1a,DC volts,232
    ... k1a,DC volts,0.004
    ... p1b,DC volts,147
    ... k34,DC volts,18.4''', load_amp("teasel"))
    >>> print(suspects(taken).headline())  # doctest: +ELLIPSIS
    Ottermere Teasel: most likely ...
    """
    if len(readings.readings) < LEAST:
        raise ReadingError(
            "0 readings are not enough", where=readings.source,
            fix="Take one that looks wrong, ideally a voltage at every tube",
        )  # fmt: skip
    book = book or _book(readings, age, progress)
    bands = bands or good_bands(readings, age=age, ready=book.population)
    result, judged = chances(readings, book, bands)
    taken, scaled, sd = _compared(readings, book)
    best = int(np.argmax(np.where(book.owner >= 0, result.rows, -1.0)))
    pairs: tuple[Pair, ...] = ()
    if result.healthy < ACCUSE_BELOW and result.fit[best] < EXPLAINED:
        meters = np.array([r.meter.input_ohms for r in readings.readings])
        pairs = likely_pairs(book, taken, scaled, sd, meters, readings.tone)
    following, untold = next_readings(book, taken, scaled, sd, result) if result.healthy < 0.9 else ((), ())
    return Suspects(
        readings, result.healthy, _suspects(book, taken, scaled, sd, result), pairs,
        following,
        float(result.fit[0]), float(result.fit[best]),
        tuple(book.faults[k].words for k in unseen(book, taken, sd)), judged,
        shares_of(readings, bands, judged), result, book, _by_hand(book, untold),
    )  # fmt: skip


def chances(readings: Readings, book: FaultTable, bands: Spread) -> tuple[Posterior, tuple[Verdict, ...]]:
    """Every fault weighed, and the verdicts, the worst first: one reading called wrong leaves no good amp."""
    judged = tuple(sorted(verdicts(readings, bands), key=lambda v: -v.beyond))
    result = fault_posterior(book, *_compared(readings, book))
    if any(verdict.word == "out of range" for verdict in judged):
        result = cap_healthy(result, book.owner, WRONG_BY_CHANCE)
    return result, judged


def _compared(readings: Readings, book: FaultTable) -> tuple[list[int], Array, Array]:
    """Columns of a book, the readings as they are compared, and their meters' standard deviations."""
    asked = [r.probe for r in readings.readings]
    scaled = scale(np.array([[r.value for r in readings.readings]]), asked)[0]
    return places_of(book, asked), scaled, meter_sd(readings.readings)


def _book(readings: Readings, age: Age, progress: Progress | None) -> FaultTable:
    asked = {r.probe: r.meter.input_ohms for r in readings.readings}
    probes = [*asked, *(p for p in candidate_probes(readings.amp, readings.tone) if p not in asked)]
    return fault_table(
        readings.amp, probes, tone=readings.tone, age=age, measured=readings.measured,
        mains_known=readings.mains_accuracy,
        meter_ohms=np.array([asked.get(p, 10e6) for p in probes]), progress=progress,
    )  # fmt: skip


def _by_hand(book: FaultTable, untold: Sequence[int]) -> tuple[str, ...]:
    """For the suspects that no reading tells from the first, what a hand does to tell them; the first two."""
    graded = [(book.faults[book.owner[row]], int(book.grade[row])) for row in untold if book.owner[row] >= 0]
    result = []
    for other in graded[1:] if untold and book.owner[untold[0]] >= 0 else ():
        check = hand_check(book.amp, graded[0], other)
        if check:
            result.append(f"No reading separates {other[0].words} from {graded[0][0].words}. {check}")
    return tuple(result[:BY_HAND])


def _suspects(
    book: FaultTable, taken: Sequence[int], scaled: Array, sd: Array, weighed: Posterior
) -> tuple[Suspect, ...]:
    order = [int(f) for f in np.argsort(-_alike(weighed.faults), kind="stable")[:SHOWN]]
    named = [f for f in order if weighed.faults[f] > NAMED] or order[:3]
    best = {f: _best_row(book, weighed, f) for f in named}
    _, covariance = residuals(book, taken, scaled, sd)
    result = []
    for fault in named:
        row = best[fault]
        alike = [
            book.faults[other].words for other in named
            if book.faults[other].part != book.faults[fault].part
            and _apart(book, taken, covariance, row, best[other]) < ALIKE
        ]  # fmt: skip
        result.append(
            Suspect(
                book.faults[fault].part, book.faults[fault].words, book.grade_words(row),
                float(weighed.faults[fault]), float(weighed.distance[row]), tuple(alike),
            )
        )  # fmt: skip
    return tuple(result)


def _best_row(book: FaultTable, weighed: Posterior, fault: int) -> int:
    rows = np.flatnonzero(book.owner == fault)
    return int(rows[np.argmax(_alike(weighed.rows[rows]))])


def _alike(chances: Array) -> Array:
    """As shares of the largest, without rounding errors: equals keep the order of the drawing."""
    return np.asarray(np.round(chances / chances.max(), 6))


def _apart(book: FaultTable, taken: Sequence[int], covariance: Array, one: int, two: int) -> float:
    off = book.scaled[one, list(taken)] - book.scaled[two, list(taken)]
    return float(off @ np.linalg.solve(0.5 * (covariance[one] + covariance[two]), off))
