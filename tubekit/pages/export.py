"""Notebooks as files to read, hand on and print: each one HTML file that opens with no network."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from html.parser import HTMLParser
from pathlib import Path

from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
from nbconvert.exporters import HTMLExporter
from nbformat import NotebookNode

from tubekit.errors import ExportError
from tubekit.files import already_there, is_there, writable, write_whole
from tubekit.pages.stills import with_stills
from tubekit.pages.wording import linked_as_files, question_of, read_notebook, without_menu
from tubekit.text import CAUTION, Printed, Table, headed

TEMPLATES = Path(__file__).with_name("share") / "nbconvert" / "templates"
PAPER = TEMPLATES / "tubekit-paper" / "paper.css"
CONTENTS = "index.html"
CELL_S = 300
QUIET = ["--log-level=ERROR"]  # a kernel's remarks about itself help nobody here
_IN_STYLE = re.compile(r"""@import[^;]+;|\burl\(\s*["']?(?!data:|\#)[^)]+\)""", re.IGNORECASE)
_FETCHING = {"src", "srcset", "data", "poster", "background"}
_DRAWN = {"image", "use", "feimage"}  # what SVG fetches by href; a link that waits for a click is none of it


@dataclass(frozen=True, eq=False, repr=False)
class Exported(Printed):
    """The files an export wrote."""

    files: tuple[Path, ...]
    questions: tuple[str, ...]
    contents: Path

    json_keys = ("contents", "files")

    def headline(self) -> str:
        """Number of pages, and where to begin."""
        return f"{len(self.files)} page{'s' * (len(self.files) != 1)} written; open {self.contents} first"

    def tables(self) -> list[Table]:
        """One row per file."""
        rows = [
            (file.relative_to(self.contents.parent).as_posix(), round(file.stat().st_size / 1e3), question)
            for file, question in zip(self.files, self.questions, strict=True)
        ]
        return [Table("", headed("file", "size [kB]", "question"), rows)]


def export(
    notebooks: Sequence[Path],
    folder: Path,
    *,
    root: Path,
    run: bool = True,
    overwrite: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Exported:
    """Write notebooks as self-contained HTML, code left out, with a list of them as index.html.

    Parameters
    ----------
    notebooks : what to export.
    folder : where to; made if it is not there. Notebooks keep their place below `root`.
    root : the folder that links between notebooks start from.
    run : run each afresh; else it is shown as it was saved.
    overwrite : write over files of the same name.
    progress : is told the name of each notebook as its turn comes.

    Returns
    -------
    Exported, with the files in the order of `notebooks`.

    Raises
    ------
    ExportError : a notebook fails or cannot be read, a file is there already, the folder cannot be written
        to. Pages finished before it stay.
    """
    places = [folder / path.relative_to(root).with_suffix(".html") for path in notebooks]
    contents = folder / CONTENTS
    taken = next((place for place in (*places, contents) if is_there(place)), None)
    if taken is not None and not overwrite:
        raise already_there(taken)
    pages, questions = [], [question_of(path) for path in notebooks]
    for path, place in zip(notebooks, places, strict=True):
        progress(path.relative_to(root).as_posix())
        book = read_notebook(path)
        if run:
            _run(book, path)
        back = os.path.relpath(contents, place.parent)
        pages.append((place, page_of(book, path, contents=Path(back).as_posix())))
        _write(*pages[-1], overwrite)
    _write(contents, _list(questions, [each.relative_to(folder).as_posix() for each in places]), overwrite)
    return Exported(tuple(places), tuple(questions), contents)


def _run(book: NotebookNode, path: Path) -> None:
    """Run every cell; panels and figures come out as they do in JupyterLab."""
    client = NotebookClient(
        book, timeout=CELL_S, kernel_name="python3", store_widget_state=True,
        extra_arguments=QUIET, resources={"metadata": {"path": str(path.parent)}},
    )  # fmt: skip
    try:
        client.execute()
    except (CellExecutionError, CellTimeoutError, DeadKernelError) as error:
        reason = str(error).strip().partition("\n")[0]
        if isinstance(error, CellExecutionError):
            reason = f"{error.ename}: {error.evalue}"
        raise ExportError(
            f"stopped: {reason}", where=path.name,
            fix="Open it with python3 -m tubekit lab to see where, or use --as-saved to export it as saved",
        ) from error  # fmt: skip


def page_of(book: NotebookNode, path: Path, *, contents: str = "") -> str:
    """The page of a notebook that has its outputs: one HTML text that fetches nothing.

    Raises
    ------
    ExportError : something in it would be fetched from elsewhere when it is opened.
    """
    book = with_stills(linked_as_files(without_menu(book)), path.name)
    exporter = HTMLExporter(
        template_name="tubekit-paper", extra_template_basedirs=[str(TEMPLATES)], embed_images=True,
        exclude_input=True, exclude_input_prompt=True, exclude_output_prompt=True, preprocessors=[],
    )  # fmt: skip
    about = {
        "title": question_of(path), "style": PAPER.read_text(encoding="utf-8"), "contents": contents,
        "made": f"Made with tubekit from {path.name}.",
    }  # fmt: skip
    resources = {"metadata": {"name": path.stem, "path": str(path.parent)}, "tubekit": about}
    text, _ = exporter.from_notebook_node(book, resources=resources)
    if result := loads(text):
        raise ExportError(
            f"the page would load {result[0][:80]}", where=path.name,
            fix="Keep pictures in the notebook's folder, or attach them to the notebook",
        )  # fmt: skip
    return str(text)


def loads(text: str) -> list[str]:
    """List what a browser would fetch, or run, on opening an HTML text.

    Examples
    --------
    >>> loads('<a href="https://example.org">there</a><img src="data:image/png;base64,AA" alt="src=x">')
    []
    >>> loads('<script src="https://example.org/a.js"></script>')
    ['<script src="https://example.org/a.js">']
    """
    reader = _Loads()
    reader.feed(text)
    reader.close()
    return reader.result


class _Loads(HTMLParser):
    """Reads a page as a browser does and keeps what it would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.result: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "link") or any(self._fetches(tag, name, value or "") for name, value in attrs):
            self.result.append(self.get_starttag_text() or tag)

    def handle_data(self, data: str) -> None:
        if self.cdata_elem == "style":
            self.result += [found[0] for found in _IN_STYLE.finditer(data)]

    @staticmethod
    def _fetches(tag: str, name: str, value: str) -> bool:
        value = value.strip().lower()
        if name == "style":
            return _IN_STYLE.search(value) is not None
        if name in _FETCHING or (name.endswith("href") and tag in _DRAWN):
            return bool(value) and not value.startswith(("data:", "#"))
        return name.startswith("on") or value.startswith("javascript:")


def _list(questions: Sequence[str], places: Sequence[str]) -> str:
    """The page that leads to the others."""
    rows = "".join(_rows(questions, places))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>tubekit</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{PAPER.read_text(encoding='utf-8')}</style></head><body><main><h1>tubekit</h1>"
        f"<blockquote><p>{escape(CAUTION)}</p></blockquote><ul>{rows}</ul></main></body></html>\n"
    )


def _rows(questions: Sequence[str], places: Sequence[str]) -> Iterator[str]:
    for question, place in zip(questions, places, strict=True):
        yield f'<li><a href="{escape(place)}">{escape(question)}</a></li>'


def _write(place: Path, text: str, overwrite: bool) -> None:
    place = writable(place)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ExportError(f"cannot create the folder: {error.strerror}", where=str(place.parent)) from error
    write_whole(place, text.encode(), overwrite=overwrite)
