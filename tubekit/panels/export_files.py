"""What a panel saves in the folder of its notebook: the amp on trial, the picture, the values as a list.

Each goes under the next free name, never over a file; its name is shown with a link. A new amp file is in
every list of amps at once.
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
from tubekit.panels.amp_choice import AmpSetting
from tubekit.panels.layout import complaint_html

TYPES = {".png": "image/png", ".toml": "text/plain", ".txt": "text/plain"}
REFUSED = "Nothing was saved: "
MOST_BYTES = 200  # of a name, its number and ending not counted; file systems take 255


class FileSaver(widgets.HTML):
    """What the saving buttons do, and the line that says what they wrote.

    Parameters
    ----------
    name : what the files are called, before any number; asked for each time.
    picture : the figure as a PNG file fine enough to print.
    amp : the amp on trial; without it there is no amp file to save.
    values : the values as plain text, for panels that have no amp.

    Examples
    --------
    >>> saver = FileSaver(lambda: "stage", lambda: b"", values=lambda: "load 5K")
    >>> list(saver.actions)
    ['picture', 'values']
    """

    value: str

    def __init__(
        self, name: Callable[[], str], picture: Callable[[], bytes], *,
        amp: Callable[[], Amp] | None = None, values: Callable[[], str] | None = None,
    ) -> None:  # fmt: skip
        self._name, self._picture, self._amp, self._values = name, picture, amp, values
        super().__init__(layout=widgets.Layout(flex="1 1 220px", width="auto"))
        self.add_class("tubekit-copied")
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
        self._save(self._picture, self._name(), ".png")

    def amp_file(self) -> None:
        """The amp with the changes on trial; where the file would not load, that is said."""
        amp = self._amp
        assert amp is not None
        path = self._save(lambda: amp().copy_as_text().encode(), f"{amp().name}-changed", ".toml")
        if path is None:
            return
        AmpSetting.look_again_all()
        try:
            load_amp(path)
        except TubekitError as error:
            self.value += complaint_html(f"The saved file would not load: {error}")

    def values(self) -> None:
        """The values as text."""
        assert self._values is not None
        values = self._values
        self._save(lambda: values().encode(), self._name(), ".txt")

    def clear(self) -> None:
        """Say nothing more of the last file."""
        if self.value:
            self.value = ""

    def _save(self, content: Callable[[], bytes], stem: str, suffix: str) -> Path | None:
        try:
            made = content()
            path = write_new(made, stem, suffix)
        except TubekitError as error:
            self.value = complaint_html(REFUSED + str(error))
            return None
        self.last, self.value = path, saved_html(path, made)
        return path


DEVICE = re.compile(r"(?:con|prn|aux|nul|com\d|lpt\d)(?:\.|$)", re.IGNORECASE)
"""Names that Windows keeps for devices, whatever follows the point (Microsoft, Naming Files, from memory)."""


def write_new(content: bytes, stem: str, suffix: str, folder: Path | None = None) -> Path:
    """Write into the notebook's folder under the next free name: stem, stem-2, stem-3 …

    Raises
    ------
    RecordError : the folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [write_new(b"", "teasel tone", ".png", Path(folder)).name for _ in range(2)]
    ['teasel-tone.png', 'teasel-tone-2.png']
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_new(b"", 'Con.1 a:b?"', ".toml", Path(folder)).name
    '_Con.1-a-b.toml'
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     len(write_new(b"", "Röhre " * 800, ".toml", Path(folder)).name) < 200
    True
    """
    folder = Path.cwd() if folder is None else folder
    stem = re.sub(r"[^\w.]+", "-", stem).encode()[:MOST_BYTES].decode(errors="ignore").strip("-.") or "copy"
    stem = f"_{stem}" if DEVICE.match(stem) else stem
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


def saved_html(path: Path, content: bytes) -> str:
    """The name, and a link that hands the file on: to a tablet too, which has no folder of notebooks."""
    source = f"data:{TYPES.get(path.suffix, 'application/octet-stream')};base64,{b64encode(content).decode()}"
    name = html.escape(path.name)
    return (
        '<p class="tubekit-written" role="status" title="It is in the folder of the notebook">'
        f"Saved: <strong>{name}</strong>. "
        f'<a href="{source}" download="{name}" title="Save {name} on this computer">Save a copy</a></p>'
    )
