"""Where the data are, in an installed package or a checkout; and writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from pathlib import Path

from tubekit.errors import RecordError, TableError, near_matches

PART, LEFT_S = (".tubekit-", ".part"), 3600.0


def data_root() -> Path:
    """Directory of the data: packaged `tubekit/data`, else the checkout's `data`."""
    package = Path(__file__).resolve().parent
    packaged = package / "data"
    return packaged if packaged.is_dir() else package.parent / "data"


def data_file(*parts: str) -> Path:
    """Path of a file or directory in the data.

    Raises
    ------
    TableError : nothing there; lists near matches of the part that is missing.

    Examples
    --------
    >>> data_file("handbook", "rc_coupled.csv").name
    'rc_coupled.csv'
    """
    path = data_root()
    for depth, part in enumerate(parts):
        if not (path / part).exists():
            present = sorted(entry.name for entry in path.iterdir()) if path.is_dir() else []
            raise TableError(
                f"there is no '{part}'",
                where="/".join(("data", *parts[:depth])),
                fix=f"It holds {', '.join(present)}" if present else "The data are not installed",
                near=near_matches(part, present),
            )
        path /= part
    return path


def demo_names() -> tuple[str, ...]:
    """Names of the demo amps that come with tubekit, in alphabetical order.

    Returns
    -------
    tuple[str, ...]
        Such as 'teasel'.

    Examples
    --------
    >>> "teasel" in demo_names()
    True
    """
    try:
        folder = data_file("amps")
    except TableError:
        return ()
    return tuple(sorted(path.stem for path in folder.glob("*.toml")))


def write_whole(path: Path, content: bytes, *, overwrite: bool = False) -> None:
    """Write a file so that it is there whole or not at all.

    Raises
    ------
    RecordError : it is there already and `overwrite` is not set, or the folder cannot be written to.
    """
    path = writable(path)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=PART[0], suffix=PART[1])
    except OSError as error:
        raise _refused(path, error) from error
    part = Path(name)
    try:
        _sweep(part)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o644)
        _into_place(part, path, overwrite)
    except OSError as error:
        raise _refused(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def _sweep(part: Path) -> None:
    """Take away what a writer that was killed has left, by the clock of the disk: one at work is younger."""
    now = part.stat().st_mtime
    for left in part.parent.glob(f"{PART[0]}*{PART[1]}"):
        with contextlib.suppress(OSError):
            if now - left.stat().st_mtime > LEFT_S:
                left.unlink()


def _into_place(part: Path, path: Path, overwrite: bool) -> None:
    if overwrite:
        part.replace(path)
        return
    try:
        os.link(part, path)  # fails where something is there, with no moment in between
    except FileExistsError:
        raise already_there(path) from None
    except OSError:  # a file system without links
        if is_there(path):
            raise already_there(path) from None
        part.replace(path)


def found(word: str | Path, kind: str = "exists") -> bool:
    """Whether there is such a file or folder (`is_file`, `is_dir`); no file has an impossible name."""
    try:
        return bool(getattr(Path(word), kind)())
    except (OSError, ValueError):
        return False


def home(word: str | Path) -> Path:
    """The path with ~ as the home folder; as typed where nobody has that name.

    Examples
    --------
    >>> home("~no such user/my-amp.toml").as_posix()
    '~no such user/my-amp.toml'
    """
    try:
        return Path(word).expanduser()
    except RuntimeError:
        return Path(word)


def writable(word: str | Path) -> Path:
    """The path to write to, with ~ as the home folder.

    Raises
    ------
    RecordError : nobody here has that name.
    """
    path = home(word)
    if path.parts[:1] and path.parts[0].startswith("~"):
        raise RecordError(
            f"nobody on this computer is called '{path.parts[0][1:]}'", where=str(word),
            fix="Type the whole path of the folder",
        )  # fmt: skip
    return path


def is_there(path: Path) -> bool:
    """True where something of this name is there, a dangling link among it.

    Raises
    ------
    RecordError : a name that no file can have.
    """
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError) as error:
        raise _refused(path, error) from None
    return True


def already_there(path: Path) -> RecordError:
    """The refusal to write over a file."""
    return RecordError(
        "there is a file of this name already, and nothing was written", where=str(path),
        fix="Choose another name, or ask for it with overwrite=True (--overwrite)",
    )  # fmt: skip


def ask_place(path: Path, *, overwrite: bool) -> None:
    """Refuse before a long calculation what `write_whole` would refuse after it.

    Raises
    ------
    RecordError : as for `write_whole`.
    """
    path = writable(path)
    if not overwrite and is_there(path):
        raise already_there(path)
    try:
        with tempfile.TemporaryFile(dir=path.parent):
            pass
    except OSError as error:
        raise _refused(path, error) from error


def why(error: OSError | ValueError) -> str:
    """What the system has against a file, in a few words; a NUL in its name is a ValueError.

    Examples
    --------
    >>> why(FileNotFoundError(2, "No such file or directory")), why(ValueError("embedded null byte"))
    ('no such file or directory', 'not a name for a file')
    """
    if isinstance(error, ValueError):
        return "not a name for a file"
    return (error.strerror or "it failed").lower()


NAMES = (errno.ENAMETOOLONG, errno.EILSEQ, errno.EINVAL)


def _refused(path: Path, error: OSError | ValueError) -> RecordError:
    named = isinstance(error, ValueError) or error.errno in NAMES
    return RecordError(
        f"cannot be written ({why(error)})", where=str(path).replace("\0", "?"),
        fix="Give a shorter, plainer name" if named else "Name an existing folder you can write to",
    )  # fmt: skip
