"""Run every notebook (or those named) and keep what comes out, without anything of this machine in it.

    python tests/notebooks/remake.py [notebooks/01-part-swap.ipynb ...]

Without names it also draws the README's pictures anew (tests/notebooks/gallery.py).

Needed after a change that moves numbers, words or the style sheet: the saved outputs are compared by
the tests, and are what a reader without a kernel sees.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[2]
KERNEL = {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}
KEPT = {"jupyter", "tags"}
WIDGET = "application/vnd.jupyter.widget-view+json"


def remake(path: Path) -> None:
    """Run one notebook in place; a failing cell raises and leaves the file as it was."""
    book = nbformat.read(path, as_version=4)
    for cell in book.cells:
        cell.metadata = {key: value for key, value in cell.metadata.items() if key in KEPT}
    book.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    NotebookClient(
        book, timeout=120, kernel_name="python3", record_timing=False, store_widget_state=False,
        resources={"metadata": {"path": str(path.parent)}},
    ).execute()  # fmt: skip
    book.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    for cell in book.cells:
        if cell.cell_type == "code":
            cell.outputs = [_without_widget(output) for output in cell.outputs]
    nbformat.validate(book)
    nbformat.write(book, path)


def _without_widget(output: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """A saved widget is a dead reference; the words that stand for it say how to wake it."""
    if WIDGET in output.get("data", {}):
        output.data = {
            "text/plain": "The panel appears here when you run the notebook: Run, then Run All Cells."
        }
    return output


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    os.environ["PYTHONPATH"] = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    every = [
        path
        for folder in ("", "lessons", "reference")
        for path in sorted((ROOT / "notebooks" / folder).glob("*.ipynb"))
    ]
    for each in [Path(name) for name in sys.argv[1:]] or every:
        remake(each)
        print(each.name)  # noqa: T201
    if len(sys.argv) == 1:
        from tests.notebooks import gallery

        gallery.draw()
