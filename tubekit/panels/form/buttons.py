"""A button with its words, what it does, and what happens."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets


def button(words: str, tip: str, action: Callable[[], object]) -> widgets.Button:
    """A button as wide as its words.

    Examples
    --------
    >>> button("Add", "Add a part", lambda: None).description
    'Add'
    """
    wide = widgets.Layout(width="auto", flex="0 1 auto")
    made = widgets.Button(description=words, tooltip=tip, layout=wide)
    made.on_click(lambda _: action())
    return made
