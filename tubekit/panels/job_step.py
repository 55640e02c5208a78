"""A step of a job in words, as HTML: what to do, what to expect, what the values meant, in which unit."""

from __future__ import annotations

import html
from collections.abc import Iterator

from tubekit.jobs.job import STOP
from tubekit.jobs.progress import Next, said
from tubekit.jobs.steps import Step
from tubekit.panels.markup import paragraph

SMALLER = {"V": "mV", "A": "mA"}


def units_of(step: Step) -> list[str]:
    """The unit of the values of a step first, then the other that a meter may show."""
    base = step.unit.partition(" ")[0]
    known = [each for each in (step.expect, step.high, step.stop_high) if each]
    usual = step.said(known[0]).split(" ")[1] if known and base else base
    return [*dict.fromkeys(each for each in (usual, base, SMALLER.get(base, "")) if each)]


def results_html(now: Next) -> Iterator[str]:
    """What the values meant, the worst first; after a stop what to measure next."""
    for step, outcome, likely in sorted(now.results, key=lambda each: each[1].go != STOP):
        css = "halt" if outcome.go == STOP else "go" if not likely else "look"
        yield paragraph(said(step, outcome, likely), css, alarm=True)
    if now.then:
        yield f"<p><strong>Measure next:</strong> {html.escape(now.then)}</p>"


def step_html(now: Next, step: Step) -> Iterator[str]:
    """The step as it is done: the danger, what to do, what to expect, when to stop."""
    assert now.sheet is not None
    count = len(now.sheet.steps)
    yield paragraph(f"{now.sheet.headline()} Step {step.number} of {count}", "place")
    *before, steps = now.tables()
    yield from (table.html() for table in before)
    yield paragraph(step.caution or "", "still-on")
    yield paragraph(step.do + (", clipped on with the amp off" if step.clip else ""), "asks")
    facts = [
        ("expect", step.expected),
        ("good amps", step.good),
        ("within", step.within),
        ("STOP at", step.limits),
    ]
    rows = "".join(f"<dt>{name}</dt><dd>{html.escape(text)}</dd>" for name, text in facts if text)
    yield f'<dl class="tubekit-expect">{rows}</dl>'
    yield f"<details><summary>Steps to come</summary>{steps.html()}</details>"
