"""What the parts of the form ask of whoever holds the draft."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any, Protocol

from tubekit.errors import RecordError
from tubekit.files import write_whole
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


NAME = "unfinished-amp.draft"


class KeptDraft:
    """The file `unfinished-amp.draft` beside the notebook; it is written anew at every entry.

    What an earlier sitting left there is read when the form opens, before anything is written over it.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.path = (Path.cwd() if folder is None else folder) / NAME
        self._earlier = ""
        with contextlib.suppress(OSError, ValueError):
            self._earlier = self.path.read_text(encoding="utf-8")

    @property
    def is_there(self) -> bool:
        """Whether an earlier sitting left something."""
        return bool(self._earlier.strip())

    def read(self) -> Draft:
        """What the earlier sitting left.

        Raises
        ------
        AmpFileError : it cannot be read any more.
        """
        return Draft.of_text(self._earlier)

    def keep(self, draft: Draft) -> None:
        """Write a draft; where the folder takes none, the form works on without."""
        if draft.parts:
            with contextlib.suppress(RecordError):
                write_whole(self.path, draft.text().encode(), overwrite=True)
