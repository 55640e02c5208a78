"""The page of a record: self-contained HTML that opens offline, laid out for paper."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from urllib.parse import quote

from tubekit.record.content import Content, Figure, PagePart, changed, sentences
from tubekit.record.files import fingerprints, versions
from tubekit.record.sections import parts_of
from tubekit.text import CAUTION, Column, Table, danger_html, style
from tubekit.units import show

CHAPTERS = {
    "results": "Calculated results", "readings": "Meter readings", "bench": "At the bench",
    "more": "Further results",
}  # fmt: skip
TOGETHER, WIDE = 26, 6
"""A table of so many rows stays on one page; one of more columns than that takes the width of the page."""
PRINT_DPI = 200
ROW, CELL = re.compile("<tr>.*?</tr>", re.DOTALL), re.compile("<t[dh][ >].*?</t[dh]>", re.DOTALL)


def page(content: Content) -> str:
    """The whole page."""
    return laid_out(content.title, _body(content), content.paper)


def laid_out(title: str, body: Iterable[str], paper: str) -> str:
    """A page that opens offline and prints on this paper, from blocks of HTML."""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width">{style()}'
        f"<style>{_sheet()}{_paper(title, paper)}</style></head>"
        f'<body class="tubekit-record">{"".join(body)}</body></html>\n'
    )


def summary(content: Content) -> str:
    """The head of the page alone, as a block for a panel: what was decided and what the figures come to."""
    front = "".join(_front(content))
    return f'<style>{_sheet()}</style><article class="tubekit-record">{front}</article>'


@cache
def _sheet() -> str:
    return Path(__file__).with_name("page.css").read_text(encoding="utf-8")


def _paper(title: str, paper: str) -> str:
    """Size, margins, and what stands in the foot of each page."""
    words = "".join(c if c.isalnum() or c in " .,:;()+-" else f"\\{ord(c):x} " for c in title[:90])
    foot = "font: 8pt 'Liberation Sans', Arial, sans-serif; color: #333;"
    return (
        f"@page {{ size: {paper}; margin: 15mm 15mm 17mm 18mm;"
        f' @bottom-left {{ content: "{words}"; {foot} }}'
        f' @bottom-right {{ content: "page " counter(page) " of " counter(pages); {foot} }} }}'
    )


def _body(content: Content) -> Iterator[str]:
    yield from _front(content)
    parts = parts_of(content.results, content.readings)
    for place, heading in CHAPTERS.items():
        here = [part for part in parts if part.place == place and (part.heading or part.tables)]
        if here:
            caution = (
                danger_html((*content.amp.idle_dangers, *content.amp.dangers))
                + f'<p class="caution">{html.escape(CAUTION)}</p>'
            )
            caution = caution if place == "bench" else ""
            yield _part(here[0], f"<h2>{heading}</h2>{caution}")
            yield from map(_part, here[1:])
        yield signed() if place == "bench" else ""
    yield "".join(_figures(parts, content))
    yield from _numbers(parts)
    yield from _how(content)


def _front(content: Content) -> Iterator[str]:
    yield f"<h1>{html.escape(content.title)}</h1>"
    yield danger_html((*content.amp.idle_dangers, *content.amp.dangers))
    yield _facts(content)
    lines = "".join(f"<li>{html.escape(line)}</li>" for line in sentences(content))
    decided = _paragraph(content.decided, "decided") or '<div class="by-hand"></div>'
    why = f"<h2>Why</h2>{_paragraph(content.why)}" if content.why.strip() else ""
    listed = f"<h2>Summary</h2><ul>{lines}</ul>" if lines else ""
    yield f'<section class="decision"><h2>Decided</h2>{decided}{why}{listed}</section>'
    yield f'<p class="caution">{html.escape(CAUTION)}</p>'
    if content.amp.changes:
        yield f'<div class="sheet together"><h3>Changed</h3>{changed(content.amp).html()}</div>'


def _facts(content: Content) -> str:
    amp = content.amp
    maker = ", ".join(word for word in (amp.maker, amp.town, amp.year) if word)
    mains = f"{show(float(amp.mains_rms), 'V')}, {amp.mains_hz:g} Hz"
    words = {"amp": amp.title, "date": content.date, "maker": maker, "by": content.by, "line": mains}
    pairs = "".join(f"<dt>{name}</dt><dd>{html.escape(text)}</dd>" for name, text in words.items() if text)
    return f'<dl class="facts">{pairs}</dl>'


def _paragraph(text: str, kind: str = "") -> str:
    opening = f'<p class="{kind}">' if kind else "<p>"
    return "".join(f"{opening}{html.escape(line)}</p>" for line in text.splitlines() if line.strip())


def _part(part: PagePart, above: str = "") -> str:
    """A block; its first table stays with its heading, and with that of the chapter."""
    lead = f'<p class="lead">{html.escape(part.lead)}</p>' if part.lead else ""
    tables = [table_block(table) for table in part.tables]
    head = f"{above}<h3>{html.escape(part.heading)}</h3>{lead}"
    if not tables:
        return f'<div class="together">{head}</div>'
    return f'<div class="together">{head}{tables[0]}</div>{"".join(tables[1:])}'


def table_block(table: Table) -> str:
    """A table as a block of the page; columns to fill in are given room."""
    kinds = ["sheet"]
    if len(table.rows) <= TOGETHER:
        kinds.append("together")
    if len(table.columns) > WIDE:
        kinds.append("wide")
    blank = [column.name in ("read", "agrees", "measured", "done") for column in table.columns]
    written = table.html()
    if any(blank):
        kinds += ["to-fill", f"last-is-{table.columns[-1].name}"]
        written = ROW.sub(lambda row: _to_fill(row[0], blank), written)
    return f'<div class="{" ".join(kinds)}">{written}</div>'


def _to_fill(row: str, blank: Sequence[bool]) -> str:
    """A row with its empty cells marked in the columns that are filled in."""
    at = iter(blank)
    return CELL.sub(
        lambda cell: '<td class="blank"></td>' if next(at) and cell[0].endswith("></td>") else cell[0], row
    )


def signed() -> str:
    """Lines to sign on."""
    return '<div class="sign"><span>Done by</span><span>Date</span><span>Checked by</span></div>'


def _figures(parts: Sequence[PagePart], content: Content) -> Iterator[str]:
    result = [figure for part in parts for figure in part.figures]
    result += [Figure(drawing.words.partition(":")[0], drawing) for drawing in content.figures]
    if result:
        first, *others = map(_figure, result)
        yield f'<div class="together"><h2>Figures</h2>{first}</div>{"".join(others)}'


def _figure(figure: Figure) -> str:
    picture = base64.b64encode(figure.drawing.png(PRINT_DPI)).decode()
    words = html.escape(figure.drawing.words, quote=True)
    return (
        f"<figure><figcaption>{html.escape(figure.caption)}</figcaption>"
        f'<img src="data:image/png;base64,{picture}" alt="{words}"></figure>'
    )


def _numbers(parts: Sequence[PagePart]) -> Iterator[str]:
    tables = [table for part in parts for table in part.numbers if table.rows]
    if tables:
        narrow = [table_block(table) for table in tables if len(table.columns) <= WIDE]
        wide = [table_block(table) for table in tables if len(table.columns) > WIDE]
        yield f'<h2>All numbers</h2><div class="numbers">{"".join(narrow)}{"".join(wide)}</div>'


def _how(content: Content) -> Iterator[str]:
    yield "<h2>Inputs and versions</h2>"
    inputs = _pairs("Inputs", "input", "SHA-256", fingerprints(content))
    yield f'<div class="sheet inputs together">{inputs}</div>'
    yield f"<p>Versions: {html.escape(', '.join(map(' '.join, versions().items())))}.</p>"
    yield _enclosed(content)


def _enclosed(content: Content) -> str:
    """The amp file itself, for whoever reads the record on a screen."""
    text = base64.b64encode(content.amp.copy_as_text().encode()).decode()
    name = quote(f"{content.amp.name}-as-recorded.toml")
    return (
        '<p class="on-screen">Enclosed: <a download="'
        f'{name}" href="data:application/toml;base64,{text}">the amp as decided on, as an amp file</a>.</p>'
    )


def _pairs(title: str, one: str, two: str, pairs: Mapping[str, str]) -> str:
    rows: Sequence[tuple[str, str]] = list(pairs.items())
    return Table(title, (Column(one), Column(two)), rows).html()
