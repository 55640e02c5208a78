"""What a notebook says only to someone who has it open in JupyterLab, put right for a page."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import nbformat

from tubekit.errors import ExportError

# 'In the menu choose **Run**, then **Run All Cells**. Then pick the amp': a page runs by itself.
_WAKE_UP = re.compile(
    r"In the menu choose \*\*Run\*\*,\s+then\s+\*\*Run All Cells\*\*\.\s*(?:Then\s+)?(\w?)", re.IGNORECASE
)
_CHECKED = "\n\n## Checked against outside sources"
_HEADING = re.compile(r"^#\s+(.+?)\s*$", re.MULTILINE)
_LINK = re.compile(r"(\]\([^)\s:]+)\.ipynb([#)])")


def without_menu(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """A copy of `book` in which nothing is asked of JupyterLab's menu.

    Examples
    --------
    >>> words = "In the menu choose **Run**, then **Run All Cells**. Then pick an amp."
    >>> book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(words)])
    >>> without_menu(book).cells[0].source
    'Pick an amp.'
    """
    return _each_text(book, lambda text: _WAKE_UP.sub(lambda result: result[1].upper(), text))


def without_checks(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """A copy of `book` without the cells in which it checks itself, and without their heading.

    Examples
    --------
    >>> words = "So it runs hot." + _CHECKED
    >>> cells = [nbformat.v4.new_markdown_cell(words), nbformat.v4.new_code_cell("assert True")]
    >>> without_checks(nbformat.v4.new_notebook(cells=cells)).cells
    [{...'source': 'So it runs hot.'...}]
    """
    copy = nbformat.from_dict(book)
    place = next(
        (k for k, cell in enumerate(copy.cells) if _CHECKED in f"\n\n{cell.source}"), len(copy.cells)
    )
    for cell in copy.cells[place : place + 1]:
        cell.source = f"\n\n{cell.source}".partition(_CHECKED)[0].strip()
    copy.cells = [cell for k, cell in enumerate(copy.cells) if k <= place or cell.cell_type == "markdown"]
    return copy


def linked_as_files(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """A copy of `book` whose links to other notebooks lead to their exported pages.

    Examples
    --------
    >>> book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("[tone](05-tone.ipynb)")])
    >>> linked_as_files(book).cells[0].source
    '[tone](05-tone.html)'
    """
    return _each_text(book, lambda text: _LINK.sub(r"\1.html\2", text))


def _each_text(book: nbformat.NotebookNode, change: Callable[[str], str]) -> nbformat.NotebookNode:
    copy = nbformat.from_dict(book)
    for cell in copy.cells:
        if cell.cell_type == "markdown":
            cell.source = change(cell.source)
    return copy


# What nbformat raises on files that are no notebooks, by way of JSON, by way of the schema and by accident.
_BROKEN = (OSError, ValueError, TypeError, AttributeError, KeyError, nbformat.ValidationError)


def read_notebook(path: Path) -> nbformat.NotebookNode:
    """The notebook in a file.

    Raises
    ------
    ExportError : there is none in it.
    """
    try:
        book = nbformat.read(path, as_version=4)
        nbformat.validate(book)
    except _BROKEN as error:
        reason = getattr(error, "message", "") or next(iter(str(error).splitlines()), "")
        raise ExportError(
            f"cannot be read as a notebook ({reason[:80]})", where=path.name, fix="Restore the file"
        ) from error
    return book


def question_of(path: Path) -> str:
    """The first heading of a notebook, which is its question; the file's name where there is none."""
    try:
        return heading_of(read_notebook(path)) or path.stem
    except ExportError:
        return path.stem


def heading_of(book: nbformat.NotebookNode) -> str:
    """The first heading in a notebook, '' where there is none."""
    texts = (cell.source for cell in book.cells if cell.cell_type == "markdown")
    return next((result[1] for text in texts if (result := _HEADING.search(text))), "")
