"""The bench's answers in words, as HTML: verdicts, suspects, the next reading."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from tubekit.bench.fault_prediction import FaultPrediction
from tubekit.bench.next_reading import NextReading
from tubekit.bench.suspects import DOUBT_BELOW, EXPLAINED, Suspect, Suspects, percent
from tubekit.decisions.judge import SIDES, WRONG, Judgement
from tubekit.panels.markup import headline, item, listed, paragraph, section
from tubekit.panels.report_html import tables_html
from tubekit.text import caution_html

BEFORE = (
    "Power on: use one hand and insulated probes, and clip the ground lead on first. Measuring ohms: "
    "unplug, discharge the filter caps through a resistor, and check with a meter."
)
TAKING = (
    "To measure with the power on: clip the meter's ground lead on first, use one hand and insulated "
    "probes, and move nothing inside the amp. To measure resistance: unplug, discharge the filter caps "
    "through a resistor, and check with a meter."
)
"""Common practice of the trade, no source; what local codes and licensed practice ask for comes first."""
WORST_FIRST = (WRONG, *SIDES)
SAYS = {"out of range": "OUT OF RANGE", "on the high side": "HIGH", "on the low side": "LOW"}
NEARLY = 0.3
"""Readings that tell less than this share of the best one, for their effort, are not named."""
GRAVE = ("too hot", "not matched")


def verdicts_html(found: Judgement | None, complaints: int) -> str:
    """How many are fine, and what is not, the gravest first."""
    if found is None or not found.verdicts:
        head = "No readings yet. The bars show the normal ranges. Type in your meter readings."
        return section(headline(head), live=True)
    lines = [
        item(f"{v.reading.probe}: {v.reading.describe()}; normal range "
             f"{v.reading.probe.format(v.low)} to {v.reading.probe.format(v.high)}", SAYS[word])
        for word in WORST_FIRST for v in found.verdicts if v.word == word
    ]  # fmt: skip
    for p in found.power:
        word = p.verdict.upper() if p.verdict in GRAVE else p.verdict
        lines.append(item(f"{p.text}; {p.rule.partition(' [')[0]}", word))
    lines += [item(d.sentence(), "part") for d in found.drifts]
    left = (
        f" {complaints} {'row is' if complaints == 1 else 'rows are'} not used: see the list."
        if complaints
        else ""
    )
    return section(headline(found.headline() + left), listed(lines), live=True)


def suspects_html(found: Suspects) -> str:
    """Who is accused, or that nobody is; what cannot be told apart; two at once where one is not enough."""
    if not found.accuses:
        nobody = "No part is suspected."
        edge = (
            " They are close to the limits: repeat the worst reading, then take more."
            if found.healthy < DOUBT_BELOW else ""
        )  # fmt: skip
        count = len(found.readings.readings)
        normal = "This reading is" if count == 1 else f"These {count} readings are"
        head = f"{nobody} {normal} normal.{edge}"
        return section(headline(head), live=True)
    lines = [item(_suspect(s), f"{k}.") for k, s in enumerate(found.suspects, 1)]
    pairs = ""
    if found.pairs and found.best_fit < EXPLAINED:
        two = listed(item(p.words, "two") for p in found.pairs[:3])
        pairs = paragraph("No single fault explains the readings. The closest pairs of faults:") + two
    left = f"Probability that no part is bad: {percent(found.healthy)}. Only single faults are considered."
    return section(headline(found.headline()), listed(lines), pairs, paragraph(left), live=True)


def _suspect(one: Suspect) -> str:
    severity = f", {one.severity}" if one.severity else ""
    alike = f". Looks the same as {', '.join(one.alike)}" if one.alike else ""
    return f"{one.words}{severity}: {percent(one.chance)}{alike}"


def next_html(following: Iterable[NextReading], by_hand: Iterable[str] = ()) -> str:
    """What to measure next and why, with the caution beside it."""
    told = worth_taking(following)
    whys = [*map(_why, told), *by_hand]
    lines = listed(item(why, f"{k}.") for k, why in enumerate(whys, 1))
    head = paragraph("Measure next" if told else "Do next", strong=True)
    return section(head, lines, caution_html(TAKING), live=True) if lines else ""


def worth_taking(following: Iterable[NextReading]) -> list[NextReading]:
    """The best of them, and those that tell nearly as much for their effort."""
    each = list(following)
    best = max((n.share / n.effort for n in each), default=0.0)
    return [n for n in each if n.share / n.effort >= NEARLY * best]


def _why(one: NextReading) -> str:
    told = "; ".join(f"{words}: {one.probe.format(value)}" for words, value in one.predicted)
    cost = "power off" if one.probe.quantity == "ohms" else "power on"
    return f"{one.probe} ({cost}). Expected: {told}."


def prediction_html(found: FaultPrediction) -> str:
    """What a fault would show, beside what a good amp shows."""
    return section(headline(found.headline()), live=True) + tables_html(
        replace(table, note="") for table in found.tables()
    )
