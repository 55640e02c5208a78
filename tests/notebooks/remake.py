"""Run every notebook (or those named) and keep what comes out, without anything of this machine in it.

    python tests/notebooks/remake.py [notebooks/01-part-swap.ipynb ...]

Without names it also draws the README's pictures anew (tests/notebooks/gallery.py).

Needed after a change that moves numbers, words or the style sheet: the saved outputs are compared by
the tests, and are what a reader without a kernel sees.
"""

from __future__ import annotations

import os
import sys
from base64 import b64decode, b64encode
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tubekit.pages.stills import ASLEEP, STATE, VIEW, still_of  # noqa: E402

KERNEL = {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}
KEPT = {"jupyter", "tags"}


def remake(path: Path) -> None:
    """Run one notebook in place; a failing cell raises and leaves the file as it was."""
    book = nbformat.read(path, as_version=4)
    for cell in book.cells:
        cell.metadata = {key: value for key, value in cell.metadata.items() if key in KEPT}
    book.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    NotebookClient(
        book, timeout=120, kernel_name="python3", record_timing=False, store_widget_state=True,
        resources={"metadata": {"path": str(path.parent)}},
    ).execute()  # fmt: skip
    models = book.metadata.get("widgets", {}).get(STATE, {}).get("state", {})
    book.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    for cell in book.cells:
        if cell.cell_type == "code":
            cell.outputs = [_without_widget(output, models) for output in cell.outputs]
    nbformat.validate(book)
    nbformat.write(book, path)


def _without_widget(output: nbformat.NotebookNode, models: Mapping[str, Any]) -> nbformat.NotebookNode:
    """A saved widget is a dead reference: its first figure stands for it, with words on how to wake it."""
    if VIEW in output.get("data", {}):
        pictures = list(still_of(output, models))[:1]
        output.data = {"text/plain": f"{ASLEEP}: Run, then Run All Cells."}
        for alt, picture in pictures:
            output.data["image/png"] = _packed(picture)
            output.metadata = {"image/png": {"alt": alt}}
    return output


def _packed(picture: str) -> str:
    """The same PNG in a smaller file."""
    file = BytesIO()
    Image.open(BytesIO(b64decode(picture))).save(file, "png", optimize=True)
    return b64encode(file.getvalue()).decode()


if __name__ == "__main__":
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
