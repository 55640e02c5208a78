"""What every kind of part gets from every answer: how many of its examples an answer names, or why none.

python -m tests.kinds_table [--quick] [column …]
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.benchmarks.commands import asked
from tests.every_kind import every_kind, every_kind_solved
from tubekit import panels, plots
from tubekit.amp.parts import KINDS, Jack, Part
from tubekit.amp.parts.part import Hookup
from tubekit.bench.faults import single_faults
from tubekit.cli import main
from tubekit.decisions.limits import limits
from tubekit.decisions.population import variables
from tubekit.panels.form.boxes import entries
from tubekit.panels.form.draft import Draft

NAME = "one-of-each"
WITHOUT = {"faults": "faults", "spread of parts": "varies", "ratings": "ratings"}
"""Columns whose reason the kind states itself, with its key in `without`."""
SIGNAL = "lists sections, levels and what sets a corner or clips first; a part that sets none has no line"
SUPPLY = "lists rails, rectifiers, windings, line and fuses; other parts work in its figures"
ABOUT: dict[str, str] = {
    "changes": "nothing of it is turned or plugged by hand; any field is changed by its key, as F1.rating",
    "report": "lists rails, rectifiers, tubes and ratings; a part without a rating has no line",
    "trace": SIGNAL,
    "drive": SIGNAL,
    "listen": "a note through the whole amp: levels, output tubes, rails and cathodes",
    "specs": "the amp at its ends: output, gain, distortion, damping",
    "bias": SIGNAL,
    "hum": "lists sources of hum and what filters them",
    "loop": "no feedback here",
    "supply": SUPPLY,
    "switch-on": SUPPLY,
    "standby": SUPPLY,
    "discharge": "about capacitors and what empties them",
    "sag": SUPPLY,
    "regulation": SUPPLY,
    "line-band": SUPPLY,
    "lower-line": SUPPLY,
    "spread": "lists readings at nodes and sections; parts spread inside their bands",
    "parts": "",
    "cable": "about the plug, its wires and what they carry",
    "swap": "lists what is changed and what moves with it",
    "tone": "names what was turned and what sets the corners",
    "substitutes": "about one part",
    "judge": "about readings",
    "suspects": "the likeliest parts for one set of readings",
    "record": "a decision: what changes, what it uses up, where to read",
    "bench cold": "windings, and what B+ and grids are to ground",
    "bench up": SUPPLY,
    "bench lamp": SUPPLY,
    "bench trace": SIGNAL,
    "bench twin": "this amp fitted to its readings",
    "bench drive": SIGNAL,
    "bench hum": "steps of a search: tubes pulled, grids shorted",
    "bench found": "found against drawn: the parts that differ",
    "bench order": "what to buy for a change",
    "panel part swap": "a change at its ends is made in the form",
    "panel substitutes": "nothing else is sold in its place",
    "panel tone": "what no hand turns is no slider",
    "panel hum": "hum is moved by filters, tubes and controls",
    "panel supply": SUPPLY,
    "panel record": "as part swap",
    "panel bench": "readings are taken at nodes and tubes",
}
"""What each answer is about: why it does not name a kind."""
OWN: dict[str, Callable[[], Iterable[str]]] = {
    "in the circuit": lambda: (p.designator for p in _parts() if any(_when_empty(p).wired(HOOKUP))),
    "form": lambda: (name for name, table in _draft().parts.items() if entries(name, table)),
    "faults": lambda: (fault.part for fault in single_faults(every_kind())),
    "spread of parts": lambda: (variable.part for variable in variables(every_kind())),
    "ratings": lambda: (check.part for check in limits(every_kind_solved())),
    "changes": lambda: (p.designator for p in _parts() if p.controls),
    "schematic": lambda: [str(plots.schematic(every_kind()))],
}
"""What a kind states by itself."""
QUICK = (*OWN, "report", "trace", "supply", "parts")
HOOKUP = Hookup(117.0, 117.0, 60.0)


@dataclass(frozen=True)
class Row:
    """One column of the table: how many examples of each kind it names, and why it names none."""

    column: str
    named: Mapping[str, int]
    reasons: Mapping[str, str]


def examples() -> dict[str, list[Part]]:
    """The parts of each kind in the amp that has them all."""
    parts = every_kind().parts.values()
    return {kind.kind: [part for part in parts if type(part) is kind] for kind in KINDS}


def table(columns: tuple[str, ...] = ()) -> Iterator[Row]:
    """Every column, or those asked for."""
    own = ((name, " ".join(text())) for name, text in OWN.items() if not columns or name in columns)
    for column, text in chain(own, _answers(columns)):
        named = {kind: sum(_named(part, text) for part in parts) for kind, parts in examples().items()}
        left = [kind for kind in KINDS if not named[kind.kind]]
        key = WITHOUT.get(column, "")
        why = {kind.kind: dict(kind.without).get(key, "") if key else ABOUT.get(column, "") for kind in left}
        yield Row(column, named, why)


def _named(part: Part, text: str) -> bool:
    return re.search(rf"(?<![A-Za-z0-9]){part.designator}(?![0-9])", text) is not None


def _answers(columns: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """(column, what it says): the commands, several calls of one together, and the panels."""
    text: dict[str, str] = {}
    with TemporaryDirectory() as folder:
        for words in asked(NAME, Path(folder)):
            column = " ".join(words[:2]) if words[0] == "bench" else words[0]
            if columns and column not in columns:
                continue
            out = io.StringIO()
            with redirect_stdout(out), redirect_stderr(out):
                main([*words, "--all"])
            text[column] = text.get(column, "") + out.getvalue()
    yield from text.items()
    for column, make in _panels().items():
        if not columns or column in columns:
            yield column, " ".join(_words_in(make()))


def _panels() -> dict[str, Callable[[], Any]]:
    makers = {
        "part swap": panels.part_swap,
        "substitutes": panels.substitutes,
        "tone": panels.tone,
        "hum": panels.hum,
        "supply": panels.supply,
        "record": panels.record,
        "bench": panels.bench,
    }
    return {f"panel {name}": lambda make=make: make(every_kind()) for name, make in makers.items()}


def _words_in(widget: Any) -> Iterator[str]:
    """Everything that a panel and its boxes say or offer."""
    for trait in ("description", "tooltip", "value"):
        if isinstance(found := getattr(widget, trait, None), str):
            yield found
    for option in getattr(widget, "options", ()):
        yield " ".join(map(str, option)) if isinstance(option, tuple) else str(option)
    for child in getattr(widget, "children", ()):
        yield from _words_in(child)


def _parts() -> list[Part]:
    return list(every_kind().parts.values())


def _draft() -> Draft:
    return Draft.of_text(every_kind().copy_as_text())


def _when_empty(part: Part) -> Part:
    return replace(part, plugged=False) if isinstance(part, Jack) else part


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("columns", nargs="*")
    parser.add_argument("--quick", action="store_true", help="only what takes a second")
    given = parser.parse_args()
    for row in table(tuple(given.columns) or (QUICK if given.quick else ())):
        message = ", ".join(f"{kind} {count}" for kind, count in row.named.items() if count)
        sys.stdout.write(f"{row.column}\n    names {message or 'none'}\n")
        for reason in dict.fromkeys(row.reasons.values()):
            kinds = ", ".join(kind for kind, why in row.reasons.items() if why == reason)
            sys.stdout.write(f"    not {kinds}: {reason or 'NO REASON'}\n")
        sys.stdout.flush()
