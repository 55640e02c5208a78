"""The changes on trial as a list of buttons; pressing one takes that change back."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import ipywidgets as widgets


class Chips:
    """One button per change. Buttons are kept and reused: a moving slider only rewrites their words."""

    def __init__(self, on_remove: Callable[[str], None]) -> None:
        self._on_remove = on_remove
        self._pool: list[widgets.Button] = []
        self.keys: tuple[str, ...] = ()
        self.none = widgets.HTML("<p>No changes yet.</p>")
        self.box = widgets.VBox([self.none])

    @property
    def buttons(self) -> tuple[widgets.Button, ...]:
        """Those that are seen, in the order of the changes."""
        return tuple(self._pool[: len(self.keys)])

    def show(self, changes: Mapping[str, tuple[str, str]]) -> None:
        """List the changes: key to (before, now) in words."""
        while len(self._pool) < len(changes):
            self._pool.append(self._button(len(self._pool)))
        before, self.keys = self.keys, tuple(changes)
        for button, (key, (old, new)) in zip(self._pool, changes.items(), strict=False):
            button.description = f"{key}  {old} → {new}   ×"
            button.tooltip = f"Undo the change to {key}"
        if len(before) != len(self.keys) or not self.box.children:
            self.box.children = self.buttons or (self.none,)

    def _button(self, place: int) -> widgets.Button:
        button = widgets.Button()
        button.add_class("tubekit-chip")
        button.on_click(lambda _: self._on_remove(self.keys[place]))
        return button
