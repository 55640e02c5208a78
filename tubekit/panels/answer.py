"""The answer in words and numbers beside a panel's figure, as HTML from the report's own tables."""

from __future__ import annotations

import html
from collections.abc import Iterable

import ipywidgets as widgets

from tubekit.decisions import Finding, SwapReport
from tubekit.text import CAUTION, Table, caution_html

SAYS = {"stop": "STOP", "exceeded": "EXCEEDED", "near": "NEAR", "note": "note"}


class Answer:
    """Verdict, what to measure, and all readings in tables that are written only while they are open."""

    def __init__(self) -> None:
        full = widgets.Layout(width="100%")
        self.verdict, self.measure = widgets.HTML(layout=full), widgets.HTML(layout=full)
        self.readings = widgets.HTML(layout=full)
        self.details = widgets.Accordion(
            [self.readings], titles=("All voltages and currents, before and after",), selected_index=None
        )
        self.details.observe(lambda _: self._open(), "selected_index")
        self.widgets = (self.verdict, self.measure, self.details)
        self._report: SwapReport | None = None

    def show(self, report: SwapReport) -> None:
        """The words and numbers of a report."""
        self._report = report
        self.verdict.value = verdict_html(report)
        self.measure.value = measure_html(report)
        self._open()

    def _open(self) -> None:
        if self.details.selected_index is not None and self._report is not None:
            self.readings.value = tables_html(self._report.tables_but("verdict", "measure"))


def verdict_html(report: SwapReport) -> str:
    """The headline and every finding, the gravest first; the word stands before each."""
    headline = html.escape(report.headline())
    return (
        f'<section class="tubekit" aria-live="polite"><p class="tubekit-headline">{headline}</p>'
        f"{findings_html(report)}</section>"
    )


def findings_html(report: SwapReport) -> str:
    """Every finding alone, the gravest first; '' where there is none."""
    lines = "".join(_finding(finding) for finding in report.verdict)
    return f'<ul class="tubekit-findings">{lines}</ul>' if lines else ""


def _finding(finding: Finding) -> str:
    word = f'<strong class="tubekit-{finding.weight}">{SAYS[finding.weight]}</strong>'
    return f"<li>{word} {html.escape(finding.text)}</li>"


def measure_html(report: SwapReport) -> str:
    """What to measure, with the standing caution where the hand would go."""
    return tables_html([report.to_measure()]) + caution_html(CAUTION)


def tables_html(tables: Iterable[Table]) -> str:
    """Tables one below the other."""
    return f'<section class="tubekit">{"".join(table.html() for table in tables)}</section>'
