"""What the parts of the form ask of whoever holds the draft."""

from __future__ import annotations

from typing import Any, Protocol

from tubekit.panels.form.draft import Draft, Path_


class Desk(Protocol):
    """Who holds the draft: the form."""

    @property
    def draft(self) -> Draft:
        """The draft as it is now."""

    def put(self, path: Path_, value: Any) -> None:
        """Enter a value."""

    def take(self, draft: Draft, part: str | None = None) -> None:
        """Take a whole draft on."""

    def rename(self, new: str) -> None:
        """Give the part on the desk another designator."""
