"""A panel on paper: its picture as it comes, in the place of the widget that no file can keep."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping
from typing import Any

from nbformat import NotebookNode
from nbformat.v4 import new_output

VIEW = "application/vnd.jupyter.widget-view+json"
STATE = "application/vnd.jupyter.widget-state+json"
ASLEEP = "The panel appears here when you run the notebook"  # what a saved notebook has in its place
WAKE = "To move the controls, open {name} with: python3 -m tubekit"
_CHILD = "IPY_MODEL_"


def with_stills(book: NotebookNode, name: str) -> NotebookNode:
    """`book` with pictures and words in the place of its widgets; `name` is what to open to move them."""
    models = book.metadata.pop("widgets", {}).get(STATE, {}).get("state", {})
    for cell in book.cells:
        if cell.cell_type == "code":
            cell.outputs = [each for output in cell.outputs for each in _stills(output, models, name)]
    return book


def _stills(output: NotebookNode, models: Mapping[str, Any], name: str) -> Iterator[NotebookNode]:
    data = output.get("data", {})
    wake = WAKE.format(name=name)
    if VIEW not in data:
        asleep = str(data.get("text/plain", "")).startswith(ASLEEP) and "image/png" not in data
        yield _words(f"A panel goes here. {wake}") if asleep else output
        return
    pictures = list(still_of(output, models))
    for alt, picture in pictures:
        about = {"alt": alt, "words": f"The panel as it starts. {wake}"}
        yield new_output("display_data", {"image/png": picture}, metadata={"image/png": about})
    if not pictures:
        yield _words(f"A panel goes here. {wake}")


def _words(words: str) -> NotebookNode:
    return new_output("display_data", {"text/plain": words})


def still_of(output: NotebookNode, models: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The figures of a panel, from top to bottom: alternative text and PNG in base64."""
    return _pictures(output["data"][VIEW]["model_id"], models, set())


def _pictures(model: str, models: Mapping[str, Any], seen: set[str]) -> Iterator[tuple[str, str]]:
    if model in seen or model not in models:
        return
    seen.add(model)
    held = models[model]
    for buffer in held.get("buffers", ()):
        if buffer["path"] == ["value"] and base64.b64decode(buffer["data"])[:4] == b"\x89PNG":
            yield held["state"].get("alt") or "The panel's starting figure", buffer["data"]
    for child in held["state"].get("children", ()):
        yield from _pictures(str(child).removeprefix(_CHILD), models, seen)
