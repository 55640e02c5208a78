"""What each answer states: (quantity, place) and the figure or word printed for it.

Read from the printed tables, by title and heading, so that what is compared is what a person reads. A rule
that no longer finds its table anywhere is an error: a renamed heading must not silence a comparison.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from tests.coherence.printed import Figure, Sheet, figure


@dataclass(frozen=True)
class Statement:
    """One printed figure or word, and who printed it."""

    quantity: str
    place: str
    shown: str
    by: str

    @property
    def figure(self) -> Figure | None:
        """The figure in it, if it is one."""
        return figure(self.shown)

    def agrees(self, other: Statement) -> bool:
        """Whether a reader would take both for the same."""
        mine, theirs = self.figure, other.figure
        if mine is None or theirs is None:
            return self.shown == other.shown
        return mine.agrees(theirs)


@dataclass(frozen=True)
class Rule:
    """Tables whose title begins so: the headings that name a row's place, and what other headings mean."""

    title: str
    key: tuple[str, ...]
    columns: Mapping[str, str]

    def meets(self, sheet: Sheet) -> bool:
        """Whether the table is one of these."""
        alike = sheet.title.startswith(self.title) and (ACROSS in sheet.title) == (ACROSS in self.title)
        return alike and set(self.key) <= set(sheet.heads)

    def place(self, row: Mapping[str, str]) -> str:
        """Where a row is: 'C11 at B0' is C11, 'T1' with 'primary' is T1 primary."""
        return " ".join(
            (row[heading] if heading == "reading" else place_of(row[heading])) for heading in self.key
        )


def place_of(cell: str) -> str:
    """The name that a row begins with, without what is added in words; of 'V3 cathode (k34)' the node."""
    at = re.fullmatch(r"V.* (?:plate|screen|grid|cathode) \((\S+)\)", cell)
    if at:
        return at[1].replace("_", " ")
    return re.split(r" at | \(", cell, maxsplit=1)[0].replace("_", " ")


DESIGN = "(second heading)"
"""Of a table whose headings are line voltages: the design voltage comes first."""
CAPACITOR = {"DC": "DC volts", "ripple p-p": "ripple p-p", "ripple RMS": "ripple RMS"}
ACROSS = " across"
"""What is measured between a capacitor's leads, not from its node to ground."""
RULES = (
    Rule("Filter capacitors", ("capacitor",), CAPACITOR | {
        "ripple current": "ripple current", "DC across it": "DC volts" + ACROSS,
    }),
    Rule("Filter capacitors (volts across", ("capacitor",), {
        "DC": "DC volts" + ACROSS, "ripple p-p": "ripple p-p" + ACROSS, "ripple current": "ripple current",
    }),
    Rule("Sag", ("capacitor",), {"idle": "DC volts"}),
    Rule("Rectifier", ("rectifier",), {
        "DC": "direct current", "peak per plate": "peak per plate", "peak inverse": "peak inverse volts",
    }),
    Rule("Tubes", ("tube",), {
        "plate to cathode": "plate volts to cathode", "screen to cathode": "screen volts to cathode",
        "plate to ground": "plate volts to ground", "screen to ground": "screen volts to ground",
        "cathode to ground": "cathode volts to ground", "plate dissipation": "plate dissipation",
        "grid to cathode": "grid volts to cathode", "plate I": "plate current", "screen I": "screen current",
        "cathode current": "cathode current", "heater": "heater volts",
    }),
    Rule("Gain of each stage", ("tube",), {"grid to plate": "gain grid to plate"}),
    Rule("Stages at 1000 Hz", ("stage",), {"grid to plate": "gain grid to plate"}),
    Rule("Nodes", ("node",), {"DC": "DC volts"}),
    Rule("Signal trace", ("node",), {"DC": "DC volts", "expect": "tone"}),
    Rule("Levels at 1000 Hz", ("node",), {"level": "tone"}),
    Rule("Windings", ("transformer", "winding"),
         {"AC current": "RMS current", "DC current": "direct current"}),
    Rule("Windings", ("part", "winding"), {"AC current": "RMS current"}),
    Rule("Fuses", ("fuse",), {"class": "speed", "current": "RMS current", "rated": "rated current"}),
    Rule("Ratings", ("part", "what"), {"reading": "rated reading", "limit": "limit", "state": "state"}),
    Rule("Output tubes", ("tube",), {"idle": "current as metered at idle", "bias": "bias"}),
    Rule("B+ at idle", ("capacitor",), CAPACITOR),
    Rule("Tubes at idle", ("tube",), {
        "cathode current": "cathode current", "% of rating": "plate share",
    }),
    Rule("Normal ranges", ("reading",), {"per schematic": "reading"}),
    Rule("Readings", ("reading",), {"you read": "reading"}),
    Rule("At each line voltage", ("what",), {DESIGN: "at design line voltage"}),
    Rule("Steps", ("reading",), {"100 %": "at full line voltage"}),
    Rule("Hum at the speaker", ("source",), {"total": "hum"}),
    Rule("", ("from", "now", "before"), {"now": "hum"}),
    Rule("", ("", "now", "before"), {"now": "now", "before": "now"}),
)  # fmt: skip
NAMED = {
    "Supply": {"DC": "DC volts", "ripple p-p": "ripple p-p", "ripple current": "ripple current",
               "ripple RMS": "ripple RMS", "peak per plate": "peak per plate",
               "peak inverse": "peak inverse volts"},
    "Tubes": {"plate to cathode": "plate volts to cathode", "screen to cathode": "screen volts to cathode",
              "grid to cathode": "grid volts to cathode", "plate I": "plate current",
              "screen I": "screen current", "cathode current": "cathode current", "heater": "heater volts"},
    "Gain of each stage": {"gain, grid to plate": "gain grid to plate"},
    "Nodes (DC": {"": "DC volts"},
    "Windings": {"AC current": "RMS current", "DC current": "direct current"},
}  # fmt: skip
"""Tables of before and after: the second column names what the row is about."""


def rows(sheet: Sheet) -> Iterator[dict[str, str]]:
    """Rows as heading to cell; of a heading that comes twice the first counts; blank leaders are filled."""
    leader = ""
    for row in sheet.rows:
        cells: dict[str, str] = {}
        for head, cell in zip(sheet.heads, row, strict=False):
            cells.setdefault(re.sub(r" \[.*\]$", "", head), cell)
        leader = row[0] or leader
        cells[sheet.heads[0]] = leader
        cells[DESIGN] = row[1] if len(row) > 1 else ""
        yield cells


def statements(sheet: Sheet, by: str, used: set[int]) -> Iterator[Statement]:
    """What one table states; `used` gathers the rules that applied."""
    if {"before", "after"} <= set(sheet.heads):
        yield from _before_after(sheet, by)
        return
    result: dict[tuple[str, str], Statement] = {}
    for number, rule in enumerate(RULES):
        for row in rows(sheet) if rule.meets(sheet) else ():
            for heading, name in rule.columns.items():
                text = row.get(heading, "")
                if text and text != "—":
                    used.add(number)
                    quantity, text = _to_ground(name, text, row)
                    new = Statement(*_thing(quantity, rule.place(row)), text, by)
                    result[name, new.place] = _larger(result.get((name, new.place)), new)
    yield from result.values()


def _to_ground(name: str, text: str, row: Mapping[str, str]) -> tuple[str, str]:
    """What is stated across a capacitor on ground is its node's voltage, minus where + is on ground."""
    ends, own = (row.get("from"), row.get("to")), name.removesuffix(ACROSS)
    if own == name or "ground" not in ends:
        return name, text
    if ends[0] == "ground" and own == "DC volts":
        text = text.removeprefix("-") if text.startswith("-") else f"-{text}"
    return own, text


def _thing(name: str, place: str) -> tuple[str, str]:
    """Quantity and place, where the row names both: 'DC volts at B1', 'heaters' …"""
    if " at " in place:
        name, place = place.split(" at ", maxsplit=1)
    place = place.removeprefix("ripple of ")
    return ("hum", "the speaker") if place == "the total hum" else (name, place)


SENTENCES = {
    r"gain (\S+ dB) at 1 kHz": ("gain at 1 kHz", "the amp"),
    r"3 dB down at (\S+ k?Hz) and": ("low corner", "the amp"),
    r"3 dB down at \S+ k?Hz and (\S+ k?Hz)": ("high corner", "the amp"),
    r"(\S+ [µm]?V(?: RMS)?) of hum (?:at|as)": ("hum", "the speaker"),
    r"(\d+|[Nn]o) ratings? (?:is |are )?exceeded": ("ratings exceeded", "the amp"),
    r"oscillates by itself at about (\S+ Hz)": ("tremolo", "the amp"),
    r"oscillates near (\S+ [kM]?Hz)": ("oscillates near", "the amp"),
    r"(\S+ m?W) at 5 %": ("power at 5 %", "the amp"),
}


def sentences(words: Iterable[str], by: str) -> Iterator[Statement]:
    """What the sentences of an answer state."""
    for line in words:
        for pattern, thing in SENTENCES.items():
            match = re.search(pattern, line)
            if match:
                yield Statement(*thing, match[1].lower().replace("no", "0"), by)


def _larger(old: Statement | None, new: Statement) -> Statement:
    """Of the sections of a winding the one with the larger current speaks for it, as in the report."""
    if old is None or old.figure is None or new.figure is None:
        return new
    return old if old.figure.value > new.figure.value else new


def _before_after(sheet: Sheet, by: str) -> Iterator[Statement]:
    names = next((names for title, names in NAMED.items() if sheet.title.startswith(title)), {})
    for row in rows(sheet):
        name = names.get(row.get(sheet.heads[1], ""))
        if name is None:
            continue
        place = place_of(row[sheet.heads[0]])
        for column in ("before", "after"):
            if row.get(column) not in (None, "", "—"):
                yield Statement(name, place, row[column], f"{by} ({column})")
