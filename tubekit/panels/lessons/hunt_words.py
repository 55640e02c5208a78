"""What the last lesson says, as HTML."""

from __future__ import annotations

import html

from tubekit.panels.lessons.hunt_case import CASES, Case
from tubekit.panels.lessons.roster import NIL_V, PROBES, ROSTER, cost, par, predictions, still_possible
from tubekit.panels.lessons.sight_hunt import Row
from tubekit.text import Table, headed


def listed(place: int) -> str:
    """A reading in the list, with what it costs."""
    return f"{PROBES[place]} (costs {cost(PROBES[place]):g})"


def row(place: int, value: float) -> Row:
    """A reading against the drawing; where the drawing has next to nothing, anything is much."""
    drawn, probe = float(predictions()[0, place]), PROBES[place]
    nil = probe.quantity == "dc_v" and abs(drawn) < NIL_V
    share = (1.0 if abs(value) < NIL_V else 2.2) if nil else max(value / drawn, 0.0)
    return Row(str(probe).replace("DC volts at ", ""), probe.said(value), share)


CAUTION = (
    "On a real amp: unplug and discharge the filter caps before you clip on, and work with one hand. "
    "Measure before you touch anything. Follow local codes; leave licensed work to licensed people."
)
OWN = "No outside source; calculated only, with each fault in the amp."


def asked(place: int, case: Case) -> str:
    """The amp as its owner brings it."""
    said = html.escape(ROSTER[case.hidden].said)
    return (
        f'<section class="tubekit tubekit-asked"><p class="tubekit-place">Case {place + 1} of {CASES}</p>'
        f'<p class="tubekit-asks">A combo with two 6V6GT has one bad part. The customer says: “{said}” '
        "Take as few readings as you can, then name the fault.</p>"
        f'<p class="tubekit-caution">{CAUTION}</p></section>'
    )


def told(case: Case) -> str:
    """Hints, the verdict once there is one, and the readings so far."""
    hints = "".join(f"<li>{html.escape(each)}</li>" for each in case.told)
    parts = [f'<ol class="tubekit-hints" aria-live="polite">{hints}</ol>' if hints else ""]
    if case.named is not None:
        parts.append(_verdict(case))
    parts.append(f"<p>Cost so far: <strong>{case.spent:g}</strong></p>")
    if case.taken:
        heads = headed("reading", "meter [] >", "as drawn [] >", "cost [] g")
        rows = [
            (str(PROBES[k]), PROBES[k].said(v), PROBES[k].said(float(predictions()[0, k])), cost(PROBES[k]))
            for k, v in case.taken.items()
        ]
        parts.append(Table("", heads, rows).html())
    return f'<section class="tubekit">{"".join(parts)}</section>'


def _verdict(case: Case) -> str:
    """Right or not, why, what else the readings would have fitted, and what the shortest way costs."""
    assert case.named is not None
    true, named = ROSTER[case.hidden], ROSTER[case.named]
    right = case.named == case.hidden
    head = f"Correct: {true.words}." if right else f"No. It is {true.words}, not {named.words}."
    others = [ROSTER[k].words for k in still_possible(case.taken) if k != case.hidden]
    doubt = f" Your readings also fit {', '.join(others)}. You needed one more to be sure." if others else ""
    way = f"The best route costs {par(case.hidden):g}; you spent {case.spent:g}."
    reason = f"<p>{html.escape(true.why)}</p><p>{html.escape(way + doubt)}</p>"
    return (
        f'<p class="tubekit-headline">{html.escape(head)}</p>'
        f'<div class="tubekit-reason"><strong>Why.</strong> {reason}</div>'
        f'<p class="tubekit-source">{OWN}</p>'
    )
