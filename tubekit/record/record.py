"""One decision record: what was decided, on what readings and figures, as HTML and PDF."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tubekit.amp import Amp
from tubekit.decisions.reading import Readings
from tubekit.errors import RecordError, near_matches
from tubekit.files import already_there, is_there, writable, write_whole
from tubekit.layout import as_typed
from tubekit.plots.ink import Drawing
from tubekit.record.content import PAPERS, Content
from tubekit.record.files import find_browser, fingerprints, print_to_pdf
from tubekit.record.page import page
from tubekit.text import Printed, Table, headed

SUFFIXES = (".html", ".htm")


@dataclass(frozen=True, eq=False, repr=False)
class Record(Printed):
    """Where a record was written, and what it stands on."""

    html_path: Path
    pdf_path: Path | None
    message: str
    inputs: dict[str, str]

    json_keys = ("html=html_path", "pdf=pdf_path", "message", "inputs")

    def headline(self) -> str:
        """The files."""
        made = f" and {self.pdf_path}" if self.pdf_path else ""
        return f"Record written to {self.html_path}{made}. {self.message}".strip()

    def tables(self) -> list[Table]:
        """The inputs by their hashes."""
        rows = list(self.inputs.items())
        return [Table("Inputs", headed("input", "SHA-256"), rows)]


def record(
    path: str | Path,
    amp: Amp,
    *results: Any,
    title: str = "",
    decided: str = "",
    why: str = "",
    by: str = "",
    date: str = "",
    readings: Readings | None = None,
    figures: Sequence[Drawing] = (),
    paper: str = "Letter",
    pdf: bool = True,
    overwrite: bool = False,
) -> Record:
    """Write a decision record.

    Parameters
    ----------
    path
        The HTML file; the PDF stands beside it under the same name. Each is written whole or not at all.
    amp
        The amp decided on, changes included.
    results
        Reports of any kind (swap, judge, suspects, discharge …), in the order they are to stand; their
        figures are drawn by themselves.
    title
        Heading of the record.
    decided, why, by, date
        The decision, its reason, who, when (today's date when not given).
    readings
        What was measured.
    figures
        Further drawings of `plots`.
    paper
        'Letter' or 'A4'.
    pdf
        Print it as well, where a Chromium is installed; where not, `.message` says how.
    overwrite
        Write over files of the same name.

    Returns
    -------
    Record
        Paths of what was written, and what could not be.

    Raises
    ------
    RecordError
        A file of this name is there, a folder that is not, a result that cannot be printed.

    Examples
    --------
    >>> import tempfile
    >>> from tubekit.amp import load_amp
    >>> from tubekit.decisions.swap import swap
    >>> amp = load_amp("teasel").changed({"R14": "330"})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "r14.html"
    ...     done = record(file, amp, swap(amp.drawn, {"R14": "330"}), decided="Fit it", pdf=False)
    ...     print(done.html_path.name, "R14 270 Ω" in file.read_text(encoding="utf-8"))
    r14.html True
    """
    target, beside = may_write(path, pdf=pdf, overwrite=overwrite)
    content = contents(
        amp, *results, title=title, decided=decided, why=why, by=by, date=date, readings=readings,
        figures=figures, paper=paper,
    )  # fmt: skip
    raw = page(content).encode()
    printed, text = print_to_pdf(raw, find_browser()) if pdf else (None, "")
    write_whole(target, raw, overwrite=overwrite)
    if printed is not None:
        printed, text = _beside(beside, printed, overwrite)
    return Record(target, None if printed is None else beside, text, fingerprints(content))


def contents(
    amp: Amp,
    *results: Any,
    title: str = "",
    decided: str = "",
    why: str = "",
    by: str = "",
    date: str = "",
    readings: Readings | None = None,
    figures: Sequence[Drawing] = (),
    paper: str = "Letter",
) -> Content:
    """Contents that `record` would write, checked, and nothing written; the words are those of `record`.

    Parameters
    ----------
    amp
        The amp decided on, changes included.
    *results
        Reports of any kind, in the order they are shown.
    title
        Heading of the record.
    decided, why, by, date
        The decision, its reason, who, when.
    readings
        What was measured.
    figures
        Further drawings.
    paper
        'Letter' or 'A4'.

    Returns
    -------
    Content
        All that `record` would lay out.

    Raises
    ------
    RecordError
        A batch, a result that cannot be printed, an unknown paper.
    """
    for result in results:
        if not isinstance(result, Printed):
            raise RecordError(
                f"a {type(result).__name__} does not belong in a record", where=amp.name,
                fix="Give results of swap, judge, suspects, analyse …",
            )  # fmt: skip
    if amp.batch is not None:
        raise RecordError("a record is for one amp", where=amp.name, fix="Take one amp with member(0)")
    if paper not in PAPERS:
        raise RecordError(
            f"'{paper}' is not a known paper size",
            where=amp.name,
            fix=f"Choose one of: {', '.join(PAPERS)}",
            near=near_matches(paper, PAPERS),
        )
    for field, text in (("title", title), ("decided", decided), ("why", why), ("by", by), ("date", date)):
        as_typed(text, field, amp.name, RecordError)
    day = date or dt.datetime.now().astimezone().date().isoformat()
    return Content(
        title or f"{amp.title}: decision record", amp, decided, why, by, day, results, readings,
        tuple(figures), paper,
    )  # fmt: skip


def _beside(path: Path, printed: bytes, overwrite: bool) -> tuple[bytes | None, str]:
    """Write the PDF; where a file has come there meanwhile, the HTML stands and the reason is told."""
    try:
        write_whole(path, printed, overwrite=overwrite)
    except RecordError as error:
        return None, f"No PDF: {error}"
    return printed, ""


def may_write(path: str | Path, *, pdf: bool = True, overwrite: bool = False) -> tuple[Path, Path]:
    """HTML and PDF paths of a record, refused before any work is done where they cannot be written.

    Parameters
    ----------
    path
        Of the HTML file.
    pdf
        Whether a PDF is to be written too.
    overwrite
        Write over files of the same name.

    Returns
    -------
    tuple[Path, Path]
        The HTML file and the PDF.

    Raises
    ------
    RecordError
        A file of this name is there; no such folder, or a closed one; a name no file can have.

    Examples
    --------
    >>> [path.name for path in may_write("R14 at 330.pdf")]
    ['R14 at 330.html', 'R14 at 330.pdf']
    """
    target = writable(path)
    if not target.name:
        raise RecordError("the name of the record is missing", where=str(path), fix="Write it like r14.html")
    if target.suffix.lower() == ".pdf":
        target = target.with_suffix(".html")
    elif target.suffix.lower() not in SUFFIXES:
        target = target.with_name(f"{target.name}.html")
    beside = target.with_suffix(".pdf")
    for each in (target, beside) if pdf else (target,):
        if is_there(each) and not overwrite:
            raise already_there(each)
    if not target.parent.is_dir():
        raise RecordError(
            "there is no such folder", where=str(target.parent), fix="Create it first, or choose another"
        )
    if not os.access(target.parent, os.W_OK):
        raise RecordError(
            "you may not write to this folder", where=str(target.parent), fix="Name another folder"
        )
    return target, beside
