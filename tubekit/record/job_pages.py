"""The pages of a job on paper: one for the owner, the sheet for the bench, the order list."""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from tubekit.amp import Amp
from tubekit.files import write_whole
from tubekit.jobs.actions import to_buy
from tubekit.jobs.job import Job
from tubekit.jobs.owner import sentences
from tubekit.jobs.progress import bench_rows
from tubekit.record.content import changed
from tubekit.record.files import find_browser, next_free, print_to_pdf
from tubekit.record.page import laid_out, signed, table_block
from tubekit.text import CAUTION, Printed, Table, danger_html, headed


@dataclass(frozen=True, eq=False, repr=False)
class JobPages(Printed):
    """Where the pages were written."""

    amp: Amp
    paths: tuple[Path, ...]
    said: str = ""

    json_keys = ("files=paths", "said")

    @property
    def caution(self) -> str:
        """Each page has its own."""
        return ""

    def headline(self) -> str:
        """The files."""
        return f"Written: {', '.join(map(str, self.paths))}. {self.said}".strip()

    def tables(self) -> list[Table]:
        """One row for each."""
        return [Table("", headed("file"), [(str(path),) for path in self.paths])]


def print_job(job: Job, *, paper: str = "Letter", pdf: bool = True) -> JobPages:
    """Write the owner's page and the bench sheet into the folder of a job, never over others.

    Parameters
    ----------
    job
        Whole or under way.
    paper
        'Letter' or 'A4'.
    pdf
        Print them as well, where a Chromium is installed.

    Returns
    -------
    JobPages
        Paths of what was written.

    Raises
    ------
    RecordError
        The folder cannot be written to.
    SolveError
        The amp as it is now has no idle state.
    """
    paths: list[Path] = []
    text = ""
    for name, body in (("owner", _owner(job)), ("bench", _bench(job))):
        target = next_free(job.folder / f"{name}.html")
        raw = laid_out(f"{job.drawn.title}: {TITLES[name]}", body, paper).encode()
        write_whole(target, raw)
        paths.append(target)
        printed, why = print_to_pdf(raw, find_browser()) if pdf else (None, "")
        text = why or text
        if printed is not None:
            write_whole(target.with_suffix(".pdf"), printed)
            paths.append(target.with_suffix(".pdf"))
    return JobPages(job.drawn, tuple(paths), text)


TITLES = {"owner": "what was done", "bench": "bench sheet"}


def _head(job: Job, title: str) -> Iterator[str]:
    first, last = job.first, job.journal.entries[-1]
    words = {
        "amp": job.drawn.title, "owner": first["owner"], "came in": f"{first.date:%Y-%m-%d}",
        "handed back" if job.handed_back else "as of": f"{last.date:%Y-%m-%d}", "by": last.by,
        "hours": f"{job.hours:g}" if job.hours else "",
    }  # fmt: skip
    pairs = "".join(
        f"<dt>{name}</dt><dd>{html.escape(str(text))}</dd>" for name, text in words.items() if text
    )
    yield f'<h1>{html.escape(f"{job.drawn.title}: {title}")}</h1><dl class="facts">{pairs}</dl>'


def _owner(job: Job) -> Iterator[str]:
    yield from _head(job, TITLES["owner"])
    yield danger_html(job.drawn.dangers)
    lines = "".join(f"<li>{html.escape(line)}</li>" for line in sentences(job))
    yield f'<section class="decision"><ol>{lines}</ol></section>'
    parts = [(text,) for each in job.of_kind("fit") for text in each["parts"] or ()]
    if parts:
        yield f'<div class="together">{table_block(Table("Parts used", headed("part"), parts))}</div>'
    if job.temporary:
        rows = [(each.text, each.day) for each in job.temporary]
        yield table_block(Table("Still to be removed before pickup", headed("what", "since"), rows))
    yield f'<p class="caution">{html.escape(CAUTION)}</p>{signed()}'


def _bench(job: Job) -> Iterator[str]:
    yield from _head(job, TITLES["bench"])
    yield danger_html((*job.amp.idle_dangers, *job.amp.dangers))
    yield f'<p class="caution">{html.escape(CAUTION)}</p>'
    if job.amp.changes:
        yield f"<h2>The amp as it is now</h2>{table_block(changed(job.amp))}"
    off, decisions, entries = job.tables()
    yield from _blocks(off, decisions, bench_rows(job), *_readings(job))
    if job.decided("to buy"):
        yield from _blocks(to_buy(job).to_buy())
    yield from _blocks(entries)
    yield signed()


def _blocks(*tables: Table) -> Iterator[str]:
    for table in tables:
        if table.rows:
            yield f"<h2>{html.escape(table.title)}</h2>{table_block(replace(table, title=''))}"


def _readings(job: Job) -> Iterable[Table]:
    readings = job.readings()
    return readings.tables() if readings is not None else ()
