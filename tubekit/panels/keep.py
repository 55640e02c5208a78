"""What a panel writes beside its notebook: the amp on trial, the picture, the values as a list.

Each goes under the next free name, never over a file, and what was written is said with its name and a
link. An amp file then stands in every list of amps at once.
"""

from __future__ import annotations

import html
import re
from base64 import b64encode
from collections.abc import Callable
from itertools import count
from pathlib import Path

import ipywidgets as widgets

from tubekit.amp import Amp, load_amp
from tubekit.errors import RecordError, TubekitError
from tubekit.files import write_whole
from tubekit.panels.amp_choice import AmpList

TYPES = {".png": "image/png", ".toml": "text/plain", ".txt": "text/plain"}
REFUSED = "Nothing was saved: "


class Copies:
    """The copying buttons' work, and the line that says what they wrote.

    Parameters
    ----------
    name : what the files are called, before any number; asked for at every copy.
    picture : the figure as a PNG file fine enough to print.
    amp : the amp on trial; without it there is no amp file to copy.
    values : the values as plain text, for panels that have no amp.

    Examples
    --------
    >>> copies = Copies(lambda: "stage", lambda: b"", values=lambda: "load 5K")
    >>> list(copies.actions)
    ['picture', 'values']
    """

    def __init__(
        self, name: Callable[[], str], picture: Callable[[], bytes], *,
        amp: Callable[[], Amp] | None = None, values: Callable[[], str] | None = None,
    ) -> None:  # fmt: skip
        self._name, self._picture, self._amp, self._values = name, picture, amp, values
        self.said = widgets.HTML(layout=widgets.Layout(flex="1 1 220px", width="auto"))
        self.said.add_class("tubekit-copied")
        self.last: Path | None = None
        """The file written last."""

    @property
    def actions(self) -> dict[str, Callable[[], None]]:
        """By the names of their buttons: those this panel has."""
        found: dict[str, Callable[[], None]] = {"picture": self.picture}
        if self._amp is not None:
            found["amp_file"] = self.amp_file
        if self._values is not None:
            found["values"] = self.values
        return found

    def picture(self) -> None:
        """The picture, print quality."""
        self._keep(self._picture, self._name(), ".png")

    def amp_file(self) -> None:
        """The amp with the changes on trial; where the copy would not load as it stands, that is said."""
        amp = self._amp
        assert amp is not None
        path = self._keep(lambda: amp().copy_as_text().encode(), f"{amp().name}-changed", ".toml")
        if path is None:
            return
        AmpList.look_again_all()
        try:
            load_amp(path)
        except TubekitError as error:
            self.said.value += _paragraph(f"The saved file would not load: {error}", "tubekit-complaint")

    def values(self) -> None:
        """The values as text."""
        assert self._values is not None
        values = self._values
        self._keep(lambda: values().encode(), self._name(), ".txt")

    def clear(self) -> None:
        """Say nothing more of the last copy."""
        if self.said.value:
            self.said.value = ""

    def _keep(self, content: Callable[[], bytes], stem: str, suffix: str) -> Path | None:
        try:
            made = content()
            path = write_beside(made, stem, suffix)
        except TubekitError as error:
            self.said.value = _paragraph(REFUSED + str(error), "tubekit-complaint")
            return None
        self.last, self.said.value = path, said_of(path, made)
        return path


def write_beside(content: bytes, stem: str, suffix: str, folder: Path | None = None) -> Path:
    """Write into the notebook's folder under the next free name: stem, stem-2, stem-3 …

    Raises
    ------
    RecordError : the folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [write_beside(b"", "teasel tone", ".png", Path(folder)).name for _ in range(2)]
    ['teasel-tone.png', 'teasel-tone-2.png']
    """
    folder = Path.cwd() if folder is None else folder
    stem = re.sub(r"[^\w.]+", "-", stem).strip("-.") or "copy"
    for place in count(1):
        path = folder / f"{stem}{'' if place == 1 else f'-{place}'}{suffix}"
        if path.exists():
            continue
        try:
            write_whole(path, content)
        except RecordError:
            if path.exists():  # it came just now
                continue
            raise
        return path
    raise AssertionError("names do not run out")


def said_of(path: Path, content: bytes) -> str:
    """The name, and a link that hands the file on: to a tablet too, which has no folder of notebooks."""
    source = f"data:{TYPES.get(path.suffix, 'application/octet-stream')};base64,{b64encode(content).decode()}"
    name = html.escape(path.name)
    return (
        '<p class="tubekit-written" role="status" title="It is in the folder of the notebook">'
        f"Saved: <strong>{name}</strong>. "
        f'<a href="{source}" download="{name}" title="Save {name} on this computer">Save a copy</a></p>'
    )


def _paragraph(words: str, kind: str) -> str:
    return f'<p class="{kind}" role="alert">{html.escape(words)}</p>'
