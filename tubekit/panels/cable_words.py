"""What the cable's readings say, as HTML: faults, what they do to the loop, what to do first."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping

from tubekit.bench.cable import CableReport
from tubekit.bench.cable_errors import joined_nodes
from tubekit.bench.loop_states import LoopState
from tubekit.circuit.parts import GROUND
from tubekit.text import Table, headed

OFF = (
    "Unplug the amp. Discharge the filter caps through a resistor and check with a meter. Unplug the "
    "cable at both ends: a meter beeps through whatever is still plugged in."
)
SAYS = {
    "open": "OPEN", "joined": "JOINED", "swapped": "SWAPPED", "strap missing": "STRAP MISSING",
    "strap extra": "EXTRA STRAP", "contradiction": "AGAIN",
}  # fmt: skip
WITHOUT = "B+ is on with no speaker on the output transformer"


def found_html(report: CableReport, left: int, volts: Mapping[str, float]) -> str:
    """Faults, then what they do in each state of plug and standby; `volts` are those of the drawn amp."""
    lines = [_item(SAYS.get(f.kind, f.kind), f.text) for f in report.faults]
    lines += [_item("ohms", sentence) for sentence in report.joints]
    does = [_item("so", _meets(*nodes, volts)) for nodes in joined_nodes(report.amp, report.faults)]
    does += [_item("so", sentence) for sentence in report.consequences]
    does += [_item("STOP", f"With {s.words}: {WITHOUT}.") for s in risky(report)]
    parts = [f'<p class="tubekit-headline">{html.escape(_headline(report, left))}</p>']
    if lines:
        parts.append(_list(lines))
    if does:
        parts.append(f"<p><strong>What this does</strong></p>{_list(does)}")
    elif report.faults:
        parts.append(
            "<p>This changes neither B+ nor the speaker, in any combination of plug and standby.</p>"
        )
    if report.faults and not report.consequences and does:
        parts.append(
            "<p>B+ and speaker switch per the schematic in every combination of plug and standby.</p>"
        )
    return f'<section class="tubekit" aria-live="polite">{"".join(parts)}</section>'


def _meets(one: str, two: str, volts: Mapping[str, float]) -> str:
    """Two nodes that meet through a slip, with what stands on them as drawn.

    Examples
    --------
    >>> _meets("B1", "B3_box", {"B1": 395.2, "B3_box": 299.0})
    'B1 (395 V per schematic) is connected to B3_box (299 V per schematic).'
    >>> _meets("ground", "B1", {"B1": 395.2})
    'B1 (395 V per schematic) is shorted to ground.'
    """
    if GROUND in (one, two):
        other = two if one == GROUND else one
        return f"{_with_volts(other, volts)} is shorted to ground."
    return f"{_with_volts(one, volts)} is connected to {_with_volts(two, volts)}."


def _with_volts(node: str, volts: Mapping[str, float]) -> str:
    return f"{node} ({volts[node]:.0f} V per schematic)" if abs(volts.get(node, 0.0)) >= 1.0 else node


def _headline(report: CableReport, left: int) -> str:
    title, count = report.amp.title, len(report.readings)
    if not count:
        return f"{title}: nothing tested yet. Click a cell for each pair of pins that beeps or stays silent."
    faults = len(report.faults)
    said = "all per the schematic" if not faults else f"{faults} {'fault' if faults == 1 else 'faults'}"
    rest = f"; {left} that should beep are not tested yet" if left else ""
    return f"{title}: {count} pairs tested, {said}{rest}."


def risky(report: CableReport) -> list[LoopState]:
    """States in which the output stage runs with nothing to drive, as found."""
    return [state for state in report.found_states if state.high_tension and not state.loudspeaker]


def states_table(report: CableReport) -> Table:
    """B+ and loudspeaker in each state, as drawn and as found, and whether they agree."""
    found = {state.key: state for state in report.found_states}
    rows = [
        (s.words, _on(s), _on(found[s.key]), "" if _on(s) == _on(found[s.key]) else "NOT PER SCHEMATIC")
        for s in report.drawn_states
    ]
    columns = headed("plug and standby", "per schematic", "as found", "")
    return Table("Interlock and standby", columns, rows)


def states_html(report: CableReport) -> str:
    """The same as lines, for a narrow column."""
    lines = []
    for words, drawn, found, differs in states_table(report).cells():
        said = f"per schematic {drawn}; as wired {found}" if differs else drawn
        lines.append(_item(f"{words}:", f"{said}. {differs}.".replace(" .", "")))
    head = "<p><strong>Interlock and standby</strong></p>"
    return f'<section class="tubekit">{head}{_list(lines)}</section>'


def _on(state: LoopState) -> str:
    b_plus = "B+ on" if state.high_tension else "B+ off"
    return f"{b_plus}, speaker {'on' if state.loudspeaker else 'off'}"


def nothing_html(title: str) -> str:
    """An amp without a cable."""
    said = (
        f"{title} has no multi-pin connector, so there is no cable to check. Choose another amp, or add "
        "its connector to the amp file."
    )
    return f'<section class="tubekit"><p class="tubekit-headline">{html.escape(said)}</p></section>'


def _list(lines: Iterable[str]) -> str:
    return f'<ul class="tubekit-findings">{"".join(lines)}</ul>'


def _item(word: str, text: str) -> str:
    return f"<li><strong>{html.escape(word)}</strong> {html.escape(text)}</li>"
