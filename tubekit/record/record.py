"""One decision record: what was decided, on what readings and figures, as HTML and PDF."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tubekit.amp import Amp
from tubekit.decisions.reading import Readings
from tubekit.errors import RecordError
from tubekit.plots.drawing import Drawing
from tubekit.record.files import already_there, find_browser, print_to_pdf, write_whole
from tubekit.record.page import Content, fingerprints, page
from tubekit.text import Column, Printed, Table

SUFFIXES = (".html", ".htm")


@dataclass(frozen=True, eq=False, repr=False)
class Record(Printed):
    """Where a record was written, and what it stands on."""

    html_path: Path
    pdf_path: Path | None
    said: str
    inputs: dict[str, str]

    def headline(self) -> str:
        """The files."""
        made = f" and {self.pdf_path}" if self.pdf_path else ""
        return f"Record written to {self.html_path}{made}. {self.said}".strip()

    def tables(self) -> list[Table]:
        """The inputs by their hashes."""
        rows = list(self.inputs.items())
        return [Table("Inputs", (Column("input"), Column("SHA-256")), rows)]

    def to_json(self) -> dict[str, Any]:
        """Paths and hashes."""
        return {
            "html": self.html_path.as_posix(),
            "pdf": self.pdf_path.as_posix() if self.pdf_path else None,
            "said": self.said, "inputs": self.inputs,
        }  # fmt: skip


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
    pdf: bool = True,
    overwrite: bool = False,
) -> Record:
    """Write a decision record.

    Parameters
    ----------
    path : the HTML file; the PDF stands beside it under the same name. Written whole or not at all.
    amp : the amp decided on, changes included.
    results : reports of any kind (swap, judge, suspects, discharge …), in the order they are to stand;
        their figures are drawn by themselves.
    decided, why, by, date : the decision, its reason, who, when (today's date when not given).
    readings : what was measured.
    figures : further drawings of `plots`.
    pdf : print it as well, where a Chromium is installed; where not, `.said` tells how.
    overwrite : write over files of the same name.

    Raises
    ------
    RecordError : a file of this name is there, a folder that is not, a result that cannot be printed.
    """
    target, beside = _targets(path, pdf, overwrite)
    for result in results:
        if not isinstance(result, Printed):
            raise RecordError(
                f"a {type(result).__name__} has no place in a record", where=str(path),
                fix="Give results that print: of swap, judge, suspects, analyse …",
            )  # fmt: skip
    if amp.batch is not None:
        raise RecordError("a batch is no decision", where=amp.name, fix="Take one amp with member(0)")
    content = Content(
        title or f"{amp.title}: decision record", amp, decided, why, by,
        date or dt.datetime.now(dt.UTC).date().isoformat(), results, readings, tuple(figures),
    )  # fmt: skip
    raw = page(content).encode()
    printed, said = print_to_pdf(raw, find_browser()) if pdf else (None, "")
    write_whole(target, raw, overwrite=overwrite)
    if printed is not None:
        write_whole(beside, printed, overwrite=overwrite)
    return Record(target, beside if printed is not None else None, said, fingerprints(content))


def _targets(path: str | Path, pdf: bool, overwrite: bool) -> tuple[Path, Path]:
    """HTML and PDF paths, refused before any work is done where they cannot be written."""
    target = Path(path).expanduser()
    if target.suffix.lower() not in SUFFIXES:
        target = target.with_name(target.name + ".html")
    beside = target.with_suffix(".pdf")
    if not target.parent.is_dir():
        raise RecordError(
            "there is no such folder", where=str(target.parent), fix="Make it first, or name another"
        )
    for each in (target, beside) if pdf else (target,):
        if each.exists() and not overwrite:
            raise already_there(each)
    return target, beside
